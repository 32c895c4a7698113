// One incident as it stands among others, and the form to take it on by name.
import { h } from "./tree.js";
import { clockTime, ms } from "./clock.js";
import { causeWords, ranges, ruleWords, span } from "./words.js";
import { severityMark } from "./marks.js";

export function since(incident, page) {
  const began = ms(incident.began_at);
  if (incident.state === "closed") {
    const closed = ms(incident.closed_at);
    return `${clockTime(began)} to ${clockTime(closed)}, ${span((closed - began) / 1000)}`;
  }
  return `since ${clockTime(began)}, ${span((page.nowMs - began) / 1000)}`;
}

/** An open incident in full: what, since when, why, what goes on, what next, who has it. */
export function card(incident, page) {
  return h("article", { key: incident.id, class: `entry is-${incident.severity}`, "aria-labelledby": `incident-${incident.id}` },
    h("div", { class: "margin" },
      severityMark(incident.severity),
      h("p", { class: "quiet" }, since(incident, page)),
      incident.flaps ? h("p", { class: "quiet" }, `came back ${incident.flaps} times`) : null),
    h("div", { class: "body" },
      h("h3", { id: `incident-${incident.id}` }, h("a", { href: `/incident/${incident.id}` }, incident.summary || ruleWords(incident.rule))),
      cause(incident),
      incident.accepted ? h("p", { class: "quiet" }, `Accepted in the house file: ${incident.accepted}`) : null,
      details("Evidence", incident.evidence, 3),
      details("Still working", incident.still_working),
      details("Next, look at", incident.next_checks, 3, "ol"),
      acknowledgement(incident, page)));
}

/** One line for an incident that needs no room of its own. */
export function line(incident, page) {
  return h("li", { key: incident.id, class: "line" },
    h("div", { class: incident.state === "closed" ? "margin was" : "margin" }, severityMark(incident.severity)),
    h("p", { class: "body" }, h("a", { href: `/incident/${incident.id}` }, incident.summary || ruleWords(incident.rule)), " ",
      h("span", { class: "quiet" }, since(incident, page), incident.acknowledged ? `; ${incident.acknowledged.by} has it` : "")));
}

export function cause(incident) {
  const words = [];
  if (incident.cause) words.push(`Most likely ${causeWords(incident.cause)}, confidence ${incident.confidence}.`);
  else if (incident.confidence) words.push(incident.confidence === "certain" ? "This is certain." : `Confidence ${incident.confidence}.`);
  const runnerUp = incident.also_possible || [];
  if (runnerUp.length) words.push(`It could also be: ${runnerUp.map((text) => (/^[a-z-]+$/.test(text) ? causeWords(text) : text)).join("; ")}.`);
  const explained = incident.explains || [];
  if (explained.length) words.push(`It also explains ${explained.map((one) => `${ruleWords(one.rule)}${one.universes && one.universes.length ? ` on ${ranges(one.universes, 4)}` : ""}`).join("; ")}.`);
  return words.length ? h("p", { class: "cause" }, words.join(" ")) : null;
}

function details(title, texts, most = 4, tag = "ul") {
  if (!texts || !texts.length) return null;
  return h("div", { class: "said", key: title }, h("h4", {}, title),
    h(tag, {}, texts.slice(0, most).map((text, i) => h("li", { key: i }, text))),
    texts.length > most ? h("p", { class: "quiet" }, `and ${texts.length - most} more on its own page`) : null);
}

function storedName() {
  try { return localStorage.getItem("name") || ""; } catch (refused) { return ""; }
}

export function acknowledgement(incident, page) {
  const path = `/api/v1/incidents/${incident.id}/acknowledge`;
  const trouble = page.local[`trouble-${incident.id}`];
  const attempt = async (options) => {
    try {
      const answer = await page.change(path, options);
      page.local[`trouble-${incident.id}`] = "";
      if (answer && answer.id === incident.id) page.feed.incidents.set(incident.id, { ...incident, ...answer });
    } catch (error) {
      page.local[`trouble-${incident.id}`] = error.message;
    }
    page.redraw();
  };
  const wrong = trouble ? h("p", { class: "error", role: "alert", key: "wrong" }, trouble) : null;
  if (incident.acknowledged) {
    const { by, at, note } = incident.acknowledged;
    return h("div", { class: "taken-on", key: "ack" },
      h("p", {}, h("strong", {}, `${by} has it`), ` since ${clockTime(at)}.${note ? ` “${note}”` : ""}`), wrong,
      incident.state === "open" ? h("button", { type: "button", onclick: () => attempt({ method: "DELETE", body: { by: storedName() } }) }, "Hand it back") : null);
  }
  if (incident.state !== "open") return null;
  const submit = (event) => {
    event.preventDefault();
    const form = new FormData(event.target);
    const by = String(form.get("by") || "").trim();
    try { localStorage.setItem("name", by); } catch (refused) { /* asked again next time */ }
    attempt({ method: "POST", body: { by, note: String(form.get("note") || "").trim() } });
  };
  return h("details", { class: "take", key: "take" },
    h("summary", {}, "Acknowledge"),
    h("form", { onsubmit: submit },
      h("label", {}, h("span", {}, "Your name"), h("input", { name: "by", required: true, maxlength: 60, autocomplete: "name", init: { value: storedName() } })),
      h("label", {}, h("span", {}, "Note, if it helps the next person"), h("input", { name: "note", maxlength: 300, autocomplete: "off" })),
      h("button", { type: "submit", class: "main" }, "I have it"),
      h("p", { class: "quiet" }, "It stays in view, under your name, until it is over.")), wrong);
}
