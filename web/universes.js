// Every universe by name, a page at a time, with a box to find one.
import { h } from "./tree.js";
import { sorted, universeList } from "./glance.js";
import { part, top } from "./parts.js";
import { isBlind, tally } from "./verdict.js";
import { STATES, WORST_FIRST, count, list, parts, plural, stateWord } from "./words.js";

const ON_A_PAGE = 32;
const TONES = { lost: "critical", missing: "critical", faulty: "warning", "on-backup": "warning", "not-judged": "note" };

export default {
  title: () => "Universes",
  draw(page) {
    const all = sorted(page.feed);
    const rows = page.route.from ? blockFrom(all, page.route.from) : all;
    const wanted = (page.local.wanted || "").toLowerCase();
    const found = wanted ? rows.filter((row) => matches(row, wanted, page)) : rows;
    const shown = page.route.from ? found : [...found].sort((a, b) => rank(a) - rank(b));
    const counts = WORST_FIRST.map((state) => [state, all.filter((row) => row.state === state).length]).filter(([, n]) => n);
    const worst = counts.find(([state]) => TONES[state]);
    const blind = isBlind(tally(page.feed));
    const pages = Math.max(1, Math.ceil(shown.length / ON_A_PAGE));
    const at = Math.min(page.local.at || 0, pages - 1);
    const turn = (by) => () => { page.local.at = at + by; page.redraw(); };
    return [
      top(all.length ? `${blind ? "Blind. " : ""}${plural(all.length, "universe")}: ${list(counts.map(([state, n]) => `${count(n)} ${stateWord(state)}`))}.` : "No universe is declared and none is heard.",
        null, blind ? "warning" : worst ? TONES[worst[0]] : "plain"),
      part("By name",
        page.route.from ? h("p", { key: "all" }, `From ${page.route.from} on. `, h("a", { href: "/universes" }, "All universes")) : null,
        h("label", { class: "find" }, h("span", {}, "Find a universe by number, label, source or state"),
          h("input", { type: "search", autocomplete: "off", oninput: (event) => { page.local.wanted = event.target.value; page.local.at = 0; page.redraw(); } })),
        h("p", { class: "quiet", role: "status", key: "count" }, shown.length ? `${at * ON_A_PAGE + 1} to ${Math.min(shown.length, (at + 1) * ON_A_PAGE)} of ${count(shown.length)}${wanted ? ` found among ${count(rows.length)}` : ""}` : wanted ? "None is found." : ""),
        universeList(shown.slice(at * ON_A_PAGE, (at + 1) * ON_A_PAGE), page),
        pages > 1 ? h("p", { class: "row pager", key: "pager" },
          h("button", { type: "button", disabled: at === 0, onclick: turn(-1) }, "Previous"),
          h("button", { type: "button", disabled: at === pages - 1, onclick: turn(1) }, "Next"),
          h("span", { class: "quiet" }, `Page ${at + 1} of ${pages}`)) : null),
    ];
  },
};

function blockFrom(rows, name) {
  const at = rows.findIndex((row) => row.universe === name);
  if (at < 0) return [];
  return rows.slice(at, at + 16).filter((row) => parts(row.universe).protocol === parts(name).protocol);
}

function rank(row) { return STATES[row.state] && STATES[row.state].look ? WORST_FIRST.indexOf(row.state) : WORST_FIRST.length; }

function matches(row, wanted, page) {
  return [row.universe, row.label, page.feed.sourceName(row.carrier), stateWord(row.state)].some((text) => text && String(text).toLowerCase().includes(wanted));
}
