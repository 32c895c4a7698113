// The universes on the first view: up to 24 have a line each, more are shown as a map.
import { h, Kept } from "./tree.js";
import { stateSign } from "./marks.js";
import { map } from "./map.js";
import { STATES, WORST_FIRST, count, hertz, list, parts, plural, ranges, stateWord } from "./words.js";

const NAMED = 24;
const kept = new Kept();

let order = { of: null, count: -1, names: [] };

/** All universes in their order. It is worked out again only when one comes or goes: an update of rates costs no sorting. */
export function sorted(feed) {
  if (order.of !== feed || order.count !== feed.comings) order = { of: feed, count: feed.comings, names: inOrder(feed.universes).map((row) => row.universe) };
  return order.names.map((name) => feed.universes.get(name));
}

function inOrder(universes) {
  return [...universes.values()].sort((a, b) => {
    const x = parts(a.universe);
    const y = parts(b.universe);
    return x.protocol < y.protocol ? 1 : x.protocol > y.protocol ? -1 : x.number - y.number || (a.universe < b.universe ? -1 : 1);
  });
}

export function glance(page) {
  const rows = sorted(page.feed);
  const look = rows.filter((row) => STATES[row.state] && STATES[row.state].look).length;
  return h("section", { key: "glance", class: "glance", "aria-labelledby": "glance" },
    h("h2", { id: "glance" }, rows.length ? `${plural(rows.length, "universe")}${look ? `, ${count(look)} to look at` : ""}` : "Universes"),
    rows.length ? null : h("p", {}, "None is declared and none is heard."),
    rows.length <= NAMED ? universeList(rows, page) : [map(rows, page), stateLines(rows), sourceLines(rows, page), h("p", { key: "all" }, h("a", { href: "/universes" }, "Every universe by name"))]);
}

/** Each state that needs a look, with its universes as ranges. */
function stateLines(rows) {
  const groups = WORST_FIRST.filter((state) => STATES[state].look).map((state) => [state, rows.filter((row) => row.state === state)]).filter(([, theirs]) => theirs.length);
  if (!groups.length) return null;
  return h("ul", { key: "states", class: "plain states" }, groups.map(([state, theirs]) => h("li", { key: state },
    h("span", { class: `state is-${state}` }, stateSign(state), " ", `${count(theirs.length)} ${stateWord(state)}: `), ranges(theirs.map((row) => row.universe), 12))));
}

/** What each source sends, as ranges. */
function sourceLines(rows, page) {
  const carriers = new Map();
  for (const row of rows) {
    const name = page.feed.sourceName(row.carrier);
    if (!carriers.has(name)) carriers.set(name, []);
    carriers.get(name).push(row);
  }
  return h("ul", { key: "sources", class: "plain carriers" }, [...carriers].sort((a, b) => b[1].length - a[1].length).slice(0, 8).map(([name, theirs]) =>
    h("li", { key: name }, h("strong", {}, name || "From no source"), ` ${staveText(theirs)}`)));
}

function staveText(rows) {
  const live = rows.filter((row) => Number.isFinite(row.refresh_hz) && row.state === "steady");
  const words = [ranges(rows.map((row) => row.universe), 6)];
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

/** Each universe on its own line: sign and word of its state, name, rate, and whose data wins. */
export function universeList(rows, page) {
  if (!rows.length) return null;
  const body = rows.map((row) => kept.get(row.universe, `${row.version} ${page.feed.sourceName(row.carrier)}`, () => h("tr", { key: row.universe, class: `is-${row.state}` },
    h("th", { scope: "row" }, h("a", { href: `/universe/${row.universe}` }, row.universe)),
    h("td", { class: "label", title: row.label || undefined }, row.label || ""),
    h("td", {}, h("span", { class: `state is-${row.state}` }, stateSign(row.state), " ", h("span", {}, stateWord(row.state)))),
    h("td", { class: "number" }, Number.isFinite(row.refresh_hz) ? hertz(row.refresh_hz) : "–"),
    h("td", { class: "winner" }, row.winning_source ? page.feed.sourceName(row.winning_source) : (row.sent_by_routes || []).length ? "this computer" : h("span", { class: "quiet" }, row.carrier ? `was ${page.feed.sourceName(row.carrier)}` : "none")))));
  kept.turn();
  return h("div", { key: "list", class: "wide-table", tabindex: "0", role: "region", "aria-label": "Universes by name" },
    h("table", { class: "universes" },
      h("thead", {}, h("tr", {}, ["Universe", "Label", "State", "Rate", "Winning source"].map((word) => h("th", { key: word, scope: "col", class: word === "Rate" ? "number" : undefined }, word)))),
      h("tbody", {}, body)));
}
