// The strokes of the map: one for each universe, in the shape of its state.
import { h } from "./tree.js";
import { stateWord } from "./words.js";

const PITCH = 12;

/** Upright strokes of up to `columns` universes, as tall as their rates; what is wrong has a shape of its own. */
export function block(strokes, columns) {
  return h("svg", { class: "strokes", viewBox: `0 0 ${columns * PITCH} 26`, preserveAspectRatio: "none", width: columns * PITCH, height: 26, "aria-hidden": "true", focusable: "false" },
    h("path", { class: "base", d: `M0.5 2V24M0 24.5H${strokes.length * PITCH}` }),
    strokes.map(([row, tall], index) => stroke(row, tall, index * PITCH)));
}

/** The universe whose stroke is at a place in a block, in shares of its width. */
export function strokeAt(drawn, across) {
  const strokes = drawn.querySelectorAll(".tick");
  const tick = strokes[Math.floor((across * drawn.viewBox.baseVal.width) / PITCH)];
  return tick ? tick.getAttribute("data-universe") : "";
}

function stroke(row, tall, x) {
  const up = h("path", { class: "up", d: `M${x + 3} 24v-${tall}h6v${tall}z` }); // one attribute to change where a rectangle has two
  const shape = {
    lost: [h("path", { d: `M${x + 2} 8l8 12m0-12l-8 12` })],
    missing: [h("rect", { class: "hollow", x: x + 3, y: 6, width: 6, height: 17 })],
    faulty: [up, h("path", { class: "solid", d: `M${x + 1} 8l5-7l5 7z` })],
    "on-backup": [up, h("path", { class: "solid", d: `M${x + 2} 1h8v4h-8z` })],
    "not-judged": [h("path", { d: `M${x + 6} 6v5m0 3v5` })],
    "not-visible": [h("path", { d: `M${x + 3} 22l6-8` })],
    "not-sent": [h("path", { d: `M${x + 2} 20h8` })],
  }[row.state] || [up];
  return h("g", { key: row.universe, class: `tick is-${row.state}`, "data-universe": row.universe }, h("title", {}, `${row.universe} ${row.label || ""}: ${stateWord(row.state)}`), shape);
}
