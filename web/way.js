// The way of the data as a drawn map: sources, the universes they send, the receivers of those, and what is wrong on it.
import { h } from "./tree.js";
import { GONE, STATES, WORST_FIRST, count, plural, ranges, stateWord } from "./words.js";

const MOST = 24;
const PITCH = 40;
const WIDTH = 980;
const AT = { source: 4, universe: 380, receiver: 760 };

/** Universes that go the same way in the same state are one node. */
export function waysOf(universes, sources, receivers, nameOf) {
  const heardBy = new Map();
  for (const receiver of receivers) for (const name of receiver.universes || []) heardBy.set(name, [...(heardBy.get(name) || []), receiver.name]);
  const groups = new Map();
  for (const row of universes) {
    const senders = row.sources && row.sources.length ? [...new Set(row.sources.map(nameOf))] : row.carrier ? [nameOf(row.carrier)] : [];
    const to = heardBy.get(row.universe) || heardBy.get(row.universe.replace(/@.*$/, "")) || [];
    const key = `${senders.join("|")} > ${to.join("|")} > ${row.state}`;
    if (!groups.has(key)) groups.set(key, { key, senders, to, state: row.state, winner: row.winning_source ? nameOf(row.winning_source) : "", names: [] });
    groups.get(key).names.push(row.universe);
  }
  return [...groups.values()].sort((a, b) => WORST_FIRST.indexOf(a.state) - WORST_FIRST.indexOf(b.state) || b.names.length - a.names.length);
}

export function wayMap(universes, sources, receivers, page) {
  const nameOf = (id) => page.feed.sourceName(id);
  const groups = waysOf(universes, sources, receivers, nameOf);
  if (!groups.length) return null;
  const shown = groups.slice(0, MOST);
  const from = [...new Set([...sources.map((row) => row.name || nameOf(row.source)), ...shown.flatMap((group) => group.senders)])].filter(Boolean).slice(0, MOST);
  const to = receivers.slice(0, MOST);
  const height = Math.max(from.length, shown.length, to.length, 1) * PITCH + 30;
  const y = (index, of) => 34 + (index + 0.5) * ((height - 34) / of);
  const line = (x1, y1, x2, y2, state, key, idle) => h("path", { key, class: `path is-${state}${idle ? " is-idle" : ""}`, d: `M${x1} ${y1.toFixed(1)}C${(x1 + x2) / 2} ${y1.toFixed(1)} ${(x1 + x2) / 2} ${y2.toFixed(1)} ${x2} ${y2.toFixed(1)}` });
  const silent = (name) => shown.some((group) => group.senders.includes(name)) && shown.filter((group) => group.senders.includes(name)).every((group) => GONE.has(group.state));
  return h("div", { key: "way", class: "wide-table", tabindex: "0", role: "region", "aria-label": "Map from sources over universes to receivers" },
    h("svg", { class: "picture path-map", viewBox: `0 0 ${WIDTH} ${height}`, width: WIDTH, height, role: "img", "aria-label": wayText(shown, groups.length, to) },
      [["source", "Sources"], ["universe", "Universes"], ["receiver", "Receivers"]].map(([key, word]) => h("text", { key: `h${key}`, class: "axis", x: AT[key], y: 14 }, word)),
      shown.map((group, i) => group.senders.filter((name) => from.includes(name)).map((name) => line(AT.source + 230, y(from.indexOf(name), from.length), AT.universe - 8, y(i, shown.length), group.state, `s${i}${name}`, group.winner && group.winner !== name))),
      shown.map((group, i) => to.map((receiver, j) => (group.to.includes(receiver.name) ? line(AT.universe + 250, y(i, shown.length), AT.receiver - 8, y(j, to.length), group.state, `r${i}${j}`, false) : null))),
      from.map((name, i) => node(name, silent(name) ? "silent" : "", AT.source, y(i, from.length), silent(name) ? "lost" : "steady", `S${name}`)),
      shown.map((group, i) => node(ranges(group.names, 2), `${count(group.names.length)} ${stateWord(group.state)}`, AT.universe, y(i, shown.length), group.state, `U${group.key}`)),
      to.map((receiver, j) => node(receiver.name, receiver.state === "silent" ? "does not answer" : String(receiver.state || "").replaceAll("-", " "), AT.receiver, y(j, to.length), receiver.state === "silent" ? "lost" : "steady", `R${receiver.name}`))),
    groups.length > shown.length ? h("p", { class: "quiet" }, `${plural(groups.length - shown.length, "more group")} of universes not drawn.`) : null);
}

function node(name, word, x, y, state, key) {
  const bad = STATES[state] && STATES[state].look;
  return h("g", { key, class: `node is-${state}` },
    h("text", { class: "row-label", x, y: y - 1 }, bad ? "✗ " : "", name.length > 30 ? `${name.slice(0, 29)}…` : name), h("text", { class: "axis", x, y: y + 14 }, word));
}

export function wayText(groups, all, receivers) {
  const wrong = groups.filter((group) => STATES[group.state] && STATES[group.state].look);
  return `${wrong.length ? wrong.map((group) => `${ranges(group.names, 4)} ${stateWord(group.state)}, sent by ${group.senders.join(" and ") || "nobody"}${group.to.length ? `, for ${group.to.join(" and ")}` : ""}`).join("; ") : "nothing wrong on any path"}. ${plural(all, "group")} of universes, ${plural(receivers.length, "receiver")}.`;
}
