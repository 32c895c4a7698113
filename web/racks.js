// Dimmer racks, a page at a time: what the levels would draw. Estimates, and called so in every place.
import { h, Kept } from "./tree.js";
import { items } from "./feed.js";
import { share } from "./charts.js";
import { awaiting, paged, part, table, top, universeLink } from "./parts.js";
import { percent, plural } from "./words.js";

const ON_A_PAGE = 24;
const kept = new Kept();

export default {
  title: () => "Racks",
  draw(page) {
    const entry = page.use("/api/v1/racks?ways=counted", 0.5);
    if (entry.value === undefined) return [top("Racks."), awaiting(entry, "Racks")];
    const racks = items(entry.value, "racks");
    if (!racks.length) {
      return [top("No rack is declared.", "With [[racks]] and a circuits file in the house file, this page estimates what each way and each supply line would draw."), toHours()];
    }
    // Where not all are in sight, what the sentence above names comes first.
    const first = (rack) => (racks.length > ON_A_PAGE && overOf(rack).length ? 0 : 1);
    const { shown, find, pager } = paged([...racks].sort((a, b) => first(a) - first(b)), ON_A_PAGE, "Find a rack by name, universe or “over the limit”", page,
      (rack, wanted) => [rack.rack, rack.universe, overOf(rack).length ? "over the limit" : ""].some((text) => text.toLowerCase().includes(wanted)));
    const drawn = shown.map((rack) => one(rack, page));
    kept.turn();
    return [
      top(overText(racks.flatMap(overOf), judgedOf(racks)), "Estimated from levels and declared loads, never measured."),
      awaiting(entry, "Racks"),
      h("p", { class: "quiet", key: "safety" }, "Do not touch a rack because of an estimate. Work on racks or mains is done by a competent person, isolated, under local rules; measure there with a meter."),
      racks.length > ON_A_PAGE ? find : null,
      drawn,
      pager,
      toHours(),
    ];
  },
};

function toHours() { return h("p", { key: "hours" }, h("a", { href: "/hours" }, "Hours of lamps and circuits")); }

function isOver(a, limit) { return Boolean(limit) && a > limit; }

/** What of a rack is over its declared limit by estimate: supply lines, ways and the neutral. */
function overOf(rack) {
  return [
    ...rack.supplies.filter((line) => isOver(line.estimated_a, line.limit_a)).map((line) => `${rack.rack} line ${line.supply}`),
    ...rack.ways_over_limit.map((way) => `${rack.rack} way ${way}`),
    ...(isOver(rack.neutral_upper_a, rack.neutral_limit_a) ? [`${rack.rack} neutral`] : []),
  ];
}

/** How many of each kind have a declared limit and an estimate, as [number, word]. */
function judgedOf(racks) {
  const sum = (judged) => racks.reduce((n, rack) => n + judged(rack), 0);
  return [
    [sum((rack) => rack.supplies.filter((line) => line.limit_a && Number.isFinite(line.estimated_a)).length), "supply line"],
    [sum((rack) => rack.ways_judged), "way"],
    [sum((rack) => (rack.neutral_limit_a && Number.isFinite(rack.neutral_upper_a) ? 1 : 0)), "neutral"],
  ].filter(([n]) => n);
}

function overText(over, judged) {
  if (over.length) return `By estimate, ${over.slice(0, 6).join(", ")}${over.length > 6 ? ` and ${over.length - 6} more` : ""} ${over.length === 1 ? "is" : "are"} over the declared limit.`;
  if (!judged.length) return "No limit is judged: that needs declared limits and loads, and data.";
  return `By estimate, all with a declared limit are within it: ${judged.map(([n, word]) => plural(n, word)).join(", ")}.`;
}

function amperes(value) { return Number.isFinite(value) ? `${value.toFixed(1)} A` : "not known"; }

/** A rack's summary, and its ways where they are unfolded: only those are asked for. */
function one(rack, page) {
  const unfolded = (page.local.unfolded ||= new Set());
  const entry = unfolded.has(rack.rack) ? page.use(`/api/v1/racks/${encodeURIComponent(rack.rack)}`, 1) : null;
  const toggled = (event) => {
    if (event.target.open) unfolded.add(rack.rack);
    else unfolded.delete(rack.rack);
    page.redraw();
  };
  return part(rack.rack,
    kept.get(`summary ${rack.rack}`, rack, () => summary(rack)),
    h("details", { key: "ways", ontoggle: toggled, init: { open: unfolded.has(rack.rack) } }, h("summary", {}, `The ${plural(rack.ways_declared, "way")} of ${rack.rack}`),
      entry ? [awaiting(entry, "The ways"), entry.value ? kept.get(`ways ${rack.rack}`, entry.value, () => ways(entry.value)) : null] : null));
}

function summary(rack) {
  return [
    h("p", { key: "sums" }, rack.universe ? universeLink(rack.universe) : null, ` ${plural(rack.ways_above_zero, "way")} of ${rack.ways_declared} above zero.`,
      Number.isFinite(rack.imbalance_percent) ? ` Supply lines differ by ${Math.round(rack.imbalance_percent)} % (estimate).` : "",
      Number.isFinite(rack.neutral_upper_a) ? ` The neutral carries at most ${amperes(rack.neutral_upper_a)} (estimated upper bound).` : ""),
    h("ul", { class: "supplies", key: "lines" }, rack.supplies.map((line) => h("li", { key: line.supply, class: isOver(line.estimated_a, line.limit_a) ? "over" : undefined },
      h("p", { class: "name" }, h("strong", {}, `Line ${line.supply}`)),
      share(line.estimated_a || 0, (line.limit_a || line.full_a || line.worst_a || 1) * 1.25, "wide", line.limit_a ? 0.8 : undefined),
      h("p", { class: "amounts" }, line.full_a === 0 ? "no estimate" : Number.isFinite(line.estimated_a) ? `${amperes(line.estimated_a)} estimated` : "no estimate, as no data came yet", line.limit_a ? `${line.full_a !== 0 && Number.isFinite(line.estimated_a) ? " of" : ";"} ${amperes(line.limit_a)} allowed` : "",
        isOver(line.estimated_a, line.limit_a) ? h("strong", {}, ", over the limit") : "",
        h("span", { class: "quiet block" }, line.full_a === 0 ? "no circuit on it has a declared load" : [Number.isFinite(line.worst_a) ? `highest estimate so far ${amperes(line.worst_a)}` : "", Number.isFinite(line.full_a) ? `with everything at full ${amperes(line.full_a)}` : ""].filter(Boolean).join(", ")))))),
    rack.note ? h("p", { class: "quiet", key: "note" }, rack.note) : null,
  ];
}

function ways(rack) {
  return table(`Ways of ${rack.rack}`, [{ name: "Way", number: true }, { name: "Circuit" }, { name: "Level", number: true }, { name: "Estimate", number: true }, { name: "Limit", number: true }], rack.ways.map((way) =>
    h("tr", { key: way.way, class: isOver(way.estimated_a, way.limit_a) ? "over" : undefined },
      h("th", { scope: "row", class: "number" }, String(way.way)), h("td", {}, way.circuit || "–"), h("td", { class: "number" }, percent(way.level || 0)),
      h("td", { class: "number" }, amperes(way.estimated_a)), h("td", { class: "number" }, way.limit_a ? amperes(way.limit_a) : "–"))));
}
