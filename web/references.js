// Reference levels: what the levels were at a moment, kept under a name, and what differs from them now.
import { h } from "./tree.js";
import { items } from "./feed.js";
import { storedName } from "./acknowledge.js";
import { awaiting, part, table, top } from "./parts.js";
import { plural } from "./words.js";

const MOST = 200;

export default { title: () => "Reference levels", draw };

function draw(page) {
  const entry = page.use("/api/v1/references", 10);
  if (entry.value === undefined) return [top("Reference levels."), awaiting(entry, "Reference levels"), back()];
  const rows = items(entry.value, "references");
  const chosen = rows.find((row) => row.name === page.local.chosen);
  const compared = chosen ? page.use(`/api/v1/references/${encodeURIComponent(chosen.name)}/compare`, 2) : null;
  const found = compared && compared.value;
  return [
    top(found ? found.text : rows.length ? `${plural(rows.length, "reference")} kept.` : "No reference levels are kept yet.",
      found ? "" : "Keep the present levels under a name, and see later what differs.", found && found.differ ? "warning" : "plain"),
    awaiting(entry, "Reference levels"),
    compared ? awaiting(compared, "The comparison") : null,
    h("p", { class: "quiet", key: "caution" }, "Levels are only shown, never sent. Caution: setting them by hand can move fixtures and turn on bright ones. Make sure that nobody is near, and bring them up slowly."),
    page.local.done ? h("p", { role: "status", key: "done" }, page.local.done) : null,
    page.local.wrong ? h("p", { class: "error", role: "alert", key: "wrong" }, page.local.wrong) : null,
    found ? differences(found) : null,
    part("Kept", table("References by name", [{ name: "Name" }, { name: "Kept at" }, { name: "By" }, { name: "Fixtures", number: true }, { name: "Compare" }, { name: "CSV" }, { name: "Delete" }],
      rows.map((row) => h("tr", { key: row.name },
        h("th", { scope: "row" }, row.name), h("td", {}, String(row.at).replace("T", " ").slice(0, 16), " UTC"), h("td", {}, row.by || (row.automatic ? "by itself, at curtain up" : "–")),
        h("td", { class: "number" }, row.fixtures),
        h("td", {}, h("button", { type: "button", "aria-label": `Compare now with ${row.name}`, onclick: () => { page.local.chosen = row.name; page.redraw(); } }, row === chosen ? "Being compared" : "Compare now")),
        h("td", {}, csvLink(row.name, "", "levels"), ", ", csvLink(row.name, "/compare", "differences")),
        h("td", {}, deleting(page, row)))))),
    part("Keep the present levels", form(page)),
    back(),
  ];
}

function differences(found) {
  const rows = items(found, "groups").flatMap((group) => group.differences);
  return part("What differs",
    rows.length ? table("Differences by fixture", [{ name: "Fixture" }, { name: "Place" }, { name: "Where it is patched" }, { name: "Level" }],
      rows.slice(0, MOST).map((row) => h("tr", { key: `${row.universe} ${row.address} ${row.fixture}` },
        h("th", { scope: "row" }, row.label && row.label !== row.fixture ? `${row.label} (${row.fixture})` : row.fixture),
        h("td", {}, [row.position, row.rack].filter(Boolean).join(", ") || "–"), h("td", {}, `${row.universe} slot ${row.address}`),
        h("td", {}, row.roles.slice(0, 6).map((role) => `${role.role} ${role.now_percent} %, was ${role.was_percent} %`).join("; "), row.roles.length > 6 ? " …" : "")))) : h("p", { key: "none" }, "Nothing."),
    rows.length > MOST ? h("p", { class: "quiet", key: "more" }, `${rows.length - MOST} more.`) : null,
    found.not_compared.length ? h("ul", { key: "not" }, found.not_compared.slice(0, MOST).map((one, i) => h("li", { key: i }, `Not compared: ${one.text}`))) : null);
}

/** After a loss: what the universes held before, by fixture, for a person at another desk. */
export function lastGood(levels) {
  if (!levels) return null;
  const lit = levels.fixtures.filter((row) => row.levels.some((level) => level.percent > 0));
  return part("The last good levels", h("p", { key: "caution" }, levels.caution),
    table("Last levels by fixture", [{ name: "Fixture" }, { name: "Place" }, { name: "Where it is patched" }, { name: "Level" }],
      lit.slice(0, MOST).map((row) => h("tr", { key: `${row.universe} ${row.address} ${row.fixture}` },
        h("th", { scope: "row" }, row.label && row.label !== row.fixture ? `${row.label} (${row.fixture})` : row.fixture),
        h("td", {}, [row.position, row.rack].filter(Boolean).join(", ") || "–"), h("td", {}, `${row.universe} slot ${row.address}`),
        h("td", {}, litLevels(row))))),
    h("p", { class: "quiet", key: "rest" }, `${plural(levels.fixtures.length - lit.length, "fixture")} at zero ${levels.fixtures.length - lit.length === 1 ? "is" : "are"} left out.${lit.length > MOST ? " There are more lit ones than are listed; the API has them." : ""}${levels.left_out ? ` The levels of ${plural(levels.left_out, "more fixture")} were not kept.` : ""}`));
}

/** The lit levels of a fixture by role; of a universe without a patch, how many slots and how high. */
function litLevels(row) {
  const lit = row.levels.filter((level) => level.percent > 0);
  if (lit.length > 1 && lit.every((level) => !level.role)) return `${plural(lit.length, "slot")}, the highest at ${Math.max(...lit.map((level) => level.percent))} %`;
  return lit.map((level) => `${level.role} ${level.percent} %${level.moving ? " (moving)" : ""}`).join("; ");
}

function address(name) { return `/api/v1/references/${encodeURIComponent(name)}`; }

function csvLink(name, what, words) {
  return h("a", { href: `${address(name)}${what}?format=csv`, download: `${name} ${words}.csv`, "aria-label": `${words} of ${name} as CSV` }, words);
}

/** Two presses, since nothing brings deleted levels back. */
function deleting(page, row) {
  if (page.local.deleting !== row.name) return h("button", { type: "button", "aria-label": `Delete ${row.name}`, onclick: () => { page.local.deleting = row.name; page.redraw(); } }, "Delete");
  const gone = async () => {
    page.local.done = page.local.wrong = page.local.deleting = "";
    try {
      await page.change(address(row.name), { method: "DELETE" });
      if (page.local.chosen === row.name) page.local.chosen = "";
      page.local.done = `${row.name} is deleted.`;
    } catch (error) {
      page.local.wrong = error.message;
    }
    page.redraw();
  };
  return [h("button", { type: "button", key: "yes", onclick: gone, "aria-label": `Delete ${row.name} for good` }, "Delete for good"), " ",
    h("button", { type: "button", key: "no", onclick: () => { page.local.deleting = ""; page.redraw(); }, "aria-label": `Keep ${row.name}` }, "Keep it")];
}

/** What of the house may be chosen: its universes, racks and positions. */
function choices(page) {
  const fixtures = items((page.use("/api/v1/fixtures", 30) || {}).value, "fixtures");
  const racks = items((page.use("/api/v1/racks?ways=counted", 30) || {}).value, "racks");
  return [
    ["universes", "Universes", [...page.feed.universes.keys()]],
    ["racks", "Racks", [...new Set(racks.map((rack) => String(rack.rack || rack.name)))]],
    ["positions", "Positions", [...new Set(fixtures.map((fixture) => fixture.position).filter(Boolean))]],
  ].filter(([, , names]) => names.length);
}

function form(page) {
  const submit = async (event) => {
    event.preventDefault();
    const form = new FormData(event.target);
    const part = Object.fromEntries(["universes", "racks", "positions"].map((key) => [key, form.getAll(key)]).filter(([, names]) => names.length));
    page.local.done = page.local.wrong = "";
    try {
      const kept = await page.change("/api/v1/references", { method: "POST", body: { name: String(form.get("name") || "").trim(), by: String(form.get("by") || "").trim(), ...part } });
      page.local.done = `${kept.name}: kept the levels of ${plural(kept.fixtures, "fixture")}${kept.stored ? "" : ", but not on the disk yet"}.`;
    } catch (error) {
      page.local.wrong = error.message;
    }
    page.redraw();
  };
  return h("form", { onsubmit: submit, key: "keep" },
    h("label", {}, h("span", {}, "Name"), h("input", { name: "name", required: true, maxlength: 80, autocomplete: "off" })),
    h("label", {}, h("span", {}, "Your name"), h("input", { name: "by", maxlength: 60, autocomplete: "name", init: { value: storedName() } })),
    h("details", { key: "part" }, h("summary", {}, "Only a part of the house"),
      h("p", { class: "quiet" }, "A fixture is kept if it is in any of the chosen universes, racks or positions. Nothing chosen: all of the house."),
      choices(page).map(([key, title, names]) => h("label", { key }, h("span", {}, title),
        h("select", { name: key, multiple: true, size: Math.min(6, Math.max(2, names.length)) }, names.map((name) => h("option", { key: name, value: name }, name)))))),
    h("button", { type: "submit" }, "Keep these levels"),
    h("p", { class: "quiet" }, "It takes 2.5 seconds: what moves meanwhile is marked and not compared."));
}

function back() { return h("p", { key: "back" }, h("a", { href: "/readiness" }, "Readiness")); }
