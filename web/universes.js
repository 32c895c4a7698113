// Every universe by name, with a box to find one.
import { h } from "./tree.js";
import { sorted, universeList } from "./glance.js";
import { part, top } from "./parts.js";
import { STATES, WORST_FIRST, count, list, plural, stateWord } from "./words.js";

export default {
  title: () => "Universes",
  draw(page) {
    const rows = sorted(page.feed.universes);
    const wanted = (page.local.wanted || "").toLowerCase();
    const found = wanted ? rows.filter((row) => matches(row, wanted, page)) : rows;
    const shown = [...found].sort((a, b) => rank(a) - rank(b));
    const counts = WORST_FIRST.map((state) => [state, rows.filter((row) => row.state === state).length]).filter(([, n]) => n);
    return [
      top(rows.length ? `${plural(rows.length, "universe")}: ${list(counts.map(([state, n]) => `${count(n)} ${stateWord(state)}`))}.` : "No universe is declared and none is heard."),
      part("By name",
        h("label", { class: "find" }, h("span", {}, "Find a universe by number, label, source or state"),
          h("input", { type: "search", autocomplete: "off", oninput: (event) => { page.local.wanted = event.target.value; page.redraw(); } })),
        h("p", { class: "quiet", role: "status" }, wanted ? `${count(found.length)} of ${count(rows.length)}` : ""),
        universeList(shown, page)),
    ];
  },
};

function rank(row) { return STATES[row.state] && STATES[row.state].look ? WORST_FIRST.indexOf(row.state) : WORST_FIRST.length; }

function matches(row, wanted, page) {
  return [row.universe, row.label, page.feed.sourceName(row.carrier), stateWord(row.state)].some((text) => text && String(text).toLowerCase().includes(wanted));
}
