// Many universes as a map: blocks of sixteen, each with its first number, one stroke a universe.
import { h, Kept } from "./tree.js";
import { block, strokeAt } from "./strokes.js";
import { STATES, WORST_FIRST, count, list, parts, ranges, stateWord } from "./words.js";

export const IN_BLOCK = 16;
const kept = new Kept();

/** Sixteen at a time, begun again where another protocol begins. */
export function blocksOf(rows) {
  const blocks = [];
  for (const row of rows) {
    const open = blocks[blocks.length - 1];
    if (open && open.length < IN_BLOCK && parts(open[0].universe).protocol === parts(row.universe).protocol) open.push(row);
    else blocks.push([row]);
  }
  return blocks;
}

export function map(rows, page) {
  const drawn = blocksOf(rows).map((theirs) => {
    const strokes = theirs.map((row) => [row, tall(row)]);
    return kept.get(theirs[0].universe, strokes.map(([row, height]) => `${row.universe} ${row.state} ${height}`).join("|"), () =>
      h("a", { key: theirs[0].universe, class: "map-row", href: `/universes/from/${theirs[0].universe}`, "aria-label": blockText(theirs), "data-block": theirs[0].universe },
        h("span", { class: "start" }, startOf(theirs[0].universe)), block(strokes, IN_BLOCK)));
  });
  kept.turn();
  return [
    h("p", { key: "readout", class: "readout", role: "status" }, readout(rows, page)),
    h("div", { key: "map", class: "map", role: "group", "aria-label": "Map of universes, sixteen to a block; arrow keys go along a block", ...listeners(page) }, drawn),
  ];
}

/** The name at the start of a row; only its number where the whole is too long for its place. */
function startOf(name) { return name.length > 11 ? name.slice(name.indexOf("/") + 1) : name; }

/** Heights in few steps: a rate that jitters redraws nothing. */
function tall(row) { return Number.isFinite(row.refresh_hz) ? Math.max(3, Math.round(Math.min(1, row.refresh_hz / 44) * 6) * 3) : 0; }

export function blockText(rows) {
  const counts = WORST_FIRST.map((state) => [state, rows.filter((row) => row.state === state).length]).filter(([, n]) => n);
  return `${ranges(rows.map((row) => row.universe), 3)}: ${list(counts.map(([state, n]) => `${count(n)} ${stateWord(state)}`))}`;
}

function readout(rows, page) {
  const row = page.feed.universes.get(page.local.pointed || "");
  if (row) return [h("strong", {}, row.universe), ` ${row.label || ""}`, ": ", h("span", { class: `state is-${row.state}` }, stateWord(row.state))];
  const worst = WORST_FIRST.find((state) => STATES[state].look && rows.some((one) => one.state === state));
  const look = rows.find((one) => one.state === worst);
  return look ? h("span", { class: "quiet" }, `First to look at: ${look.universe}${look.label ? ` ${look.label}` : ""}`) : h("span", { class: "quiet" }, "Point at a stroke to read its name");
}

function under(event) {
  const drawn = event.target.closest && event.target.closest("svg.strokes");
  if (!drawn) return "";
  const box = drawn.getBoundingClientRect();
  return strokeAt(drawn, (event.clientX - box.left) / box.width);
}

function listeners(page) {
  if (page.mapListeners) return page.mapListeners;
  const point = (name) => {
    if (page.local.pointed === name) return;
    page.local.pointed = name;
    page.redraw();
  };
  const along = (link) => [...link.querySelectorAll("[data-universe]")].map((stroke) => stroke.getAttribute("data-universe"));
  page.mapListeners = {
    onpointermove: (event) => { if (event.pointerType === "mouse") point(under(event)); },
    onpointerdown: (event) => { page.pressedBy = event.pointerType; },
    onfocusin: (event) => {
      const names = event.target.closest(".map-row") ? along(event.target) : [];
      const look = names.find((name) => STATES[page.feed.universes.get(name)?.state]?.look);
      if (names.length && !names.includes(page.local.pointed)) point(look || names[0]);
    },
    onkeydown: (event) => {
      const link = event.target.closest(".map-row");
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      page.pressedBy = "key";
      if (!link || !step) return;
      const names = along(link);
      event.preventDefault();
      point(names[Math.max(0, Math.min(names.length - 1, names.indexOf(page.local.pointed) + step))]);
    },
    onclick: (event) => {
      // A mouse and the arrow keys choose one universe; a finger chooses the block, which is large enough for it.
      const name = page.pressedBy === "mouse" ? under(event) : page.pressedBy === "key" ? page.local.pointed : "";
      if (!name) return;
      event.preventDefault();
      page.go(`/universe/${name}`);
    },
  };
  return page.mapListeners;
}
