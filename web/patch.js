// The patch: what collides, what is free, and where a fixture with a number of slots fits.
import { h } from "./tree.js";
import { items } from "./feed.js";
import { share, taken } from "./charts.js";
import { awaiting, part, top, universeLink } from "./parts.js";
import { isCommandKnown } from "./universe.js";
import { list, percent, plural } from "./words.js";

const MOST = 200;

export default { title: () => "Patch", draw };

function draw(page) {
  const entry = page.use("/api/v1/patch", 5);
  const fixtures = page.use("/api/v1/fixtures", 1);
  const value = entry.value || {};
  const universes = value.universes || [];
  const conflicts = value.conflicts || [];
  const rows = items(fixtures.value, "fixtures");
  if (entry.value === undefined) return [top("The patch."), awaiting(entry, "The patch")];
  if (!rows.length && !universes.length) {
    return [top("No patch is declared.", "Name a CSV file or an MVR under [patch] in the house file: this page then shows conflicts, free space and every fixture's levels.")];
  }
  return [
    top(conflicts.length ? `${plural(conflicts.length, "conflict")} in the patch.` : "The patch has no conflict.", `${plural(rows.length, "fixture")} on ${plural(universes.length, "universe")}.`),
    awaiting(entry, "The patch"),
    h("p", { key: "asked" }, h("a", { href: "/fixtures-asked" }, "Ask fixtures what they are, and compare with this patch")),
    conflicts.length ? part("Conflicts", h("ul", { class: "plain ruled" }, conflicts.map((conflict, i) => h("li", { key: i }, conflictText(conflict))))) : null,
    part("A free address", freeFor(page, universes)),
    part("Universes", h("ul", { class: "plain ruled" }, universes.map((row) => h("li", { key: row.universe, class: "patched" },
      h("p", {}, universeLink(row.universe), ` ${row.unsized ? "at least " : ""}${row.used} slots taken, free${row.unsized ? " at most" : ""}: ${freeText(row.free)}`), taken(row.free || [], `${row.universe}: ${row.used} of 512 slots taken`))))),
    part("Fixtures", fixtureList(page, rows)),
  ];
}

function conflictText(conflict) {
  if (typeof conflict === "string") return conflict;
  if (conflict.text || conflict.summary) return conflict.text || conflict.summary;
  return `${(conflict.fixtures || []).join(" and ")} on ${conflict.universe || ""} ${conflict.slots || ""}`;
}

function freeText(free) {
  if (!free || !free.length) return "none";
  const ranges = free.slice(0, 8).map(([first, last]) => (first === last ? `${first}` : `${first}–${last}`));
  return free.length > 8 ? `${ranges.join(", ")} and ${free.length - 8} more` : list(ranges);
}

function freeFor(page, universes) {
  const footprint = Math.max(1, Math.min(512, Number(page.local.footprint || 1)));
  const found = [];
  const unsized = universes.reduce((sum, row) => sum + (row.unsized || 0), 0);
  for (const row of universes) {
    const gap = (row.free || []).find(([first, last]) => last - first + 1 >= footprint);
    if (gap) found.push(`${row.universe} at ${gap[0]}`);
  }
  return [
    h("label", { class: "find" }, h("span", {}, "Slots the fixture needs"),
      h("input", { type: "number", inputmode: "numeric", min: 1, max: 512, init: { value: "1" }, oninput: (event) => { page.local.footprint = event.target.value; page.redraw(); } })),
    h("p", { role: "status" }, found.length ? `First room for ${plural(footprint, "slot")}: ${list(found.slice(0, 6))}.` : `No declared universe has ${plural(footprint, "slot")} in a row.`),
    unsized ? h("p", { key: "unsized" }, `The number of slots of ${plural(unsized, "fixture")} is not known, for neither a declared profile nor the patch file gives it: slots that are listed as free may be taken.`) : null,
  ];
}

function fixtureList(page, rows) {
  const wanted = (page.local.wanted || "").toLowerCase();
  const found = wanted ? rows.filter((row) => [row.fixture, row.label, row.position, row.circuit, row.profile, row.universe].some((text) => text && String(text).toLowerCase().includes(wanted))) : rows;
  return [
    h("label", { class: "find" }, h("span", {}, "Find by name, position, circuit, profile or universe"),
      h("input", { type: "search", autocomplete: "off", oninput: (event) => { page.local.wanted = event.target.value; page.redraw(); } })),
    h("ul", { class: "fixtures" }, found.slice(0, MOST).map((fixture) => h("li", { key: `${fixture.fixture}|${fixture.universe}|${fixture.address}`, class: fixture.lit ? "lit" : "dark" },
      h("p", { class: "name" }, h("strong", {}, fixture.label || fixture.fixture), " ", h("span", { class: "quiet" },
        [fixture.label ? fixture.fixture : "", fixture.position, fixture.circuit ? `circuit ${fixture.circuit}` : "", fixture.profile].filter(Boolean).join(", "))),
      h("p", { class: "roles" }, h("a", { href: `/universe/${fixture.universe}` }, `${fixture.universe} at ${fixture.address}`), " ",
        Object.entries(fixture.levels || {}).slice(0, 1).map(([role, level]) => h("span", { key: role, class: "role" }, h("span", { class: "word" }, role), share(level || 0, 255), h("span", { class: "number" }, levelText(page, fixture, level)))))))),
    found.length > MOST ? h("p", { class: "quiet" }, `${found.length - MOST} more; narrow the search to see them.`) : found.length ? null : h("p", { class: "quiet" }, "No fixture has that name."),
  ];
}

function levelText(page, fixture, level) {
  const one = page.feed.universes.get(fixture.universe);
  return Number.isFinite(level) || (one && isCommandKnown(one)) ? percent(level) : "not known";
}
