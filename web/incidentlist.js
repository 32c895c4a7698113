// Open incidents as a list: one line each, incidents of one rule and one start as one line, details folded.
import { h } from "./tree.js";
import { ms } from "./clock.js";
import { isBack, lastedS, since, titleOf, titleOfMany } from "./verdict.js";
import { capital, causeWords, count, plural, ranges, ruleWords, span } from "./words.js";
import { severityMark } from "./marks.js";
import { acknowledgement } from "./acknowledge.js";

const TOGETHER_MS = 2000;
const MOST_NAMED = 40;

/** Incidents in their order, those of one rule and one severity that began together as one group. */
export function grouped(incidents) {
  const groups = [];
  for (const incident of incidents) {
    const began = ms(incident.began_at);
    const found = groups.find((group) => group[0].rule === incident.rule && group[0].severity === incident.severity
      && Boolean(group[0].acknowledged) === Boolean(incident.acknowledged) && Math.abs(ms(group[0].began_at) - began) <= TOGETHER_MS);
    if (found) found.push(incident);
    else groups.push([incident]);
  }
  return groups;
}

/** At most `most` lines; the rest is counted and folded. `unfold`: whether the first is unfolded. */
export function incidentLines(incidents, page, most, unfold) {
  const groups = grouped(incidents);
  const shown = groups.length > most ? groups.slice(0, most - 1) : groups;
  const rest = groups.slice(shown.length);
  return h("div", { class: "cards", key: "cards" }, shown.map((group, index) => groupLine(group, page, unfold && index === 0)),
    rest.length ? h("details", { key: "rest", class: "card rest" }, h("summary", {}, h("span", { class: "title" }, `And ${count(rest.reduce((n, group) => n + group.length, 0))} more`)),
      h("div", { class: "cards" }, rest.map((group) => groupLine(group, page, false)))) : null);
}

function groupLine(group, page, unfold) {
  const [first] = group;
  const { feed } = page;
  const back = group.every((incident) => isBack(incident, feed));
  const taken = group.every((incident) => incident.acknowledged);
  const title = titleOfMany(group, feed);
  const n = first.universes?.length, on = plural(n, "universe");
  const where = group.length === 1 && n > 1 && !title.includes(on) ? `on ${on}` : "";
  return h("details", { key: first.id, class: `card is-${back ? "back" : first.severity}`, "data-incident": first.id, init: { open: unfold } },
    h("summary", {}, severityMark(first.severity), h("span", { class: "title" }, capital(title), where ? h("span", { class: "quiet where" }, ` ${where}`) : null),
      h("span", { class: "quiet when" }, taken ? `${first.acknowledged.by} has it, ` : "", h("span", { class: "long" }, since(first, page)), h("span", { class: "short", "aria-hidden": "true" }, span(lastedS(first, feed, page.nowMs))))),
    h("div", { class: "body" }, group.length === 1 ? whole(first, page) : manyBody(group, page)));
}

function manyBody(group, page) {
  return [
    h("p", { key: "why" }, `${plural(group.length, "incident")} of the rule “${ruleWords(group[0].rule)}” began together.`),
    h("ul", { key: "list" }, group.slice(0, MOST_NAMED).map((incident) => h("li", { key: incident.id }, h("a", { href: `/incident/${incident.id}` }, incident.summary || titleOf(incident, page.feed))))),
    group.length > MOST_NAMED ? h("p", { key: "more", class: "quiet" }, `and ${group.length - MOST_NAMED} more`) : null,
  ];
}

/** What an unfolded line holds: what to do first, then why, then what continues. */
function whole(incident, page) {
  const { sending, holding } = stillWorking(incident);
  return [
    incident.state === "open" ? titledList("What to do", (incident.next_checks || []).slice(0, 3), "ol") : null,
    h("p", { key: "sentence" }, h("a", { href: `/incident/${incident.id}` }, incident.summary || titleOf(incident, page.feed))),
    acknowledgement(incident, page),
    causeLine(incident),
    incident.accepted ? h("p", { class: "quiet", key: "accepted" }, acceptedText(incident.accepted)) : null,
    titledList(evidenceTitle(incident), (incident.evidence || []).slice(0, 3)),
    titledList("Still sending", sending), titledList("Should hold last levels (not verified)", holding),
  ];
}

/** A list with its title in the margin of the body, as incidents have them. */
export function titledList(title, texts, tag = "ul") {
  if (!texts || !texts.length) return null;
  return h("div", { class: "titled-list", key: title }, h("h3", {}, title), h(tag, {}, texts.map((text, i) => h("li", { key: i }, text))));
}

/** Evidence of what is over is of the time before. */
export function evidenceTitle(incident) {
  return isOver(incident) ? "Evidence, while it lasted" : "Evidence";
}

/** Whether all of an incident is back, watched or closed. */
export function isOver(incident) {
  return Boolean(incident.returned_at) || incident.state !== "open";
}

/** What still sends, apart from what is only set to hold: that is not checked. */
export function stillWorking(incident) {
  const lines = (incident.still_working || []).map((text) => text.trim().replace(/\.$/, "")).filter(Boolean);
  const holds = (text) => /\bholds?\b/.test(text);
  return { sending: lines.filter((text) => !holds(text)), holding: lines.filter(holds).map((text) => text.replace(/ should hold the last look$| holds? (its|their) last look$/, "")) };
}

export function acceptedText(accepted) {
  if (typeof accepted === "string") return `Accepted: ${accepted}`;
  return `Accepted${accepted.by ? ` by ${accepted.by}` : ""}: ${accepted.reason || "no reason given"}${accepted.until ? `, until ${accepted.until}` : ""}`;
}

/** One line for an incident that is over, or that waits for the morning. */
export function line(incident, page) {
  return h("li", { key: incident.id, class: "line" },
    h("div", { class: incident.state === "closed" ? "margin was" : "margin" }, severityMark(incident.severity)),
    h("p", { class: "body" }, h("a", { href: `/incident/${incident.id}` }, incident.summary || capital(titleOf(incident, page.feed))), " ",
      h("span", { class: "quiet" }, since(incident, page), incident.acknowledged ? `; ${incident.acknowledged.by} has it` : "")));
}

export function causeLine(incident) {
  const words = [];
  if (incident.cause) words.push(`Most likely ${causeWords(incident.cause)}, confidence ${incident.confidence}.`);
  else if (incident.confidence) words.push(incident.confidence === "certain" ? "This is certain." : `Confidence ${incident.confidence}.`);
  const runnerUp = incident.also_possible || [];
  if (runnerUp.length) words.push(`It could also be: ${runnerUp.map((text) => (/^[a-z-]+$/.test(text) ? causeWords(text) : text)).join("; ")}.`);
  const explained = incident.explains || [];
  if (explained.length) words.push(`It also explains ${explained.map((one) => `${ruleWords(one.rule)}${one.universes && one.universes.length ? ` on ${ranges(one.universes, 4)}` : ""}`).join("; ")}.`);
  return words.length ? h("p", { class: "cause", key: "cause" }, words.join(" ")) : null;
}
