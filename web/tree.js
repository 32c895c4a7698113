// A small renderer: views return trees of plain objects, and only what differs from the last tree touches
// the document. Focus, selection, open folds and half-typed text survive because nodes are kept, by key.

const SVG = "http://www.w3.org/2000/svg";
const drawn = new WeakMap(); // element -> the children it was last given

/** One element. Attributes with an `on…` name are listeners; `key` keeps identity among siblings;
 *  `init` is a map of properties that are set once, so that what a person changed stays. */
export function h(tag, attributes, ...children) {
  return { tag, attributes: attributes || {}, key: attributes ? attributes.key : undefined, children: flat(children, []) };
}

function flat(children, into) {
  for (const child of children) {
    if (child === null || child === undefined || child === false || child === "") continue;
    if (Array.isArray(child)) flat(child, into);
    else into.push(typeof child === "object" ? child : String(child));
  }
  return into;
}

/** Make `parent` hold exactly `children`. */
export function patch(parent, children) {
  const svg = parent.namespaceURI === SVG && parent.localName !== "foreignObject";
  const after = flat([children], []);
  const before = drawn.get(parent) || [];
  drawn.set(parent, after);
  if (before.length === 0 && parent.firstChild) parent.textContent = "";
  const nodes = before.length ? Array.from(parent.childNodes) : [];
  const keyed = new Map();
  before.forEach((old, index) => { if (old.key !== undefined) keyed.set(old.key, index); });
  const used = new Set();
  let loose = 0;
  let at = parent.firstChild;
  for (const next of after) {
    let index = -1;
    if (next.key !== undefined) {
      const found = keyed.get(next.key);
      if (found !== undefined && same(before[found], next)) index = found;
    } else {
      while (loose < before.length && (before[loose].key !== undefined || used.has(loose))) loose += 1;
      if (loose < before.length && same(before[loose], next)) index = loose;
      if (loose < before.length) loose += 1;
    }
    let node;
    if (index >= 0 && !used.has(index)) {
      used.add(index);
      node = nodes[index];
      revise(node, before[index], next);
    } else {
      node = build(next, svg);
    }
    if (node === at) at = at.nextSibling;
    else parent.insertBefore(node, at);
  }
  nodes.forEach((node, index) => { if (!used.has(index)) node.remove(); });
}

function same(old, next) {
  if (typeof old === "string" || typeof next === "string") return typeof old === typeof next;
  return old.tag === next.tag && old.key === next.key;
}

function build(next, svg) {
  if (typeof next === "string") return document.createTextNode(next);
  const inSvg = svg || next.tag === "svg";
  const element = inSvg ? document.createElementNS(SVG, next.tag) : document.createElement(next.tag);
  for (const name in next.attributes) set(element, name, next.attributes[name], undefined);
  if (next.children.length) patch(element, next.children);
  if (next.attributes.init) Object.assign(element, next.attributes.init);
  return element;
}

function revise(node, old, next) {
  if (old === next) return; // the same object: nothing in it has changed
  if (typeof next === "string") {
    if (old !== next) node.data = next;
    return;
  }
  for (const name in old.attributes) if (!(name in next.attributes)) set(node, name, undefined, old.attributes[name]);
  for (const name in next.attributes) {
    if (next.attributes[name] !== old.attributes[name]) set(node, name, next.attributes[name], old.attributes[name]);
  }
  if (next.children.length || old.children.length) patch(node, next.children);
}

function set(element, name, value, previous) {
  if (name === "key" || name === "init") return;
  if (name.startsWith("on")) {
    if (previous) element.removeEventListener(name.slice(2), previous);
    if (value) element.addEventListener(name.slice(2), value);
  } else if (value === undefined || value === null || value === false) {
    element.removeAttribute(name);
  } else {
    element.setAttribute(name, value === true ? "" : value);
  }
}

/** Keeps the tree of each key until what it is made of changes. Forgets keys that were not asked for. */
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
