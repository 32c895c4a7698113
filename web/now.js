// The first view: one sentence, then what is open, then the universes at a glance.
import { h } from "./tree.js";
import { headline, openIncidents } from "./headline.js";
import { card, line } from "./incidentcard.js";
import { ms } from "./clock.js";
import { glance } from "./glance.js";
import { plural } from "./words.js";

const IN_FULL = 6;

export default { draw };

function draw(page) {
  const { feed } = page;
  const top = headline(feed, page.browserMs);
  const open = openIncidents(feed);
  const loud = open.filter((incident) => incident.severity !== "note");
  const notes = open.filter((incident) => incident.severity === "note");
  const over = [...feed.incidents.values()].filter((incident) => incident.state === "closed").sort((a, b) => ms(b.closed_at) - ms(a.closed_at)).slice(0, 5);
  return [
    h("section", { class: `headline is-${top.tone}`, key: "headline", "aria-labelledby": "headline" },
      h("h1", { id: "headline", class: top.text.length > 160 ? "is-long" : undefined }, h("span", { class: "verdict" }, top.verdict), top.text ? " " : null, top.text ? h("span", { class: "then" }, top.text) : null),
      top.still.length ? h("p", { class: "still", key: "still" }, h("strong", {}, "Still working: "), top.still.join(" ")) : null,
      top.next.length ? h("p", { class: "next", key: "next" }, h("strong", {}, top.nextWord || "Next: "), top.next[0]) : null),
    loud.length ? h("section", { key: "open", "aria-labelledby": "open" },
      h("h2", { id: "open" }, plural(loud.length, "open incident")),
      loud.slice(0, IN_FULL).map((incident) => card(incident, page)),
      loud.length > IN_FULL ? h("ul", { class: "lines", key: "rest" }, loud.slice(IN_FULL).map((incident) => line(incident, page))) : null) : null,
    feed.loaded ? glance(page) : null,
    notes.length ? h("section", { key: "notes", "aria-labelledby": "notes" },
      h("h2", { id: "notes" }, `${plural(notes.length, "note")} for the morning`),
      h("ul", { class: "lines" }, notes.slice(0, 40).map((incident) => line(incident, page)))) : null,
    over.length ? h("section", { key: "over", "aria-labelledby": "over" },
      h("h2", { id: "over" }, "Over"),
      h("ul", { class: "lines" }, over.map((incident) => line(incident, page)))) : null,
    feed.loaded ? mark(page) : null,
  ];
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
