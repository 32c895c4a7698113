// The drawn signs. A state's sign is the line its data drew: even pulses, a rest, a line that ends in a
// cross. Severity is counted in bars. Every sign has its word beside it, so that it is hidden from screen readers.
import { h } from "./tree.js";
import { STATES, stateWord } from "./words.js";

const LINES = {
  steady: ["M1 11h3V4h5v7h5V4h5v7h5V4h5"],
  "at-rest": ["M1 11h6V4h3v7h10V4h3v7h6"],
  faulty: ["M1 11h2V4h2v7h8V4h8v7h2V4h2v7h4"],
  lost: ["M1 11h2V4h5v7h5", "M19 3.5l8 8m0-8l-8 8"],
  returning: ["M1 11l5-5m-5 0l5 5", "M10 11h3V4h5v7h5V4h5"],
  "on-backup": ["M1 11h7", "M8 6v5M8 11h5V4h5v7h5V4h5"],
  missing: ["M1 8h3m2.5 0h3m2.5 0h3m2.5 0h3m2.5 0h3"],
  "not-sent": ["M1 11h2V4h5v7h5V4h5v7h4", "M26 1.5v12"],
  "not-visible": ["M1 12h28", "M4 12l6-9m2 9l6-9m2 9l6-9"],
  "not-judged": ["M7 2.5H2v10h5", "M23 2.5h5v10h-5", "M12 7.5h6"],
};

/** Sign and word of a universe's state. */
export function stateMark(state) {
  return h("span", { class: `state is-${STATES[state] ? state : "steady"}` }, stateSign(state), " ", h("span", {}, stateWord(state)));
}

export function stateSign(state) {
  const paths = LINES[state] || LINES.steady;
  return h("svg", { class: `sign is-${state}`, viewBox: "0 0 30 15", width: 30, height: 15, "aria-hidden": "true", focusable: "false" },
    paths.map((d) => h("path", { d })));
}

const BARS = { note: 1, warning: 2, critical: 3 };

/** Sign and word of a severity: one, two or three bars. */
export function severityMark(severity, extra) {
  const bars = BARS[severity] || 0;
  return h("span", { class: `severity is-${severity}` },
    h("svg", { class: "bars", viewBox: "0 0 20 15", width: 20, height: 15, "aria-hidden": "true", focusable: "false" },
      [0, 1, 2].map((i) => h("rect", { x: 1 + i * 7, y: 10 - i * 4, width: 4, height: 4 + i * 4, class: i < bars ? "full" : "empty" }))),
    " ", h("span", {}, severity), extra ? h("span", { class: "quiet" }, ` ${extra}`) : null);
}
