// The renderer: Preact, with the few habits that the views share. Views return trees; only what differs from the
// last tree touches the document, so that focus, selection, open folds and half-typed text survive.
import { createElement, render } from "./preact.js";

const begun = new WeakSet(); // elements whose `init` was applied

/** One element. Attributes with an `on…` name are listeners; `key` keeps identity among siblings;
 *  `init` is a map of properties that are set once, so that what a person changed stays. */
export function h(tag, attributes, ...children) {
  const { init, ...rest } = attributes || {};
  if (init) rest.ref = (element) => begin(element, init);
  return createElement(tag, rest, flat(children, []));
}

function begin(element, init) {
  if (!element || begun.has(element)) return;
  begun.add(element);
  Object.assign(element, init);
}

/** Lists within lists are one list, as views compose them; what is absent takes no place. */
function flat(children, into) {
  for (const child of children) {
    if (child === null || child === undefined || child === false || child === "") continue;
    if (Array.isArray(child)) flat(child, into);
    else into.push(child);
  }
  return into;
}

const roots = new WeakSet();

/** Make `parent` hold exactly `children`. What stood in it before the first drawing is replaced. */
export function patch(parent, children) {
  if (!roots.has(parent)) {
    roots.add(parent);
    parent.textContent = "";
  }
  render(flat([children], []), parent);
}

/** Keeps the tree of each key until what it is made of changes: the renderer passes over a tree that is the same
 *  object. Forgets keys that were not asked for. */
export class Kept {
  #old = new Map();
  #new = new Map();

  get(key, sign, make) {
    const held = this.#new.get(key) || this.#old.get(key);
    const entry = held && held.sign === sign ? held : { sign, tree: make() };
    this.#new.set(key, entry);
    return entry.tree;
  }

  turn() {
    this.#old = this.#new;
    this.#new = new Map();
  }
}
