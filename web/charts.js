// Things drawn where people look. Each picture is labelled with its own text form; geometry is in SVG
// attributes, colours come from the style sheet by class.
import { h } from "./tree.js";
import { clockTime, exactTime, hourMinute, ms } from "./clock.js";
import { count, hertz, milliseconds, plural, ranges } from "./words.js";

function picture(className, width, height, label, ...inside) {
  return h("svg", { class: `picture ${className}`, viewBox: `0 0 ${width} ${height}`, width, height, role: "img", "aria-label": label }, inside);
}

/** Interval distribution of a stream: bins where the listener gives them, else the four numbers on a line. */
export function intervals(bins, summary) {
  const text = intervalText(summary);
  if (!bins || !bins.length) return intervalStrip(summary, text);
  const most = Math.max(1, ...bins.map((bin) => bin[2]));
  const width = 640;
  const step = width / bins.length;
  const label = `How long it was from frame to frame. ${text}`;
  const every = Math.max(1, Math.ceil(bins.length / 8));
  return picture("histogram", width, 150, label,
    h("line", { class: "base", x1: 0, x2: width, y1: 120.5, y2: 120.5 }),
    bins.map(([from, to, n], i) => {
      const tall = n ? Math.max(3, Math.round((Math.sqrt(n) / Math.sqrt(most)) * 108)) : 0; // roots: one late frame in ten thousand still shows
      return h("g", { key: i }, h("title", {}, `${binEdge(from)} to ${binEdge(to)}: ${plural(n, "frame")}`),
        h("rect", { class: to > 100 || !Number.isFinite(to) ? "late" : "bar", x: +(i * step + 1).toFixed(1), y: 120 - tall, width: +Math.max(1, step - 2).toFixed(1), height: tall }),
        i % every === 0 ? h("text", { x: +(i * step).toFixed(1), y: 140, class: "axis" }, i ? binEdge(from) : "0 ms") : null);
    }));
}

function binEdge(value) { return Number.isFinite(value) ? `${+value.toFixed(1)}` : "more"; }

export function intervalText(summary) {
  if (!summary || !Number.isFinite(summary.p50)) return "No intervals are known yet.";
  return `Half of the frames came within ${milliseconds(summary.p50)} of the one before, 95 of 100 within ${milliseconds(summary.p95)}, 99 within ${milliseconds(summary.p99)}; the longest gap was ${milliseconds(summary.max)}.`;
}

function intervalStrip(summary, text) {
  if (!summary || !Number.isFinite(summary.p50)) return null;
  const x = (value) => Math.max(4, Math.min(636, Math.round((Math.log10(Math.max(1, value)) / 4) * 632) + 4)); // 1 ms to 10 s, logarithmic
  const points = [["p50", "half"], ["p95", "95 %"], ["p99", "99 %"], ["max", "longest"]];
  return picture("strip", 640, 84, text,
    h("line", { class: "base", x1: 0, x2: 640, y1: 52.5, y2: 52.5 }),
    [1, 10, 100, 1000, 10000].map((tick) => [
      h("line", { key: `t${tick}`, class: "base", x1: x(tick), x2: x(tick), y1: 52, y2: 58 }),
      h("text", { key: `n${tick}`, class: "axis", x: x(tick), y: 74, "text-anchor": tick === 1 ? "start" : tick === 10000 ? "end" : "middle" }, milliseconds(tick).replace(".0", ""))]),
    h("rect", { class: "bar", x: x(summary.p50), y: 40, width: Math.max(2, x(summary.p95) - x(summary.p50)), height: 12 }),
    h("line", { class: summary.max > 100 ? "late" : "whisker", x1: x(summary.p95), x2: x(summary.max), y1: 46, y2: 46 }),
    points.filter(([key]) => Number.isFinite(summary[key])).map(([key], i) =>
      h("line", { key, class: key === "max" && summary.max > 100 ? "late" : "whisker", x1: x(summary[key]), x2: x(summary[key]), y1: 36 - (i % 2) * 6, y2: 52 })));
}

/** An hour of one universe, a step a minute: rate as a line, the worst gap beneath, incidents as bands. */
export function hour(minutes, incidents, nowMs) {
  const from = nowMs - 3600000;
  const width = 720;
  const x = (at) => Math.max(0, Math.min(width, Math.round(((at - from) / 3600000) * width)));
  const rows = minutes.filter((row) => row.at > from - 60000);
  const tall = (hz) => (Number.isFinite(hz) ? 84 - Math.min(1, hz / 50) * 74 : 84);
  let d = "";
  let last = NaN;
  for (const row of rows) {
    const joined = row.at - last < 90000;
    d += `${joined ? "L" : "M"}${x(row.at)} ${tall(row.refresh_hz).toFixed(1)}H${x(row.at + 60000)}`;
    last = row.at;
  }
  return picture("hour", width, 142, hourText(rows, incidents, from),
    incidents.map((incident) => {
      const start = x(ms(incident.began_at));
      const end = x(incident.closed_at ? ms(incident.closed_at) : nowMs);
      return h("g", { key: `i${incident.id}`, class: `band is-${incident.severity}` }, h("title", {}, incident.summary),
        h("rect", { x: start, y: 4, width: Math.max(3, end - start), height: 112 }),
        h("path", { d: `M${start} 4v112` }));
    }),
    h("line", { class: "base", x1: 0, x2: width, y1: 84.5, y2: 84.5 }),
    h("path", { class: "line", d: d || "M0 84" }),
    rows.map((row) => {
      if (row.not_judged_s > 0) return h("rect", { key: `n${row.at}`, class: "unjudged", x: x(row.at), y: 88, width: 10, height: 4 });
      const deep = Number.isFinite(row.worst_gap_ms) ? Math.max(0, Math.min(26, Math.log10(Math.max(row.worst_gap_ms, 10) / 10) * 9)) : 0;
      return deep >= 1 ? h("rect", { key: `g${row.at}`, class: row.worst_gap_ms > 1000 ? "late" : "gap", x: x(row.at) + 1, y: 88, width: 8, height: +deep.toFixed(1) }) : null;
    }),
    [0, 15, 30, 45, 60].map((minute) => h("text", { key: `m${minute}`, class: "axis", x: x(from + minute * 60000), y: 134,
      "text-anchor": minute === 0 ? "start" : minute === 60 ? "end" : "middle" }, minute === 60 ? "now" : hourMinute(from + minute * 60000))));
}

export function hourText(rows, incidents, from) {
  const rates = rows.map((row) => row.refresh_hz).filter(Number.isFinite);
  if (!rows.length) return "No history of the last hour yet: each minute is written at its end.";
  const worst = rows.reduce((a, b) => ((b.worst_gap_ms || 0) > (a.worst_gap_ms || 0) ? b : a));
  const lost = rows.reduce((sum, row) => sum + (row.lost_frames || 0), 0);
  const unjudged = rows.reduce((sum, row) => sum + (row.not_judged_s || 0), 0);
  const within = incidents.filter((incident) => !incident.closed_at || ms(incident.closed_at) > from);
  return [
    rates.length ? `In the last ${plural(rows.length, "minute")} the rate was ${hertz(Math.min(...rates))} to ${hertz(Math.max(...rates))}.` : "No frame came in the last hour.",
    worst.worst_gap_ms ? `The longest gap, ${milliseconds(worst.worst_gap_ms)}, was at ${hourMinute(worst.at)}.` : "",
    lost ? `${lost === 1 ? "One frame is" : `${count(lost)} frames are`} missing by sequence.` : "No frame is missing by sequence.",
    unjudged ? `${Math.round(unjudged)} s were not judged, because the listener itself was at fault.` : "",
    within.length ? `${plural(within.length, "incident")} touched it.` : "",
  ].filter(Boolean).join(" ");
}

/** The moment of failure: every stream a line in time, ending where its data ended. What stopped together lines up. */
export function moment(streams, from, to, marks, room) {
  const narrow = room < 620; // then a name is above its line
  const left = narrow ? 2 : 190;
  const width = Math.max(290, Math.min(980, Math.floor(room)));
  const pitch = narrow ? 44 : 26;
  const height = streams.length * pitch + 40;
  const x = (at) => Math.max(left, Math.min(width - 8, left + ((at - from) / (to - from)) * (width - left - 8)));
  return picture("moment", width, height, momentText(streams, from),
    marks.filter((mark) => mark.at >= from && mark.at <= to).map((mark, i) => h("g", { key: `m${i}`, class: `moment-mark is-${mark.what}` },
      h("path", { d: `M${x(mark.at).toFixed(1)} 4V${streams.length * pitch + 8}` }), h("title", {}, `${exactTime(mark.at)} ${mark.text}`))),
    streams.map((stream, row) => {
      const y = row * pitch + (narrow ? 32 : 20);
      const pieces = stream.pieces || [[from, stream.last]].concat(Number.isFinite(stream.again) ? [[stream.again, to]] : []);
      return h("g", { key: stream.name, class: `${stream.stopped ? "stopped" : "continues"}${stream.there ? " there" : ""}` },
        h("text", { class: "row-label", x: 0, y: narrow ? y - 12 : y + 4 }, short(stream.name, narrow ? 40 : 26)),
        pieces.map(([start, end], i) => h("path", { key: `p${i}`, d: `M${x(start).toFixed(1)} ${y}H${x(end).toFixed(1)}` })),
        stream.frames ? stream.frames.map((at, i) => h("path", { key: `f${i}`, class: "frame", d: `M${x(at).toFixed(1)} ${y - 5}v10` })) : null,
        stream.stopped ? h("path", { key: "x", class: "end", d: `M${(x(stream.last) + 3).toFixed(1)} ${y - 5}l8 10m0-10l-8 10` }) : null);
    }),
    [0, 0.5, 1].map((part) => h("text", { key: `t${part}`, class: "axis", x: left + part * (width - left - 8), y: height - 6,
      "text-anchor": part === 0 ? "start" : part === 1 ? "end" : "middle" }, exactTime(from + part * (to - from)))));
}

function short(text, most) { return text.length > most ? `${text.slice(0, most - 1)}…` : text; }

export function momentText(given) {
  const streams = given.filter((stream) => !stream.there); // what another listener hears is not another stream
  const went = streams.filter((stream) => stream.stopped && Number.isFinite(stream.last));
  const stays = streams.filter((stream) => !stream.stopped);
  if (!went.length) return `${plural(streams.length, "stream")} around the moment; none stopped.`;
  const first = Math.min(...went.map((stream) => stream.last));
  const spread = (Math.max(...went.map((stream) => stream.last)) - first) / 1000;
  const names = ranges([...new Set(went.map((stream) => stream.universe))], 6);
  return `${names} stopped at ${exactTime(first)}${went.length > 1 ? `, ${spread < 0.25 ? `all within ${Math.max(1, Math.round(spread * 1000))} ms of each other` : `over ${spread.toFixed(1)} s`}` : ""}; ${stays.length ? `${plural(stays.length, "other stream")} continued` : "nothing else continued"}.`;
}

/** A level, or any share of a whole, as a bar. */
export function share(part, whole, className, mark) {
  const at = whole > 0 ? Math.max(0, Math.min(1, part / whole)) : 0;
  return h("svg", { class: `share ${className || ""}`, viewBox: "0 0 100 12", preserveAspectRatio: "none", width: 100, height: 12, "aria-hidden": "true", focusable: "false" },
    h("rect", { class: "whole", x: 0.5, y: 0.5, width: 99, height: 11 }),
    h("rect", { class: "part", x: 0, y: 0, width: +(at * 100).toFixed(1), height: 12 }),
    mark === undefined ? null : h("rect", { class: "limit", x: Math.min(98.5, mark * 100), y: 0, width: 1.5, height: 12 }));
}

/** All 512 slots as strokes, 128 to a line: the shape of a look at one glance. */
export function slotField(levels, label) {
  const lines = Math.max(1, Math.ceil(levels.length / 128));
  const paths = [];
  for (let line = 0; line < lines; line += 1) {
    let d = "";
    for (let i = line * 128; i < Math.min(levels.length, line * 128 + 128); i += 1) {
      const tall = (levels[i] / 255) * 24;
      if (tall > 0) d += `M${(i % 128) * 6 + 3} ${line * 36 + 26}v-${Math.max(1, tall).toFixed(1)}`;
    }
    paths.push(h("g", { key: line },
      h("text", { class: "axis", x: 772, y: line * 36 + 27 }, String(Math.min(levels.length, line * 128 + 128))),
      h("line", { class: "base", x1: 0, x2: 768, y1: line * 36 + 27.5, y2: line * 36 + 27.5 }), h("path", { class: "levels", d: d || "M0 0" })));
  }
  return picture("slots", 800, lines * 36, label, paths);
}

/** Which of 512 slots are taken: bars on one line, free stretches left open. */
export function taken(free, label) {
  let d = "";
  let next = 1;
  for (const [first, last] of [...free, [513, 513]]) {
    if (first > next) d += `M${next - 1} 8H${first - 1}`;
    next = last + 1;
  }
  return h("svg", { class: "picture taken-slots", viewBox: "0 0 512 16", preserveAspectRatio: "none", width: 512, height: 16, role: "img", "aria-label": label },
    h("line", { class: "base", x1: 0, x2: 512, y1: 15.5, y2: 15.5 }), h("path", { d: d || "M0 0" }));
}

export { clockTime };
