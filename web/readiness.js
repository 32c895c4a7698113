// The half-hour call: one answer, its reasons, and what this port cannot know. Made to be printed.
import { h } from "./tree.js";
import { dayTime } from "./clock.js";
import { awaiting, part, top } from "./parts.js";
import { trendPicture } from "./usual.js";
import { acceptedText } from "./incidentlist.js";
import { isBlind, tally } from "./verdict.js";
import { count, plural, ranges, ruleWords } from "./words.js";

function arrives(here, unseen, unjudged) {
  if (unjudged) return `No fault is known; ${plural(unjudged, "universe")} ${unjudged === 1 ? "is" : "are"} not judged now.`;
  if (unseen) return `What is visible from this port arrives as declared; ${plural(unseen, "universe")} ${unseen === 1 ? "is" : "are"} not visible.`;
  return here.arriving ? "Everything declared arrives as declared." : "Nothing is declared that should arrive.";
}

export default {
  title: () => "Readiness",
  draw(page) {
    const entry = page.use("/api/v1/readiness", 2);
    if (entry.value === undefined) return [top("Ready?"), awaiting(entry, "Readiness")];
    const { reasons = [], accepted = [], not_visible: unseen = [], not_judged: unjudged = [], trouble = [], receivers_not_known: receivers = [] } = entry.value;
    const { feed } = page;
    const stale = feed.knowledge.stale(page.browserMs);
    const here = tally(feed);
    const blind = isBlind(here);
    const ready = entry.value.ready && !blind;
    const why = [blind ? `Blind: 0 of ${count(here.due)} universes seen from this port.` : "", reasons.length ? `${plural(reasons.length, "reason")} below.` : ""].filter(Boolean).join(" ");
    return [
      h("section", { class: `headline is-${stale ? "stale" : ready ? "well" : "warning"}`, key: "top" },
        h("h1", {}, h("span", { class: "verdict" }, stale ? "Not known: this page is STALE." : ready ? "Ready, as far as the data shows." : "Not ready."), " ",
          h("span", { class: "second" }, ready ? arrives(here, unseen.length, unjudged.length) : why))),
      h("p", { key: "scope", class: "quiet" }, "Data only; no safety or emergency-lighting check."),
      awaiting(entry, "Readiness"),
      h("p", { key: "stamp", class: "stamp" }, `${feed.house.name || "This house"}, ${dayTime(page.nowMs)}. Judged as if in show; the phase is ${feed.house.phase || "not known"}.`),
      h("p", { key: "references", class: "no-print" }, h("a", { href: "/references" }, "Reference levels")),
      h("p", { key: "print", class: "no-print" }, h("button", { type: "button", class: "big", onclick: () => window.print() }, "Print for the half-hour call")),
      reasons.length ? part("Reasons", h("ol", { class: "steps" }, reasons.map((reason, i) => h("li", { key: i }, reason.text || ruleWords(reason.rule),
        (reason.universes || []).length ? h("span", { class: "quiet block" }, `${ruleWords(reason.rule)}: ${ranges(reason.universes, 12)}`) : null)))) : null,
      accepted.length ? part("Accepted, with its reason", h("ul", { class: "plain ruled" }, accepted.map((one, i) => h("li", { key: i },
        typeof one === "string" ? one : [one.text || `${ruleWords(one.rule)}${(one.universes || []).length ? ` on ${ranges(one.universes, 8)}` : ""}.`, " ", h("span", { class: "quiet" }, acceptedText(one))])))) : null,
      (entry.value.grows_worse || []).length ? part("Grows worse from show to show", h("ul", { class: "plain ruled" }, entry.value.grows_worse.map((one) => h("li", { key: `${one.universe} ${one.figure}` }, one.text, " ", h("a", { href: `/universe/${one.universe}` }, one.universe), trendPicture(one))))) : null,
      trouble.length ? part("What this listener cannot do now", h("ul", { class: "plain ruled" }, trouble.map((text, i) => h("li", { key: i }, text)))) : null,
      part("What this cannot know", h("ul", { class: "plain ruled" },
        unseen.length ? h("li", { key: "unseen" }, `Not visible from this port: ${ranges(unseen.map((one) => (typeof one === "string" ? one : one.universe)), 16)}. They may be fine.`) : null,
        unjudged.length ? h("li", { key: "unjudged" }, `Not judged now, so not known: ${ranges(unjudged, 16)}.`) : null,
        receivers.length ? h("li", { key: "receivers" }, `Whether these receivers answer: ${receivers.join(", ")}.`) : null,
        h("li", { key: "lamps" }, "Whether any lamp shines: only a person who looks can say that."),
        h("li", { key: "lines" }, "Anything after a gateway: data lines, terminators, fixtures."))),
      h("p", { key: "sign", class: "sign-here" }, "Checked by ", h("span", { class: "blank" }), " at ", h("span", { class: "blank short" })),
    ];
  },
};
