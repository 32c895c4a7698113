// Small pieces that several views are made of.
import { h } from "./tree.js";
import { count, parts as split } from "./words.js";

/** The title of a view: one sentence that already answers. */
export function top(sentence, more, tone = "plain") {
  return h("section", { class: `headline is-plain is-${tone}`, key: "top" }, h("h1", { class: sentence.length > 80 ? "is-long" : undefined }, h("span", { class: "verdict" }, sentence), more ? " " : null, more ? h("span", { class: "second" }, more) : null));
}

export function part(title, ...inside) {
  const id = `part-${title.toLowerCase().replaceAll(/[^a-z0-9]+/g, "-")}`;
  return h("section", { key: title, "aria-labelledby": id }, h("h2", { id }, title), inside);
}

/** What is shown while an answer is on its way, or did not come. Null when there is one. */
export function awaiting(entry, what) {
  if (entry.value !== undefined) return entry.error ? h("p", { class: "error", key: "trouble" }, `${entry.error} This is older than it should be.`) : null;
  return entry.error ? h("p", { class: "error", key: "trouble" }, `${what} could not be read: ${entry.error}`) : h("p", { class: "quiet", key: "trouble" }, `Asking for ${what.toLowerCase()}.`);
}

/** A table that scrolls by itself where it is wider than the page. */
export function table(label, columns, rows) {
  return h("div", { class: "wide-table", tabindex: "0", role: "region", "aria-label": label, key: label },
    h("table", {},
      h("thead", {}, h("tr", {}, columns.map((column, i) => h("th", { key: i, scope: "col", class: column.number ? "number" : undefined }, column.name)))),
      h("tbody", {}, rows)));
}

/** A list `most` rows at a time: {shown, find, pager}, where `find` is a box for what is wanted and says what is shown.
 *  matches(row, wanted): whether a row is meant by a text in lower case. */
export function paged(rows, most, label, page, matches) {
  const wanted = (page.local.wanted || "").toLowerCase();
  const found = wanted ? rows.filter((row) => matches(row, wanted)) : rows;
  const pages = Math.max(1, Math.ceil(found.length / most));
  const at = Math.min(page.local.at || 0, pages - 1);
  const turn = (by) => () => { page.local.at = at + by; page.redraw(); };
  return {
    shown: found.slice(at * most, (at + 1) * most),
    find: [
      h("label", { class: "find", key: "find" }, h("span", {}, label),
        h("input", { type: "search", autocomplete: "off", oninput: (event) => { page.local.wanted = event.target.value; page.local.at = 0; page.redraw(); } })),
      h("p", { class: "quiet", role: "status", key: "count" }, found.length ? `${at * most + 1} to ${Math.min(found.length, (at + 1) * most)} of ${count(found.length)}${wanted ? ` found among ${count(rows.length)}` : ""}` : wanted ? "None is found." : ""),
    ],
    pager: pages > 1 ? h("p", { class: "row pager", key: "pager" },
      h("button", { type: "button", disabled: at === 0, onclick: turn(-1) }, "Previous"),
      h("button", { type: "button", disabled: at === pages - 1, onclick: turn(1) }, "Next"),
      h("span", { class: "quiet" }, `Page ${at + 1} of ${pages}`)) : null,
  };
}

export function universeLink(name) {
  return h("a", { key: name, href: `/universe/${name}` }, name);
}

/** Facts as term and value; absent values are left out. */
export function facts(pairs) {
  return h("dl", { class: "facts" }, pairs.filter(([, value]) => value !== undefined && value !== null && value !== "").map(([term, value]) =>
    h("div", { key: term }, h("dt", {}, term), h("dd", {}, value))));
}

/** The name of an address, with both ways in which Art-Net's is written. */
export function bothNumbers(name) {
  const { protocol, number } = split(name);
  if (protocol !== "artnet" || !Number.isFinite(number)) return "";
  return `net ${number >> 8}, sub-net ${(number >> 4) & 15}, universe ${number & 15}; counted from 0`;
}
