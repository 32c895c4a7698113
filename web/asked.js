// Fixtures asked through their gateways, compared with the patch. It reads only, and only when a person asks.
import { h } from "./tree.js";
import { clockTime } from "./clock.js";
import { askFirst } from "./ask.js";
import { askingNow, stopAsking } from "./head.js";
import { awaiting, part, table, top, universeLink } from "./parts.js";
import { list, plural } from "./words.js";

const SECONDS = 120;
const MOST = 500;

/** Verdicts, the most urgent first: its words for one fixture, and its words for a count. */
const VERDICTS = {
  "wrong-address": ["set to another address", "set to another address"],
  "wrong-mode": ["takes another number of slots than patched", "in another mode"],
  missing: ["no device answers for it", "missing"],
  unknown: ["not in the patch", "not in the patch"],
  silent: ["listed by its gateway, but it did not answer", "silent"],
  "no-slots": ["has no address, or takes no slots", "without slots"],
  "not-asked-yet": ["not asked yet", "not asked yet"],
  right: ["as patched", "as patched"],
};
const ORDER = Object.keys(VERDICTS);

export default {
  title: () => "Fixtures asked",
  draw(page) {
    const entry = page.use("/api/v1/house", 1);
    const found = entry.value && entry.value.listener && entry.value.listener.asking;
    const rows = sorted((found && found.rows) || []);
    const running = askingNow(page);
    return [
      headline(found, rows, running),
      entry.value === undefined ? awaiting(entry, "The answers") : null,
      h("p", { class: "quiet", key: "what" }, "Asked over RDM, read only: address, mode, label and first sensor of each device, as its gateway lists them. Nothing is set. A fixture that does not speak RDM counts as missing here and may be in order."),
      h("p", { key: "hand" }, running
        ? h("button", { key: "stop", type: "button", class: "big", onclick: () => stopAsking(page) }, "Stop asking")
        : h("button", { key: "ask", type: "button", class: "big", onclick: () => question(page) }, rows.length ? "Ask again" : "Ask the fixtures")),
      found && found.trouble ? h("p", { class: "error", key: "trouble" }, `No fixture was asked: ${found.trouble}.`) : null,
      found && found.stopped && !running ? h("p", { class: "quiet", key: "stopped" }, `Asking ended before all had answered: ${found.stopped}.`) : null,
      rows.length ? part("What they answer", answers(rows)) : null,
      h("p", { key: "back" }, h("a", { href: "/patch" }, "The patch")),
    ];
  },
};

function headline(found, rows, running) {
  const counts = ORDER.map((verdict) => [verdict, rows.filter((row) => row.verdict === verdict).length]).filter(([, n]) => n);
  const counted = list(counts.map(([verdict, n]) => `${n} ${(VERDICTS[verdict] || [verdict, verdict])[1]}`));
  const more = rows.length ? `${counted.charAt(0).toUpperCase()}${counted.slice(1)}.` : "";
  if (running) return top(`Fixtures are being asked, until ${clockTime(running.ends_at)} at the latest.`, more || "No fixture has answered yet.");
  if (!found || (!rows.length && found.trouble)) return top("No fixture has been asked.", "A gateway that speaks RDM can report what is on its lines.");
  if (!rows.length) return found.stopped ? top("No gateway named a device before asking ended.") : top("No gateway named a device.", "They may not speak RDM, or hold no table of devices.");
  const odd = rows.filter((row) => row.verdict !== "right").length;
  return top(odd ? `${odd} of ${plural(rows.length, "fixture")} ${odd === 1 ? "is" : "are"} not as patched.` : rows.length === 1 ? "The one fixture that answered is as patched." : `All ${rows.length} fixtures are as patched.`, more);
}

function sorted(rows) {
  const place = (row) => (ORDER.includes(row.verdict) ? ORDER.indexOf(row.verdict) : 0);
  return rows.map((row, i) => [row, i]).sort(([a, i], [b, j]) => place(a) - place(b) || i - j).map(([row]) => row);
}

function question(page) {
  askFirst({
    title: "Ask the fixtures what they are?",
    texts: [
      `For up to ${SECONDS / 60} minutes this computer sends requests through the gateways. They share each line with the levels: old fixtures may twitch, and moving ones may move.`,
      "Ask only while nobody works at or under the rig and the desk operator agrees. It can be stopped at once, and is refused in pre-show and show.",
    ],
    yes: "Yes, ask them",
    run: () => page.change("/api/v1/ask-fixtures", { method: "POST", body: { seconds: SECONDS, confirm: true } }),
  });
}

function answers(rows) {
  const columns = ["Fixture", "Answer"].map((name) => ({ name })).concat(
    [{ name: "Universe" }, { name: "Patched at", number: true }, { name: "Set to", number: true }, { name: "Slots", number: true }, { name: "Mode" }],
    ["Label", "Sensor", "Device", "Gateway"].map((name) => ({ name })));
  return [
    table("Fixtures asked", columns, rows.slice(0, MOST).map((row, i) => h("tr", { key: row.uid || `m${row.fixture}|${i}`, class: row.verdict === "right" || row.verdict === "not-asked-yet" ? undefined : "over" },
      h("th", { scope: "row" }, row.fixture || "–"),
      h("td", {}, (VERDICTS[row.verdict] || [row.verdict])[0], (row.refused || []).length ? h("span", { class: "quiet block" }, `refused: ${list(row.refused)}`) : null),
      h("td", {}, row.universe ? universeLink(row.universe) : "–"),
      number(row.patched_address), number(row.address), number(row.footprint),
      h("td", {}, row.personality || "–"), h("td", { class: "label" }, row.label || "–"),
      h("td", {}, Number.isFinite(row.sensor) ? String(row.sensor) : "–"), h("td", {}, row.uid || "–"), h("td", {}, row.gateway || "–")))),
    rows.length > MOST ? h("p", { class: "quiet", key: "more" }, `${rows.length - MOST} more that are not shown.`) : null,
  ];
}

function number(value) { return h("td", { class: "number" }, Number.isFinite(value) ? String(value) : "–"); }
