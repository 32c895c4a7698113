// Accepting a fault on purpose: a reason, an end, and a name; it stays listed and no longer counts.
import { h } from "./tree.js";
import { acceptedText } from "./incidentlist.js";
import { storedName } from "./acknowledge.js";

export function acceptance(incident, page) {
  const path = `/api/v1/incidents/${incident.id}/accept`;
  const attempt = async (options) => {
    try {
      const answer = await page.change(path, options);
      page.local.acceptTrouble = "";
      if (answer && answer.id === incident.id) page.feed.incidents.set(incident.id, { ...page.feed.incidents.get(incident.id), ...answer });
    } catch (error) {
      page.local.acceptTrouble = error.message;
    }
    page.redraw();
  };
  const wrong = page.local.acceptTrouble ? h("p", { class: "error", role: "alert", key: "wrong" }, page.local.acceptTrouble) : null;
  if (incident.accepted) {
    return h("div", { class: "answered", key: "accepted" }, h("p", {}, acceptedText(incident.accepted)), wrong,
      typeof incident.accepted === "object" && incident.accepted.by ? h("button", { type: "button", onclick: () => attempt({ method: "DELETE", body: { by: storedName() } }) }, "Take back") : null);
  }
  if (incident.state !== "open") return null;
  const submit = (event) => {
    event.preventDefault();
    const form = new FormData(event.target);
    const until = form.get("until") === "date" && form.get("date") ? String(form.get("date")) : "tonight";
    attempt({ method: "POST", body: { reason: String(form.get("reason") || "").trim(), until, by: String(form.get("by") || "").trim() } });
  };
  return h("details", { class: "answer", key: "accept" },
    h("summary", {}, "Accept it on purpose"),
    h("form", { onsubmit: submit },
      h("label", {}, h("span", {}, "Reason"), h("input", { name: "reason", required: true, maxlength: 300, autocomplete: "off" })),
      h("label", {}, h("span", {}, "Your name"), h("input", { name: "by", required: true, maxlength: 60, autocomplete: "name", init: { value: storedName() } })),
      h("fieldset", { class: "stretch" }, h("legend", {}, "Until when"),
        h("label", { class: "choice" }, h("input", { type: "radio", name: "until", value: "tonight", init: { checked: true } }), h("span", {}, "tonight")),
        h("label", { class: "choice" }, h("input", { type: "radio", name: "until", value: "date" }), h("span", {}, "a date")),
        h("label", {}, h("span", { class: "unseen" }, "Date"), h("input", { name: "date", type: "date" }))),
      h("button", { type: "submit" }, "Accept it"),
      h("p", { class: "quiet" }, "It stays listed with its reason and does not make the house unready.")), wrong);
}
