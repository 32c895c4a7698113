// The night as one line in time: phases, incidents by severity, marks, and what was not judged. It leads to any moment of it.
import { h } from "./tree.js";
import { clockTime, dayTime, hourMinute, ms } from "./clock.js";
import { severityMark } from "./marks.js";
import { plural, ruleWords, span } from "./words.js";

const LANES = ["critical", "warning", "note"];
const TOP = 30;
const PITCH = 26;
const STEPS = 1000;

/** `found` is the report of a stretch as JSON. Returns the picture, the handle to move through it, and the chosen moment. */
export function night(found, page) {
  const from = ms(found.since);
  const to = ms(found.until);
  if (!(to > from)) return null;
  const at = page.local.momentMs >= from && page.local.momentMs <= to ? page.local.momentMs : NaN;
  const choose = (when) => { page.local.momentMs = when; page.redraw(); };
  return [
    drawn(found, from, to, at, page, choose),
    h("label", { key: "handle", class: "handle no-print" }, h("span", {}, "Move through the night"),
      h("input", { type: "range", min: 0, max: STEPS, step: 1, init: { value: String(STEPS) }, "aria-valuetext": Number.isFinite(at) ? clockTime(at) : "now",
        oninput: (event) => choose(from + ((to - from) * Number(event.target.value)) / STEPS) })),
    Number.isFinite(at) ? momentOf(found, at) : h("p", { key: "hint", class: "quiet no-print" }, "Press anywhere in the picture, or move the handle, to see what was open at that moment."),
  ];
}

function drawn(found, from, to, at, page, choose) {
  const width = Math.max(320, Math.min(1600, Math.floor(page.widthPx || 900)));
  const left = width < 620 ? 4 : 90;
  const x = (when) => Math.max(left, Math.min(width - 4, left + ((when - from) / (to - from)) * (width - left - 4)));
  const height = TOP + LANES.length * PITCH + 52;
  const foot = TOP + LANES.length * PITCH + 8;
  const phases = (found.phases || []).map((row, i, all) => ({ phase: row.phase, start: Math.max(from, ms(row.at)), end: i + 1 < all.length ? ms(all[i + 1].at) : to })).filter((row) => row.end > row.start);
  const press = (event) => {
    // A bar may be narrower than a finger: pressing near one chooses its beginning, and the list below leads to it.
    const bar = event.target.closest("[data-at]");
    if (bar) return choose(Math.max(from, Math.min(to, Number(bar.getAttribute("data-at")))));
    const box = event.currentTarget.getBoundingClientRect();
    const across = ((event.clientX - box.left) / box.width) * width;
    return choose(Math.max(from, Math.min(to, from + ((across - left) / (width - left - 4)) * (to - from))));
  };
  return h("svg", { key: "night", class: "picture night", viewBox: `0 0 ${width} ${height}`, width, height, role: "img", "aria-label": nightText(found), onclick: press },
    phases.map((row, i) => h("g", { key: `p${i}`, class: "phase" }, h("rect", { class: i % 2 ? "even" : "odd", x: x(row.start), y: 2, width: Math.max(1, x(row.end) - x(row.start)), height: foot - 2 }),
      x(row.end) - x(row.start) > row.phase.length * 8 ? h("text", { class: "axis", x: x(row.start) + 4, y: 18 }, row.phase) : null)),
    left > 20 ? LANES.map((name, i) => h("text", { key: `l${name}`, class: "axis", x: 0, y: TOP + i * PITCH + 15 }, name)) : null,
    (found.not_judged || []).map((row, i) => h("g", { key: `n${i}`, class: "unjudged" }, h("title", {}, `not judged: ${row.reason || ""}`),
      h("rect", { x: x(ms(row.from)), y: foot - 6, width: Math.max(3, x(row.to ? ms(row.to) : to) - x(ms(row.from))), height: 6 }))),
    (found.incidents || []).map((one) => {
      const lane = Math.max(0, LANES.indexOf(one.severity));
      const start = x(ms(one.began_at));
      return h("g", { key: `i${one.id}`, class: `bar is-${one.severity}`, "data-at": ms(one.began_at) }, h("title", {}, one.summary || ruleWords(one.rule)),
        h("rect", { x: start, y: TOP + lane * PITCH + 2, width: Math.max(6, x(one.closed_at ? ms(one.closed_at) : to) - start), height: PITCH - 6 }));
    }),
    (found.marks || []).map((row, i) => h("g", { key: `m${i}`, class: "mark-at" }, h("title", {}, `${clockTime(row.at)} ${row.text}`), h("path", { d: `M${x(ms(row.at)).toFixed(1)} ${TOP - 6}V${foot + 4}M${(x(ms(row.at)) - 4).toFixed(1)} ${foot + 12}l4 -8l4 8z` }))),
    Number.isFinite(at) ? h("path", { key: "at", class: "chosen", d: `M${x(at).toFixed(1)} 0V${foot + 6}` }) : null,
    [0, 0.25, 0.5, 0.75, 1].map((share) => h("text", { key: `t${share}`, class: "axis", x: left + share * (width - left - 4), y: height - 6, "text-anchor": share === 0 ? "start" : share === 1 ? "end" : "middle" }, hourMinute(from + share * (to - from)))));
}

export function nightText(found) {
  const incidents = found.incidents || [];
  const counted = LANES.map((name) => [name, incidents.filter((one) => one.severity === name).length]).filter(([, n]) => n).map(([name, n]) => `${n} ${name}`);
  const unjudged = (found.not_judged || []).length;
  return `${dayTime(found.since)} to ${dayTime(found.until)}: ${counted.length ? counted.join(", ") : "no incident"}; ${plural((found.marks || []).length, "mark")}; ${unjudged ? `${plural(unjudged, "interval")} not judged` : "all of it judged"}. Phases: ${(found.phases || []).map((row) => `${row.phase} from ${hourMinute(row.at)}`).join(", ") || "not known"}.`;
}

/** What was open at a moment, in which phase, and what was marked near it. */
function momentOf(found, at) {
  const open = (found.incidents || []).filter((one) => ms(one.began_at) <= at && (!one.closed_at || ms(one.closed_at) >= at)).sort((a, b) => LANES.indexOf(a.severity) - LANES.indexOf(b.severity));
  const phase = [...(found.phases || [])].reverse().find((row) => ms(row.at) <= at);
  const unjudged = (found.not_judged || []).filter((row) => ms(row.from) <= at && (!row.to || ms(row.to) >= at));
  const near = (found.marks || []).filter((row) => Math.abs(ms(row.at) - at) <= 120000);
  return h("div", { key: "moment", class: "at-moment", role: "status" },
    h("h3", {}, `${clockTime(at)}${phase ? `, phase ${phase.phase}` : ""}: ${open.length ? `${plural(open.length, "incident")} open` : "nothing was open"}.`),
    unjudged.length ? h("p", {}, `Not judged then: ${unjudged.map((row) => row.reason || "this listener itself was at fault").join("; ")}.`) : null,
    open.length ? h("ul", { class: "lines" }, open.slice(0, 20).map((one) => h("li", { key: one.id, class: "line" }, h("div", { class: "margin" }, severityMark(one.severity)),
      h("p", { class: "body" }, h("a", { href: `/incident/${one.id}` }, one.summary || ruleWords(one.rule)), " ", h("span", { class: "quiet" }, `since ${clockTime(one.began_at)}, then for ${span((at - ms(one.began_at)) / 1000)}`))))) : null,
    near.length ? h("p", {}, `Marked near it: ${near.slice(0, 5).map((row) => `${clockTime(row.at)} “${row.text}”`).join("; ")}.`) : null);
}
