// What is always shown: whose house, which phase, what time, which computer, how old the knowledge is.
import { h } from "./tree.js";
import { clockTime, face, ms, zoneName } from "./clock.js";
import { openedSincePause } from "./verdict.js";
import { plural, span } from "./words.js";

export const CONTENTS = [
  ["/", "Now"], ["/universes", "Universes"], ["/sources", "Sources"], ["/network", "Network"], ["/patch", "Patch"], ["/rig-check", "Rig check"],
  ["/racks", "Racks"], ["/routes", "Routes"], ["/readiness", "Readiness"], ["/reports", "Reports"], ["/listener", "This listener"],
];

export function head(page) {
  const { feed, browserMs } = page;
  const { house, knowledge } = feed;
  const paused = page.pausedAt !== null;
  return [
    h("a", { class: "house", href: "/" }, house.name || "slotwatch"),
    h("div", { class: "controls" },
      h("button", { type: "button", onclick: page.togglePause, "aria-pressed": String(paused) }, paused ? "Resume" : "Pause"),
      h("button", { type: "button", onclick: page.turnPalette }, "Palette", h("span", { class: "wide-only" }, `: ${page.palette}`))),
    h("button", { class: "phase", type: "button", onclick: () => page.askPhase(), "aria-haspopup": "dialog" },
      h("span", { class: "label" }, "phase "), h("strong", {}, house.phase || "not known")),
    h("p", { class: "time" }, h("strong", {}, face(knowledge.now(browserMs))), " ", h("span", { class: "zone" }, zoneName(knowledge.now(browserMs)))),
    h("p", { class: "host" }, h("span", { class: "label" }, "listener "), house.host || location.hostname),
    h("p", { class: "age" }, age(feed, browserMs)),
    activityOf(house) ? h("p", { class: "activity", key: "activity" }, h("a", { href: "/listener" }, activityOf(house))) : null,
  ];
}

/** What this computer does besides listening, in few words; nothing where it only listens. */
function activityOf(house) {
  const activities = [];
  if (house.subscribes) activities.push("asks for data");
  const sends = new Set(house.sends || []);
  if (sends.size) activities.push(`sends ${plural(sends.size, "universe")}`);
  return activities.join(", ");
}

/** The window in which fixtures are asked now; null when none is. One whose end has passed is not believed. */
export function askingNow(page) {
  const asking = page.feed.house.listener?.asking;
  if (!asking || !asking.running) return null;
  return page.nowMs > ms(asking.ends_at) + 5000 ? null : asking;
}

export async function stopAsking(page) {
  try {
    await page.change("/api/v1/ask-fixtures", { method: "DELETE" });
    page.trouble = "";
  } catch (error) {
    page.trouble = `Asking was not stopped: ${error.message}`;
  }
  page.redraw();
}

function age(feed, browserMs) {
  const { knowledge } = feed;
  if (!knowledge.known()) return "nothing known yet";
  if (knowledge.stale(browserMs)) return h("strong", { class: "urgent" }, `STALE, ${span(knowledge.ageS(browserMs))} old`);
  const seconds = knowledge.ageS(browserMs);
  return seconds < 1.5 ? "updated this second" : `updated ${Math.round(seconds)} s ago`;
}

export function banner(page) {
  const { feed, browserMs } = page;
  const banners = [];
  if (feed.knowledge.stale(browserMs)) {
    banners.push(h("p", { class: "stale", key: "stale" },
      h("strong", {}, "STALE. "), `The newest data from the listener is ${span(feed.knowledge.ageS(browserMs))} old (${clockTime(feed.knowledge.at())}). What this page shows is not now.`));
  }
  if (page.pausedAt !== null) {
    banners.push(h("p", { class: "paused", key: "paused" }, `Paused at ${clockTime(page.pausedAt)}: this view does not change. `,
      openedSincePause(page) ? h("strong", { class: "urgent" }, "A critical incident has opened since.")
        : page.changesWhilePaused ? "Something has changed since." : "Nothing has changed since."));
  }
  const asking = askingNow(page);
  if (asking) {
    banners.push(h("p", { class: "paused", key: "asking" },
      `${feed.knowledge.stale(browserMs) ? "When it was last heard, this computer was asking" : "This computer is asking"} fixtures what they are, through their gateways, until ${clockTime(asking.ends_at)} at the latest: ${plural(asking.requests || 0, "request")} so far. `,
      h("a", { href: "/fixtures-asked" }, "What they answer"), " ",
      h("button", { type: "button", onclick: () => stopAsking(page) }, "Stop asking"),
      page.trouble ? h("span", { class: "error block", role: "alert" }, page.trouble) : null));
  }
  if (feed.house.phase_pending) {
    banners.push(h("p", { class: "paused", key: "pending" }, `The timetable asks for ${feed.house.phase_pending}. The phase stays ${feed.house.phase} until a person confirms. `,
      h("button", { type: "button", onclick: () => page.askPhase(feed.house.phase_pending) }, `Change to ${feed.house.phase_pending}`)));
  }
  if (feed.house.quiet_until) {
    banners.push(h("p", { class: "paused", key: "quiet" }, `A quiet window in the house file lowers some rules to notes until ${clockTime(feed.house.quiet_until)}. It ends by itself.`));
  }
  const problems = feed.house.faults || [];
  if (problems.length) {
    banners.push(h("p", { class: "paused", key: "file" }, "The house file on disk was refused; the one read before still runs. ", h("a", { href: "/listener" }, "Why")));
  }
  return banners;
}

export function contents(page) {
  const here = page.route.section;
  return h("details", { class: "contents", init: { open: page.wide } },
    h("summary", {}, "Contents"),
    h("ul", {}, CONTENTS.map(([path, word]) =>
      h("li", { key: path }, h("a", { href: path, "aria-current": path === here ? "page" : undefined }, word)))));
}
