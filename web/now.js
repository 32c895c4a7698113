// The first view: the verdict, what is open beside the universes, then notes and what is over.
import { h } from "./tree.js";
import { openIncidents, raised, verdict } from "./verdict.js";
import { incidentLines, line } from "./incidentlist.js";
import { ms } from "./clock.js";
import { severityMark } from "./marks.js";
import { seen } from "./acknowledge.js";
import { glance } from "./glance.js";
import { plural } from "./words.js";

const MOST_LINES = 10;
const MOST_LINES_NARROW = 3;

export default { draw, verdictNow };

/** The verdict alone: a pause holds back the rest, and never a critical incident that has opened since. */
function verdictNow(page) { return headline(verdict(page.feed, page.browserMs), page); }

function draw(page) {
  const { feed } = page;
  const open = raised(feed);
  const accepted = openIncidents(feed).filter((incident) => incident.accepted);
  const notes = openIncidents(feed).filter((incident) => incident.severity === "note" && !incident.accepted);
  const over = [...feed.incidents.values()].filter((incident) => incident.state === "closed").sort((a, b) => ms(b.closed_at) - ms(a.closed_at)).slice(0, 5);
  return [
    verdictNow(page),
    feed.loaded ? h("div", { key: "beside", class: "beside" },
      h("section", { key: "open", class: "open", "aria-labelledby": "open" },
        h("h2", { id: "open" }, open.length ? plural(open.length, "open incident") : "No open incident"),
        incidentLines(open, page, page.roomy ? MOST_LINES : MOST_LINES_NARROW, page.roomy)),
      glance(page),
      h("div", { key: "later", class: "later" },
        lines("accepted", "Accepted", accepted, page),
        lines("notes", `${plural(notes.length, "note")} for the morning`, notes.slice(0, 40), page),
        lines("over", "Over", over, page),
        mark(page))) : null,
  ];
}

function headline(top, page) {
  const text = (className, words) => h("span", { class: className, key: className }, words || "\u00a0", " ");
  return h("section", { class: `headline verdict-now is-${top.tone}`, key: "headline", "aria-labelledby": "headline" },
    h("h1", { id: "headline" }, text("what", top.what), text("holds", top.holds), text("look", top.look)),
    h("p", { class: "more", key: "more" }, top.incident && top.tone !== "back" ? [severityMark(top.incident.severity), " "] : null, top.more || "\u00a0",
      top.last ? [" ", h("button", { key: "seen", type: "button", class: "seen", onclick: () => seen(top.last, page) }, "Seen")] : null,
      top.what === "Nothing declared" ? [" · ", h("a", { key: "draft", href: "/api/v1/house/draft", download: "house.toml" }, "Write a house file from what is heard")] : null));
}

function lines(id, title, incidents, page) {
  if (!incidents.length) return null;
  return h("section", { key: id, "aria-labelledby": id }, h("h2", { id }, title), h("ul", { class: "lines" }, incidents.map((incident) => line(incident, page))));
}

function mark(page) {
  const submit = async (event) => {
    event.preventDefault();
    const form = event.target;
    const text = String(new FormData(form).get("text") || "").trim() || "marked";
    try {
      await page.change("/api/v1/marks", { method: "POST", body: { text } });
      page.local.marked = `Marked: “${text}”.`;
      form.reset();
    } catch (error) {
      page.local.marked = error.message;
    }
    page.redraw();
  };
  return h("section", { key: "mark", class: "mark", "aria-labelledby": "mark" },
    h("h2", { id: "mark" }, "Mark this moment"),
    h("form", { class: "row", onsubmit: submit },
      h("label", {}, h("span", {}, "What you saw, if there is time to write it"), h("input", { name: "text", maxlength: 200, autocomplete: "off" })),
      h("button", { type: "submit" }, "Mark")),
    h("p", { role: "status", class: "quiet" }, page.local.marked || ""));
}
