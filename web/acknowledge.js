// Acknowledging an incident by name, taking that back, and noting that one that is over was seen.
import { h } from "./tree.js";
import { clockTime } from "./clock.js";

export function storedName() {
  try { return localStorage.getItem("name") || ""; } catch (refused) { return ""; }
}

function storeName(name) {
  try { localStorage.setItem("name", name); } catch (refused) { /* asked again next time */ }
}

/** Take an incident on, or give it back; what the listener answers is shown, a refusal in its own words. */
async function attempt(incident, page, options) {
  try {
    const answer = await page.change(`/api/v1/incidents/${incident.id}/acknowledge`, options);
    page.local[`trouble-${incident.id}`] = "";
    if (answer && answer.id === incident.id) page.feed.incidents.set(incident.id, { ...page.feed.incidents.get(incident.id), ...answer });
  } catch (error) {
    page.local[`trouble-${incident.id}`] = error.message;
  }
  page.redraw();
}

/** One press where the name is known; else the view with the form that asks for it. */
export function takeAtOnce(incident, page) {
  const by = storedName();
  if (by) return attempt(incident, page, { method: "POST", body: { by, note: "" } });
  return page.askName((name) => {
    storeName(name);
    return attempt(incident, page, { method: "POST", body: { by: name, note: "" } });
  });
}

/** Note that somebody has seen what is over: for everybody where the name is known, else in this browser. */
export function seen(incident, page) {
  page.feed.markSeen(incident.id);
  if (storedName()) attempt(incident, page, { method: "POST", body: { by: storedName(), note: "seen after it was over" } });
  page.redraw();
}

export function acknowledgement(incident, page) {
  const trouble = page.local[`trouble-${incident.id}`];
  const wrong = trouble ? h("p", { class: "error", role: "alert", key: "wrong" }, trouble) : null;
  if (incident.acknowledged) {
    const { by, at, note } = incident.acknowledged;
    return h("div", { class: "answered", key: "ack" },
      h("p", {}, h("strong", {}, `${by} has it`), ` since ${clockTime(at)}.${note ? ` “${note}”` : ""}`), wrong,
      incident.state === "open" ? h("button", { type: "button", onclick: () => attempt(incident, page, { method: "DELETE", body: { by: storedName() } }) }, "Release") : null);
  }
  if (incident.state !== "open") return null;
  const submit = (event) => {
    event.preventDefault();
    const form = new FormData(event.target);
    const by = String(form.get("by") || "").trim();
    storeName(by);
    attempt(incident, page, { method: "POST", body: { by, note: String(form.get("note") || "").trim() } });
  };
  return h("details", { class: "answer", key: "take" },
    h("summary", {}, "Acknowledge"),
    h("form", { onsubmit: submit },
      h("label", {}, h("span", {}, "Your name"), h("input", { name: "by", required: true, maxlength: 60, autocomplete: "name", init: { value: storedName() } })),
      h("label", {}, h("span", {}, "Note, if it helps the next person"), h("input", { name: "note", maxlength: 300, autocomplete: "off" })),
      h("button", { type: "submit", class: "main" }, "I have it"),
      h("p", { class: "quiet" }, "It stays in view, under your name, until it is over.")), wrong);
}
