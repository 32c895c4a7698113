// Universes at a glance, for four or for four thousand: what needs a look is said first and by name;
// the rest stands in the line of the source that carries it.
import { h, Kept } from "./tree.js";
import { field, strokeAt } from "./charts.js";
import { stateMark, stateSign } from "./marks.js";
import { STATES, WORST_FIRST, count, hertz, list, parts, plural, ranges, stateWord } from "./words.js";

const NAMED = 24; // up to so many universes need no picture: each has its line
const kept = new Kept();

export function sorted(universes) {
  return [...universes.values()].sort((a, b) => {
    const x = parts(a.universe);
    const y = parts(b.universe);
    return x.protocol < y.protocol ? 1 : x.protocol > y.protocol ? -1 : x.number - y.number || (a.universe < b.universe ? -1 : 1);
  });
}

export function glance(page) {
  const rows = sorted(page.feed.universes);
  const look = rows.filter((row) => STATES[row.state] && STATES[row.state].look)
    .sort((a, b) => WORST_FIRST.indexOf(a.state) - WORST_FIRST.indexOf(b.state));
  return h("section", { key: "glance", "aria-labelledby": "glance" },
    h("h2", { id: "glance" }, rows.length ? `${plural(rows.length, "universe")}${look.length ? `, ${count(look.length)} to look at` : ""}` : "Universes"),
    rows.length ? null : h("p", {}, "None is declared and none is heard."),
    rows.length <= NAMED ? universeList(rows, page) : [attention(look), staves(rows, page), h("p", { key: "all" }, h("a", { href: "/universes" }, "Every universe by name"))]);
}

function attention(look) {
  if (!look.length) return null;
  const groups = WORST_FIRST.map((state) => [state, look.filter((row) => row.state === state)]).filter(([, rows]) => rows.length);
  return h("div", { key: "attention", class: "attention" }, groups.map(([state, rows]) => h("div", { key: state, class: "entry" },
    h("div", { class: "margin" }, stateMark(state)),
    h("p", { class: "body names" }, rows.slice(0, 60).map((row) => [h("a", { key: row.universe, href: `/universe/${row.universe}` }, row.universe, row.label ? h("span", { class: "quiet" }, ` ${row.label}`) : null), " "]),
      rows.length > 60 ? `and ${rows.length - 60} more: ${ranges(rows.slice(60).map((row) => row.universe), 8)}` : null))));
}

/** One line of strokes for each source, with what it carries in words. */
function staves(rows, page) {
  const carriers = new Map();
  for (const row of rows) {
    const key = page.feed.sourceName(row.carrier);
    if (!carriers.has(key)) carriers.set(key, []);
    carriers.get(key).push(row);
  }
  const columns = Math.max(24, Math.min(128, Math.floor((page.widthPx || 900) / 8)));
  const said = [...carriers].sort((a, b) => b[1].length - a[1].length).map(([carrier, theirs]) => {
    const text = staveText(carrier, theirs);
    return h("div", { key: carrier, class: "stave" }, h("p", {}, h("strong", {}, carrier || "From no source"), " ", text), field(theirs, columns, `${carrier || "From no source"} ${text}`));
  });
  return h("div", { key: "staves", class: "staves", onclick: follow(page) }, said);
}

function staveText(carrier, rows) {
  const live = rows.filter((row) => Number.isFinite(row.refresh_hz) && row.state === "steady");
  const words = [carrier ? `carries ${ranges(rows.map((row) => row.universe), 6)}` : ranges(rows.map((row) => row.universe), 6)];
  if (live.length) {
    const rates = live.map((row) => row.refresh_hz);
    const low = Math.min(...rates);
    const high = Math.max(...rates);
    words.push(high - low < 1.5 ? ` at ${Math.round((high + low) / 2)} Hz` : ` at ${Math.round(low)} to ${Math.round(high)} Hz`);
  }
  const counts = WORST_FIRST.filter((state) => state !== "steady").map((state) => [state, rows.filter((row) => row.state === state).length]).filter(([, n]) => n);
  const rest = counts.map(([state, n]) => `${count(n)} ${stateWord(state)}`);
  return `${words.join("")}${rest.length ? `; ${list(rest)}` : ""}.`;
}

function follow(page) {
  if (!page.follow) {
    page.follow = (event) => {
      const drawn = event.target.closest("svg.field");
      if (!drawn) return;
      const box = drawn.getBoundingClientRect();
      const name = strokeAt(drawn, (event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
      if (name) page.go(`/universe/${name}`);
    };
  }
  return page.follow;
}

/** Each universe on its own line: sign and word of its state, name, rate, who carries it. */
export function universeList(rows, page) {
  if (!rows.length) return null;
  const body = rows.map((row) => kept.get(row.universe, `${row.version} ${page.feed.sourceName(row.carrier)}`, () => h("tr", { key: row.universe, class: `is-${row.state}` },
    h("th", { scope: "row" }, h("a", { href: `/universe/${row.universe}` }, row.universe)),
    h("td", { class: "label" }, row.label || ""),
    h("td", {}, h("span", { class: `state is-${row.state}` }, stateSign(row.state), " ", h("span", {}, stateWord(row.state)))),
    h("td", { class: "number" }, Number.isFinite(row.refresh_hz) ? hertz(row.refresh_hz) : "–"),
    h("td", {}, row.winning_source ? page.feed.sourceName(row.winning_source) : h("span", { class: "quiet" }, row.carrier ? `nobody now; before, ${page.feed.sourceName(row.carrier)}` : "nobody")))));
  kept.turn();
  return h("div", { key: "list", class: "wide-table", tabindex: "0", role: "region", "aria-label": "Universes by name" },
    h("table", { class: "universes" },
      h("thead", {}, h("tr", {}, ["Universe", "Label", "State", "Rate", "Carried by"].map((word) => h("th", { key: word, scope: "col", class: word === "Rate" ? "number" : undefined }, word)))),
      h("tbody", {}, body)));
}
