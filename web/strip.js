// The strip at the foot of every view while something is open, and on a phone the bar for one hand.
import { h } from "./tree.js";
import { ms } from "./clock.js";
import { severityMark } from "./marks.js";
import { raised, since, titleOf, verdict } from "./verdict.js";
import { capital, plural } from "./words.js";
import { takeAtOnce } from "./acknowledge.js";

/** Nothing while all is well. On the first view the verdict says it, as long as it is in sight and lives. */
export function strip(page) {
  const { feed } = page;
  const stale = feed.knowledge.stale(page.browserMs);
  const open = raised(feed);
  const top = verdict(feed, page.browserMs);
  const isNeeded = open.length > 0 || (top.tone === "warning" && !top.incident);
  const hidden = page.route.path === "/" && page.verdictInSight && page.pausedAt === null;
  return [
    isNeeded ? h("div", { key: "strip", class: `strip is-${stale ? "stale" : top.incident ? top.incident.severity : top.tone}${hidden ? " is-double" : ""}` }, line(open, top, stale, page)) : null,
    hand(open, top, page),
  ];
}

function line(open, top, stale, page) {
  if (stale) return [h("strong", { class: "stale-word" }, "STALE"), h("a", { class: "what", href: "/" }, `${plural(open.length, "incident")} open at the last word`)];
  const { incident } = top;
  if (!incident) return [severityMark("warning"), h("a", { class: "what", href: "/" }, `${top.what}: ${top.holds}`)];
  const fresh = page.pausedAt !== null && ms(incident.opened_at) > page.pausedAt;
  const others = open.length - 1;
  return [
    severityMark(incident.severity), h("a", { class: "what", href: `/incident/${incident.id}` }, capital(titleOf(incident, page.feed))),
    h("span", { class: "quiet" }, since(incident, { feed: page.feed, nowMs: page.feed.knowledge.now(page.browserMs) }), fresh ? ", new since the pause" : ""),
    others ? h("a", { class: "others", href: "/" }, `${others} more`) : null,
  ];
}

function hand(open, top, page) {
  const { incident } = top;
  const next = nextOf(open, page);
  return h("div", { key: "hand", class: "one-hand", role: "group", "aria-label": "Quick actions" },
    incident?.state === "open" && !incident.acknowledged ? h("button", { key: "take", type: "button", class: "main", onclick: () => takeAtOnce(incident, page) }, "I have it") : null,
    incident?.acknowledged ? h("span", { key: "has", class: "quiet" }, `${incident.acknowledged.by} has it`) : null,
    h("button", { key: "mark", type: "button", onclick: () => page.markNow() }, page.marked || "Mark"),
    next ? h("a", { key: "next", class: "button", href: `/incident/${next.id}` }, "Next incident") : null);
}

/** The open incident after the one that is looked at; the first where none is. */
function nextOf(open, page) {
  if (!open.length) return null;
  const at = open.findIndex((incident) => String(incident.id) === page.route.id);
  return at < 0 ? open[0] : open.length > 1 ? open[(at + 1) % open.length] : null;
}
