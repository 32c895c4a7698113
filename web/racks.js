// Dimmer racks: what the levels would draw. Estimates, and called so in every place.
import { h } from "./tree.js";
import { items } from "./feed.js";
import { share } from "./charts.js";
import { awaiting, part, table, top, universeLink } from "./parts.js";
import { percent, plural } from "./words.js";

export default {
  title: () => "Racks",
  draw(page) {
    const entry = page.use("/api/v1/racks", 1);
    if (entry.value === undefined) return [top("Racks."), awaiting(entry, "Racks")];
    const racks = items(entry.value, "racks");
    if (!racks.length) {
      return [top("No rack is declared.", "With [[racks]] and a circuits file in the house file, this page estimates what each way and each supply line would draw."), toHours()];
    }
    const limits = racks.flatMap(limitsOf);
    const over = limits.filter((one) => one.a > one.limit).map((one) => one.name);
    return [
      top(overText(over, limits), "Estimated from levels and declared loads, never measured."),
      awaiting(entry, "Racks"),
      h("p", { class: "quiet", key: "safety" }, "Do not touch a rack because of an estimate. Work on racks or mains is done by a competent person, isolated, under local rules; measure there with a meter."),
      racks.map((rack) => one(rack)),
      toHours(),
    ];
  },
};

function toHours() { return h("p", { key: "hours" }, h("a", { href: "/hours" }, "Hours of lamps and circuits")); }

/** Everything that has a declared limit and an estimate: supply lines, ways and neutrals. */
function limitsOf(rack) {
  return [
    ...(rack.supplies || []).map((line) => ({ name: `${rack.rack} line ${line.supply}`, a: line.estimated_a, limit: line.limit_a })),
    ...(rack.ways || []).map((way) => ({ name: `${rack.rack} way ${way.way}`, a: way.estimated_a, limit: way.limit_a })),
    { name: `${rack.rack} neutral`, a: rack.neutral_upper_a, limit: rack.neutral_limit_a },
  ].filter((one) => one.limit && Number.isFinite(one.a));
}

function overText(over, limits) {
  if (over.length) return `By estimate, ${over.slice(0, 6).join(", ")}${over.length > 6 ? ` and ${over.length - 6} more` : ""} ${over.length === 1 ? "is" : "are"} over the declared limit.`;
  if (!limits.length) return "No limit is judged: that needs declared limits and loads, and data.";
  const kinds = [["line", "supply line"], ["way", "way"], ["neutral", "neutral"]].map(([key, word]) => [limits.filter((one) => one.name.split(" ").includes(key)).length, word]).filter(([n]) => n);
  return `By estimate, all with a declared limit are within it: ${kinds.map(([n, word]) => plural(n, word)).join(", ")}.`;
}

function amperes(value) { return Number.isFinite(value) ? `${value.toFixed(1)} A` : "not known"; }

function one(rack) {
  const ways = rack.ways || [];
  const lit = ways.filter((way) => way.level > 0);
  return part(rack.rack,
    h("p", {}, rack.universe ? universeLink(rack.universe) : null, ` ${plural(lit.length, "way")} of ${ways.length} above zero.`,
      Number.isFinite(rack.imbalance_percent) ? ` Supply lines differ by ${Math.round(rack.imbalance_percent)} % (estimate).` : "",
      Number.isFinite(rack.neutral_upper_a) ? ` The neutral carries at most ${amperes(rack.neutral_upper_a)} (estimated upper bound).` : ""),
    h("ul", { class: "supplies" }, (rack.supplies || []).map((line) => h("li", { key: line.supply, class: line.limit_a && line.estimated_a > line.limit_a ? "over" : undefined },
      h("p", { class: "name" }, h("strong", {}, `Line ${line.supply}`)),
      share(line.estimated_a || 0, (line.limit_a || line.full_a || line.worst_a || 1) * 1.25, "wide", line.limit_a ? 0.8 : undefined),
      h("p", { class: "amounts" }, line.full_a === 0 ? "no estimate" : Number.isFinite(line.estimated_a) ? `${amperes(line.estimated_a)} estimated` : "no estimate, as no data came yet", line.limit_a ? `${line.full_a !== 0 && Number.isFinite(line.estimated_a) ? " of" : ";"} ${amperes(line.limit_a)} allowed` : "",
        line.limit_a && line.estimated_a > line.limit_a ? h("strong", {}, ", over the limit") : "",
        h("span", { class: "quiet block" }, line.full_a === 0 ? "no circuit on it has a declared load" : [Number.isFinite(line.worst_a) ? `highest estimate so far ${amperes(line.worst_a)}` : "", Number.isFinite(line.full_a) ? `with everything at full ${amperes(line.full_a)}` : ""].filter(Boolean).join(", ")))))),
    rack.note ? h("p", { class: "quiet" }, rack.note) : null,
    h("details", {}, h("summary", {}, `The ${ways.length} ways of ${rack.rack}`),
      table(`Ways of ${rack.rack}`, [{ name: "Way", number: true }, { name: "Circuit" }, { name: "Level", number: true }, { name: "Estimate", number: true }, { name: "Limit", number: true }], ways.map((way) =>
        h("tr", { key: way.way, class: way.limit_a && way.estimated_a > way.limit_a ? "over" : undefined },
          h("th", { scope: "row", class: "number" }, String(way.way)), h("td", {}, way.circuit || "–"), h("td", { class: "number" }, percent(way.level || 0)),
          h("td", { class: "number" }, amperes(way.estimated_a)), h("td", { class: "number" }, way.limit_a ? amperes(way.limit_a) : "–"))))));
}
