// What is usual on one universe, and how it is tonight: a line over a grey band.
import { h } from "./tree.js";
import { hourMinute } from "./clock.js";
import { awaiting, table } from "./parts.js";
import { hertz, milliseconds, plural } from "./words.js";

const WIDTH = 720;
const FLOOR = 116;
const NAMES = [
  ["interval_p99_ms", "99 of 100 intervals within", milliseconds],
  ["interval_p50_ms", "Half of the intervals within", milliseconds],
  ["moving_hz", "Rate while levels move", hertz],
  ["missing_percent", "Frames missing", (value) => `${(+value).toFixed(2)} %`],
  ["longest_gap_ms", "Longest gap", milliseconds],
  ["sources", "Most sources at once", (value) => `${value}`],
  ["active_percent", "Minutes in which levels moved", (value) => `${Math.round(value)} %`],
];

/** What is drawn over a band: its figure of a show, the worst five minutes if there is one, and its value in a minute. */
const BANDS = [
  { figure: "interval_p99_ms", most: "sustained_p99_ms", of: (row) => row.interval_p99_ms, say: milliseconds },
  { figure: "missing_percent", most: "sustained_missing_percent", words: "Frames missing", of: missingOf, say: (value) => `${value.toFixed(2)} %` },
  { figure: "longest_gap_ms", words: "The longest gap", of: (row) => row.worst_gap_ms, say: milliseconds },
];

function missingOf(row) {
  const due = row.frames + row.lost_frames;
  return due > 0 ? (100 * row.lost_frames) / due : NaN;
}

function inHour(kind, minutes, nowMs) {
  return minutes.filter((row) => row.at > nowMs - 3660000).map(kind.of).filter((value) => value !== null && Number.isFinite(value));
}

function bandOf(kind, figures) {
  return [figures[kind.figure].lowest, Math.max(figures[kind.figure].highest, (figures[kind.most] || figures[kind.figure]).highest)];
}

/** A further band helps only where a minute of the last hour was worse than any show. */
function isWorse(kind, figures, minutes, nowMs) {
  return Boolean(figures[kind.figure]) && Math.max(0, ...inHour(kind, minutes, nowMs)) > bandOf(kind, figures)[1];
}

function bandText(kind, figures, minutes, nowMs) {
  const [low, high] = bandOf(kind, figures);
  return `${kind.words}: up to ${kind.say(Math.max(0, ...inHour(kind, minutes, nowMs)))} in a minute of the last hour, ${kind.say(low)} to ${kind.say(high)} in the last ${plural(figures[kind.figure].shows, "show")}.`;
}

/** Sentences and pictures of a universe. minutes: rows of its history, oldest first. */
export function usualPart(entry, minutes, nowMs) {
  const trouble = awaiting(entry, "What is usual");
  if (entry.value === undefined) return trouble;
  const usual = entry.value;
  const figures = usual.figures || {};
  const text = usualText(usual, minutes);
  return [trouble,
    h("p", { key: "text" }, text),
    usual.restarted ? h("p", { class: "quiet", key: "again" }, `The figures start again on ${String(usual.restarted.at).slice(0, 10)}: ${usual.restarted.why}.`) : null,
    (usual.grows_worse || []).map((one) => h("p", { key: one.figure }, one.text)),
    figures.interval_p99_ms ? band(BANDS[0], figures, minutes, nowMs, text) : null,
    BANDS.slice(1).filter((kind) => isWorse(kind, figures, minutes, nowMs)).map((kind) => [
      h("p", { key: `${kind.figure} text` }, bandText(kind, figures, minutes, nowMs)), band(kind, figures, minutes, nowMs, bandText(kind, figures, minutes, nowMs))]),
    Object.keys(figures).length ? table("What is usual", [{ name: "Of a show" }, { name: "Median", number: true }, { name: "Least to most", number: true }, { name: "Tonight", number: true }],
      NAMES.filter(([name]) => figures[name]).map(([name, words, say]) => h("tr", { key: name }, h("th", { scope: "row" }, words),
        h("td", { class: "number" }, say(figures[name].median)), h("td", { class: "number" }, `${say(figures[name].lowest)} to ${say(figures[name].highest)}`),
        h("td", { class: "number" }, usual.tonight && Number.isFinite(usual.tonight[name]) ? say(usual.tonight[name]) : "–")))) : null];
}

/** The text form: it answers whether tonight is as it was. */
export function usualText(usual, minutes) {
  const late = (usual.figures || {}).interval_p99_ms;
  const most = (usual.figures || {}).sustained_p99_ms;
  if (!late) return `What is usual is not known yet: ${plural(usual.shows || 0, "show")} of ${usual.fewest_shows} count.`;
  const now = minutes.map((row) => row.interval_p99_ms).filter(Number.isFinite);
  const shows = `In the last ${plural(late.shows, "show")} 99 of 100 intervals were within ${milliseconds(late.lowest)} to ${milliseconds((most || late).highest)}`;
  if (!now.length) return `${shows}. ${minutes.length ? "It did not move in the last hour." : "No minute of the last hour is kept yet."}`;
  const span = [Math.min(...now), Math.max(...now)];
  return `${shows}, in the last hour within ${milliseconds(span[0])}${span[1] > span[0] ? ` to ${milliseconds(span[1])}` : ""}.`;
}

/** One value of each minute of the last hour, over the band in which it was in the last shows. */
function band(kind, figures, minutes, nowMs, text) {
  const from = nowMs - 3600000;
  const [low, high] = bandOf(kind, figures);
  const shown = minutes.filter((row) => row.at > from - 60000 && kind.of(row) !== null && Number.isFinite(kind.of(row)));
  const values = shown.map(kind.of);
  const top = Math.max(high, ...values) * 1.1 || 1;
  const ground = Math.min(low, ...values) * 0.6;
  const x = (at) => Math.max(0, Math.min(WIDTH, Math.round(((at - from) / 3600000) * WIDTH)));
  const y = (value) => +(FLOOR - ((value - ground) / (top - ground)) * (FLOOR - 8)).toFixed(1);
  let d = "";
  let last = NaN;
  for (const row of shown) {
    d += `${row.at - last < 90000 ? "L" : "M"}${x(row.at)} ${y(kind.of(row))}H${x(row.at + 60000)}`;
    last = row.at;
  }
  return h("svg", { key: kind.figure, class: "picture usual", viewBox: `0 0 ${WIDTH} 142`, width: WIDTH, height: 142, role: "img", "aria-label": text },
    h("rect", { class: "usual-band", x: 0, width: WIDTH, y: y(high), height: Math.max(2, y(low) - y(high)) }),
    h("line", { class: "base", x1: 0, x2: WIDTH, y1: FLOOR + 0.5, y2: FLOOR + 0.5 }),
    h("path", { class: "line", d: d || `M0 ${FLOOR}` }),
    h("text", { key: "usually", class: "axis", x: 4, y: y(low) + 15 > FLOOR - 4 ? Math.max(10, y(high) - 5) : y(low) + 15 }, `usual: ${kind.say(low)} to ${kind.say(high)}`),
    [0, 15, 30, 45, 60].map((minute) => h("text", { key: `m${minute}`, class: "axis", x: x(from + minute * 60000), y: 134,
      "text-anchor": minute === 0 ? "start" : minute === 60 ? "end" : "middle" }, minute === 60 ? "now" : hourMinute(from + minute * 60000))));
}

/** Points of shows that grow worse, with the limit of a warning as a line. */
export function trendPicture(one) {
  const top = Math.max(one.limit, ...one.values) * 1.05;
  const y = (value) => +(76 - (value / top) * 70).toFixed(1);
  const step = 320 / one.values.length;
  return h("svg", { class: "picture trend", viewBox: "0 0 320 80", width: 320, height: 80, role: "img", "aria-label": one.text },
    h("path", { class: "limit", d: `M0 ${y(one.limit)}H320` }),
    one.values.map((value, i) => h("circle", { key: i, class: "point", cx: +((i + 0.5) * step).toFixed(1), cy: y(value), r: 3 })));
}
