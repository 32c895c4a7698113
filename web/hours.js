// Hours of lamps and circuits, as commanded: estimates from levels, with the way to say that a lamp is new.
import { h } from "./tree.js";
import { items } from "./feed.js";
import { askFirst } from "./ask.js";
import { awaiting, part, table, top } from "./parts.js";
import { count, plural } from "./words.js";

const MOST = 200;
const BANDS = ["young", "ageing", "due", "overdue"];

export default { title: () => "Hours", draw };

function draw(page) {
  const entry = page.use("/api/v1/hours", 10);
  if (entry.value === undefined) return [top("Hours."), awaiting(entry, "Hours"), back()];
  const rows = items(entry.value, "hours").map((row) => ({ ...row, kind: row.circuit ? "circuit" : "fixture", name: row.circuit || row.fixture || "" })).sort(worstFirst);
  if (!rows.length) {
    return [top("No hours are counted yet.", "They begin with the first circuit or patched fixture that rises above 5 %."), awaiting(entry, "Hours"), back()];
  }
  const due = rows.filter((row) => reach(row) >= 2);
  const wanted = (page.local.wanted || "").toLowerCase();
  const found = wanted ? rows.filter((row) => row.name.toLowerCase().includes(wanted)) : rows;
  return [
    top(due.length ? `${plural(due.length, "lamp")} ${due.length === 1 ? "is" : "are"} or may be near the end of rated life.` : rows.some((row) => row.band) ? "No lamp is near the end of its rated life, by estimate." : `Hours of ${plural(rows.length, "circuit or fixture", "circuits and fixtures")}.`,
      "Counted from what was commanded, never measured."),
    awaiting(entry, "Hours"),
    h("p", { class: "quiet", key: "how" }, "Full-equivalent hours weigh each hour by its level. A dimmed lamp lasts longer than its hours on suggest: where the two figures differ, both are shown. Time in which this listener did not hear the data is not counted."),
    h("p", { class: "quiet", key: "caution" }, "Caution: before a lamp is changed or a damp connector is touched, isolate the circuit and let the fixture cool. It is work for a competent person, under local rules."),
    page.local.done ? h("p", { role: "status", key: "done" }, page.local.done) : null,
    part("Circuits and fixtures",
      h("label", { class: "find", key: "find" }, h("span", {}, "Find by name"),
        h("input", { type: "search", autocomplete: "off", oninput: (event) => { page.local.wanted = event.target.value; page.redraw(); } })),
      table("Hours", [{ name: "Name" }, { name: "Hours on", number: true }, { name: "Full-equivalent", number: true }, { name: "Switched on", number: true }, { name: "Rated life", number: true }, { name: "Lamp, by estimate" }, { name: "Lamp changed" }],
        found.slice(0, MOST).map((row) => h("tr", { key: `${row.kind} ${row.name}`, class: reach(row) >= 2 ? "over" : undefined },
          h("th", { scope: "row" }, `${row.kind} ${row.name}`), hours(row.on_h), hours(row.full_equivalent_h),
          h("td", { class: "number" }, count(row.switched_on)),
          h("td", { class: "number" }, Number.isFinite(row.rated_life_h) ? `${count(row.rated_life_h)} h` : "–"),
          h("td", {}, row.band || "no life declared"),
          h("td", {}, h("button", { type: "button", "aria-label": `The lamp of ${row.kind} ${row.name} was changed`, onclick: () => question(page, row) }, "Lamp changed"))))),
      found.length > MOST ? h("p", { class: "quiet", key: "more" }, `${found.length - MOST} more; narrow the search to see them.`) : found.length ? null : h("p", { class: "quiet", key: "none" }, "No circuit or fixture has that name.")),
    back(),
  ];
}

function back() { return h("p", { key: "back" }, h("a", { href: "/racks" }, "Racks")); }

/** How far the later of its two bands reaches; -1 without a declared life. */
function reach(row) { return row.band ? Math.max(...String(row.band).split(" to ").map((word) => BANDS.indexOf(word))) : -1; }

function worstFirst(a, b) { return reach(b) - reach(a) || (b.on_h || 0) - (a.on_h || 0) || a.name.localeCompare(b.name, "en", { numeric: true }); }

function hours(value) { return h("td", { class: "number" }, Number.isFinite(value) ? `${value < 10 ? value.toFixed(1) : count(value)} h` : "–"); }

function question(page, row) {
  askFirst({
    title: `Was the lamp of ${row.kind} ${row.name} changed?`,
    texts: [`Its hours (${row.on_h.toFixed(1)} h on, ${row.full_equivalent_h.toFixed(1)} h full-equivalent) and its count of switching on start again at zero. This cannot be taken back.`],
    yes: "Yes, a new lamp is in",
    run: async () => {
      await page.change("/api/v1/lamp-changes", { method: "POST", body: { [row.kind]: row.name } });
      page.local.done = `Hours of ${row.kind} ${row.name} start again from zero.`;
    },
  });
}
