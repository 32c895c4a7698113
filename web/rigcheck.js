// The rig check, for one hand on a ladder: which patched fixtures rose on their own since it began.
import { h } from "./tree.js";
import { clockTime } from "./clock.js";
import { share } from "./charts.js";
import { awaiting, part, top } from "./parts.js";
import { plural } from "./words.js";

export default { title: () => "Rig check", draw };

function draw(page) {
  const entry = page.use("/api/v1/rig-check", 0.5);
  if (entry.value === undefined) return [top("Rig check."), awaiting(entry, "The rig check")];
  const check = entry.value || {};
  const left = check.left || [];
  const done = check.done || [];
  const flagged = check.flagged || [];
  const remaining = left.reduce((n, group) => n + (group.fixtures || []).length, 0);
  const all = remaining + done.length;
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
  const start = () => order({});
  const startedAt = check.started_at || check.started_wall_ms;
  const begun = check.running || startedAt;
  return [
    begun
      ? top(remaining ? `${remaining} of ${plural(all, "fixture")} still to rise.` : all ? `All ${all} fixtures were raised.` : "No fixture is patched, so there is nothing to check.", `${check.running ? "Since" : "It was ended; it began at"} ${clockTime(startedAt)}.`)
      : top("No rig check runs.", "Start one, then bring the fixtures up one after another at the desk: this list shortens by itself."),
    awaiting(entry, "The rig check"),
    begun && all ? h("div", { key: "bar", class: "progress" }, share(done.length, all)) : null,
    h("p", { key: "honest", class: "quiet" }, "Commanded, not seen lit: this listens to the data and cannot see a lamp. Look at each one yourself."),
    h("p", { key: "caution", class: "quiet" }, "Caution: work at height, moving fixtures and strobes. Keep the rig clear of people while fixtures are tried; local rules apply."),
    page.local.trouble ? h("p", { class: "error", role: "alert", key: "trouble" }, page.local.trouble) : null,
    h("div", { key: "hand", class: "big-hand" }, begun
      ? page.local.asked
        ? [h("button", { key: "yes", type: "button", class: "big main", onclick: start }, "Yes, begin again"), h("button", { key: "no", type: "button", class: "big", onclick: () => { page.local.asked = false; page.redraw(); } }, "Keep this one")]
        : [check.running ? h("button", { key: "stop", type: "button", class: "big", onclick: () => order({ stop: true }) }, "End it here") : null,
          h("button", { key: "again", type: "button", class: "big", onclick: () => { page.local.asked = true; page.redraw(); } }, "Begin again")]
      : h("button", { key: "start", type: "button", class: "big main", onclick: start }, "Start a rig check")),
    flagged.length ? part("To look at", h("ul", { class: "big-list" }, flagged.map((one, i) => h("li", { key: i }, flagText(one))))) : null,
    remaining ? part("Still to rise", left.filter((group) => (group.fixtures || []).length).map((group) => h("details", { key: group.position || "-", class: "position", init: { open: left.length < 8 } },
      h("summary", {}, h("strong", {}, group.position || "no position given"), " ", h("span", { class: "quiet" }, `${group.fixtures.length} left`)),
      h("ul", { class: "big-list" }, group.fixtures.map((one) => h("li", { key: nameOf(one) }, nameOf(one), detailOf(one)))))) ) : null,
    done.length ? part("Raised", h("details", {}, h("summary", {}, plural(done.length, "fixture")), h("ul", { class: "big-list done" }, done.map((one) => h("li", { key: nameOf(one) }, nameOf(one), detailOf(one)))))) : null,
  ];
}

function nameOf(one) { return typeof one === "string" ? one : one.label || one.fixture || ""; }

function detailOf(one) {
  if (typeof one === "string") return null;
  const words = [one.label ? one.fixture : "", one.universe ? `${one.universe} at ${one.address}` : "", one.circuit ? `circuit ${one.circuit}` : "", one.at ? clockTime(one.at) : "", one.text || ""].filter(Boolean);
  return words.length ? h("span", { class: "quiet block" }, words.join(", ")) : null;
}

function flagText(one) {
  if (typeof one === "string") return one;
  return one.text || [nameOf(one), one.why || one.reason].filter(Boolean).join(": ");
}
