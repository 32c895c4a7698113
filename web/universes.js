// Every universe by name, a page at a time, with a box to find one.
import { h } from "./tree.js";
import { sorted, universeList } from "./glance.js";
import { paged, part, top } from "./parts.js";
import { isBlind, tally } from "./verdict.js";
import { STATES, WORST_FIRST, count, list, parts, plural, stateWord } from "./words.js";

const ON_A_PAGE = 32;
const TONES = { lost: "critical", missing: "critical", faulty: "warning", "on-backup": "warning", "not-judged": "note" };

export default {
  title: () => "Universes",
  draw(page) {
    const all = sorted(page.feed);
    const rows = page.route.from ? blockFrom(all, page.route.from) : all;
    const { shown, find, pager } = paged(page.route.from ? rows : [...rows].sort((a, b) => rank(a) - rank(b)), ON_A_PAGE,
      "Find a universe by number, label, source or state", page, (row, wanted) => matches(row, wanted, page));
    const counts = WORST_FIRST.map((state) => [state, all.filter((row) => row.state === state).length]).filter(([, n]) => n);
    const worst = counts.find(([state]) => TONES[state]);
    const blind = isBlind(tally(page.feed));
    return [
      top(all.length ? `${blind ? "Blind. " : ""}${plural(all.length, "universe")}: ${list(counts.map(([state, n]) => `${count(n)} ${stateWord(state)}`))}.` : "No universe is declared and none is heard.",
        null, blind ? "warning" : worst ? TONES[worst[0]] : "plain"),
      part("By name",
        page.route.from ? h("p", { key: "all" }, `From ${page.route.from} on. `, h("a", { href: "/universes" }, "All universes")) : null,
        find,
        universeList(shown, page),
        pager),
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
