// The rig check, for one hand: which patched fixtures rose on their own since it began, and which of them gave light.
import { h } from "./tree.js";
import { clockTime, ms } from "./clock.js";
import { share } from "./charts.js";
import { awaiting, part, top } from "./parts.js";
import { plural } from "./words.js";
import { storedName } from "./acknowledge.js";

const SHOWN_LAST = 8;
const AIMED_MS = 400; // a press this soon after a row came in on top was aimed at the row that was there before

export default { title: () => "Rig check", draw };

function draw(page) {
  const entry = page.use("/api/v1/rig-check", 0.5);
  if (entry.value === undefined) return [top("Rig check."), awaiting(entry, "The rig check")];
  const check = entry.value || {};
  const left = check.left || [];
  const done = [...(check.done || [])].sort((a, b) => (ms(b.at) || 0) - (ms(a.at) || 0));
  const newest = done.length ? `${keyOf(done[0])} ${done[0].at}` : "";
  if (page.local.newest !== undefined && page.local.newest !== newest) page.local.movedMs = performance.now();
  page.local.newest = newest;
  const flagged = [...(check.flagged || [])].sort((a, b) => (ms(b.at) || 0) - (ms(a.at) || 0));
  const remaining = left.reduce((n, group) => n + (group.fixtures || []).length, 0);
  const all = remaining + done.length;
  const startedAt = check.started_at || check.started_wall_ms;
  const lit = litOf(page, startedAt);
  const dark = done.filter((one) => one.no_light).length;
  const order = async (body) => {
    page.local.asked = false;
    try {
      await page.change("/api/v1/rig-check", { method: "POST", body });
      page.local.trouble = "";
    } catch (error) {
      page.local.trouble = error.message;
    }
    page.redraw();
  };
  // A button that goes away when it is pressed leaves the keyboard at the next one, which stays: not at the top of the page.
  const orderAndGo = (body) => (event) => {
    event.currentTarget.nextElementSibling.focus({ preventScroll: true });
    order(body);
  };
  const begun = check.running || startedAt;
  return [
    begun
      ? top(remaining ? `${remaining} of ${plural(all, "fixture")} still to rise.` : all ? `All ${all} fixtures were raised.` : "No fixture is patched, so there is nothing to check.",
        `${check.running ? "Since" : "It has ended; it began at"} ${clockTime(startedAt)}.${dark ? ` ${dark} without light.` : ""}`, dark ? "warning" : "plain")
      : top("No rig check runs.", "Start one, then bring the fixtures up one after another at the desk: this list shortens by itself."),
    awaiting(entry, "The rig check"),
    begun && all ? h("div", { key: "bar", class: "progress" }, share(done.length, all)) : null,
    page.local.trouble ? h("p", { class: "error", role: "alert", key: "trouble" }, page.local.trouble) : null,
    done.length ? part("Rose last", h("ul", { class: "big-list light-checks" }, done.slice(0, SHOWN_LAST).map((one) => eyeRow(one, lit, page, startedAt)))) : null,
    flagged.length ? part("To look at", h("ul", { class: "big-list" }, flagged.map((one, i) => h("li", { key: i }, flagText(one))))) : null,
    remaining ? part("Still to rise", left.filter((group) => (group.fixtures || []).length).map((group) => h("details", { key: group.position || "-", class: "position", init: { open: left.length < 8 } },
      h("summary", {}, h("strong", {}, group.position || "no position given"), " ", h("span", { class: "quiet" }, `${group.fixtures.length} left`)),
      h("ul", { class: "big-list" }, group.fixtures.map((one) => h("li", { key: keyOf(one) }, nameOf(one), detailOf(one))))))) : null,
    done.length > SHOWN_LAST ? part("Raised before", h("details", {}, h("summary", {}, plural(done.length - SHOWN_LAST, "fixture")), h("ul", { class: "big-list light-checks" }, done.slice(SHOWN_LAST).map((one) => eyeRow(one, lit, page, startedAt))))) : null,
    h("div", { key: "hand", class: "big-buttons" }, begun
      ? page.local.asked
        ? [h("button", { key: "yes", type: "button", class: "big main", onclick: orderAndGo({}) }, "Yes, begin again"), h("button", { key: "again", type: "button", class: "big", onclick: () => { page.local.asked = false; page.redraw(); } }, "Keep this one")]
        : [check.running ? h("button", { key: "stop", type: "button", class: "big", onclick: orderAndGo({ stop: true }) }, "End it here") : null,
          h("button", { key: "again", type: "button", class: "big", onclick: () => { page.local.asked = true; page.redraw(); } }, "Begin again")]
      : h("button", { key: "again", type: "button", class: "big main", onclick: () => order({}) }, "Start a rig check")),
    h("p", { key: "honest", class: "quiet" }, "slotwatch sees the command, not the light: it listens to data and cannot see a lamp. Only a person can say that a fixture gives light."),
    h("p", { key: "caution", class: "quiet" }, "Caution: work at height, moving fixtures and strobes. Keep the rig clear of people while fixtures are tried; local rules apply."),
  ];
}

/** A fixture that rose, and what a person saw of it. No light is kept by the listener for everybody, and is a mark in the history. */
function eyeRow(one, lit, page, startedAt) {
  const key = keyOf(one);
  const seen = one.no_light ? "dark" : lit[key] ? "lit" : "open";
  const note = (word) => async () => {
    if (performance.now() - page.local.movedMs < AIMED_MS) return;
    const now = { ...litOf(page, startedAt) };
    delete now[key];
    if (word === "lit" && seen !== "lit") now[key] = true;
    keepLit(page, startedAt, now);
    page.redraw();
    const isDark = word === "dark" && seen !== "dark";
    if (!isDark && seen !== "dark") return;
    try {
      await page.change("/api/v1/rig-check", { method: "POST", body: isDark ? { no_light: key } : { light: key } });
      await page.change("/api/v1/marks", { method: "POST", body: { text: `${isDark ? "no light" : "no light taken back"}: ${nameOf(one)}`, by: storedName() } });
      page.local.trouble = "";
    } catch (error) {
      page.local.trouble = error.message;
    }
    page.redraw();
  };
  return h("li", { key, class: `light-check is-${seen}` },
    h("span", { class: "name" }, nameOf(one), detailOf(one)),
    h("button", { type: "button", class: "big", "aria-pressed": String(seen === "lit"), onclick: note("lit"), "aria-label": `✓ Lit: ${nameOf(one)}` }, "✓ Lit"),
    h("button", { type: "button", class: "big", "aria-pressed": String(seen === "dark"), onclick: note("dark"), "aria-label": `✗ No light: ${nameOf(one)}` }, "✗ No light"));
}

/** What was seen to give light, kept in this browser for this one check. */
function litOf(page, startedAt) {
  if (!page.lit || page.lit.of !== String(startedAt)) {
    let kept = null;
    try { kept = JSON.parse(localStorage.getItem("rig-check-lit") || "null"); } catch (refused) { kept = null; }
    page.lit = kept && kept.of === String(startedAt) && kept.seen ? kept : { of: String(startedAt), seen: {} };
  }
  return page.lit.seen;
}

function keepLit(page, startedAt, seen) {
  page.lit = { of: String(startedAt), seen };
  try { localStorage.setItem("rig-check-lit", JSON.stringify(page.lit)); } catch (refused) { /* until the page is closed */ }
}

function keyOf(one) { return typeof one === "string" ? one : one.fixture || one.label || ""; }

/** Number and name: what is written on the plan, then what it is. */
function nameOf(one) {
  if (typeof one === "string") return one;
  return one.label && one.label !== one.fixture ? `${one.fixture} ${one.label}` : one.fixture || "";
}

function detailOf(one) {
  if (typeof one === "string") return null;
  const words = [one.universe ? `${one.universe} at ${one.address}` : "", one.circuit ? `circuit ${one.circuit}` : "", one.at ? `rose ${clockTime(one.at)}` : "", one.text || ""].filter(Boolean);
  return words.length ? h("span", { class: "quiet block" }, words.join(", ")) : null;
}

function flagText(one) {
  if (typeof one === "string") return one;
  return one.text || [nameOf(one), one.why || one.reason].filter(Boolean).join(": ");
}
