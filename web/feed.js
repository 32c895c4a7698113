// What the page knows: the house, its universes and its incidents, kept current by one event stream.
// Views read it; they never write it.
import { Knowledge, browserNow, ms, useZone } from "./clock.js";

const RETRY_MS = [500, 1000, 2000, 4000];
const SILENT_MS = 12000; // the stream says something every second, or a comment every 5 s: longer is a dead connection
const CLOSED_KEPT = 200;

export class ApiError extends Error {
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

let token = null;
try { token = sessionStorage.getItem("token"); } catch (refused) { /* then it is asked for again */ }
let onDate = () => {};

export function rememberToken(value) {
  token = value;
  try { sessionStorage.setItem("token", value); } catch (refused) { /* kept for this page only */ }
}

/** Ask the listener; throws ApiError with a sentence. */
export async function ask(path, { method = "GET", body } = {}) {
  const headers = { Accept: "application/json" };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  if (token) headers.Authorization = `Bearer ${token}`;
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: body === undefined ? undefined : JSON.stringify(body), cache: "no-store" });
  } catch (unreachable) {
    throw new ApiError(0, "The listener does not answer.");
  }
  onDate(Date.parse(answer.headers.get("Date") || ""));
  const text = await answer.text();
  let value = null;
  try { value = text ? JSON.parse(text) : null; } catch (notJson) { value = null; }
  if (!answer.ok) {
    const reason = value && (typeof value.error === "string" ? value.error : value.message || value.detail);
    throw new ApiError(answer.status, reason || `The listener answered ${answer.status} ${answer.statusText}.`);
  }
  return value;
}

export class Feed {
  house = {};
  universes = new Map(); // "e131/12" -> object of the API, with `version` counted up at each change
  incidents = new Map(); // id -> object of the API
  names = new Map(); // id of a source -> what people call it
  seen = new Set(); // ids of incidents that are over and that somebody here has seen
  detail = null; // of the universe that is watched: its object, levels and owners
  knowledge = new Knowledge();
  loaded = false;
  connected = false;
  answers = false; // whether the listener answered since its news grew old
  trouble = "";
  received = 0; // events so far
  comings = 0; // counts universes that came or went
  #changed;
  #transition;
  #source = null;
  #tries = 0;
  #watched = "";
  #opened = 0;
  #whole = false; // the next `universes` event holds every row
  #greeting = 0; // incidents that come right after opening are not transitions
  #heardMs = 0;
  #namesMs = -Infinity;
  #asking = false; // whether the listener answers

  /** changed(): something is different. transition(kind, before, after): something a person must hear of. */
  constructor(changed, transition) {
    this.#changed = changed;
    this.#transition = transition;
    // The answer's own date shows that knowledge is old even when it was old already as this page opened.
    onDate = (dateMs) => this.knowledge.tell(dateMs, browserNow());
  }

  start() {
    try { this.seen = new Set(JSON.parse(localStorage.getItem("seen") || "[]")); } catch (refused) { /* then they are shown again */ }
    this.#listen();
    this.#loadClosed();
    setInterval(() => {
      if (this.connected && browserNow() - this.#heardMs > SILENT_MS) this.#again();
      if (!this.knowledge.stale(browserNow())) this.answers = false;
      else if (!this.#asking) { // what is not answered stays under way, and a browser has few connections
        this.#asking = true;
        ask("/healthz").then(() => true, () => false).then((answers) => { this.answers = answers; this.#asking = false; this.#changed(); });
      }
    }, 2000);
    setInterval(() => { if (!document.hidden) ask("/healthz").catch(() => {}); }, 60000); // for its date
  }

  /** Also hear one universe's levels and streams; "" for none. */
  watch(name) {
    if (name === this.#watched) return;
    this.#watched = name;
    this.detail = name ? { universe: name } : null;
    if (this.#source) this.#listen();
  }

  /** What is known now, as it stays while the page is paused. */
  still() {
    return Object.assign(Object.create(this), { house: this.house, universes: new Map(this.universes), incidents: new Map(this.incidents), detail: this.detail, sourceName: (id) => this.names.get(id) || id || "" });
  }

  markSeen(id) {
    this.seen.add(id);
    try { localStorage.setItem("seen", JSON.stringify([...this.seen].slice(-50))); } catch (refused) { /* until the page is closed */ }
  }

  sourceName(id) {
    if (!id) return "";
    if (!this.names.has(id)) this.#loadNames();
    return this.names.get(id) || id;
  }

  #listen() {
    if (this.#source) this.#source.close();
    this.#opened += 1;
    const mine = this.#opened;
    const source = new EventSource(`/api/v1/events${this.#watched ? `?universe=${encodeURIComponent(this.#watched)}` : ""}`);
    this.#source = source;
    this.#whole = true;
    source.addEventListener("open", () => {
      this.connected = true;
      this.#tries = 0;
      this.trouble = "";
      this.#heardMs = browserNow();
      this.#greeting = browserNow() + 1500;
      this.#changed();
      // What is streamed while the answer is on its way may be newer than the answer.
      const known = new Map([...this.incidents].map(([id, held]) => [id, held.revision]));
      ask("/api/v1/incidents?state=open").then((value) => this.#onlyOpen(items(value, "incidents"), known), () => {});
    });
    source.addEventListener("error", () => { if (mine === this.#opened) this.#again(); });
    const on = (name, take) => source.addEventListener(name, (event) => {
      if (mine !== this.#opened) return;
      this.received += 1;
      this.#heardMs = browserNow();
      take.call(this, JSON.parse(event.data));
      this.#changed();
    });
    on("house", this.#takeHouse);
    on("universes", this.#takeUniverses);
    on("incident", (value) => this.#takeIncident(value, browserNow() > this.#greeting));
    on("universe", (value) => { if (this.detail) this.detail = { ...this.detail, ...value }; });
    on("levels", (value) => { if (this.detail) this.detail = { ...this.detail, ...value }; });
  }

  #again() {
    this.connected = false;
    this.trouble = "The listener does not answer.";
    this.#source.close();
    const wait = RETRY_MS[Math.min(this.#tries, RETRY_MS.length - 1)];
    this.#tries += 1;
    const mine = this.#opened;
    setTimeout(() => { if (mine === this.#opened) this.#listen(); }, wait);
    this.#changed();
  }

  #loadClosed() {
    ask("/api/v1/incidents?state=closed&limit=12").then((value) => {
      for (const incident of items(value, "incidents")) if (!this.incidents.has(incident.id)) this.incidents.set(incident.id, incident);
      this.#changed();
    }, () => setTimeout(() => this.#loadClosed(), 4000));
  }

  #loadNames() {
    if (performance.now() - this.#namesMs < 2000) return;
    this.#namesMs = performance.now();
    ask("/api/v1/sources").then((value) => {
      this.takeNames(items(value, "sources"));
      this.#changed();
    }, () => {});
  }

  takeNames(sources) {
    for (const row of sources) this.names.set(row.source, row.name || row.declared_as || row.source_name || row.address || row.source);
  }

  /** After a reconnection: what closed meanwhile is closed here as well. known: revisions by number when it was asked. */
  #onlyOpen(open, known) {
    const ids = new Set(open.map((incident) => incident.id));
    for (const [id, held] of this.incidents) {
      if (held.state === "open" && !ids.has(id) && known.get(id) === held.revision) this.incidents.delete(id);
    }
    for (const incident of open) {
      const held = this.incidents.get(incident.id);
      if (!held || known.get(incident.id) === held.revision) this.#takeIncident(incident, false);
    }
    this.#changed();
  }

  #takeHouse(value) {
    const before = this.house;
    this.house = { ...before, ...value };
    if (value.time_zone) useZone(value.time_zone);
    this.knowledge.hear(ms(value.at), browserNow());
    if (before.phase && value.phase && before.phase !== value.phase) this.#transition("phase", before.phase, value.phase);
  }

  #takeUniverses(value) {
    this.knowledge.hear(ms(value.at), browserNow());
    const taken = rows(value);
    if (this.#whole) {
      this.#whole = false;
      const named = new Set(taken.map((row) => row.universe));
      for (const name of this.universes.keys()) if (!named.has(name)) this.#drop(name);
      this.loaded = true;
    }
    for (const row of taken) this.#takeUniverse(row);
    for (const name of value.gone || []) this.#drop(name);
  }

  #drop(name) {
    this.universes.delete(name);
    this.comings += 1;
  }

  #takeUniverse(row) {
    if (!this.universes.has(row.universe)) this.comings += 1;
    if (row.winning_source && row.winning_name) this.names.set(row.winning_source, row.winning_name);
    const held = this.universes.get(row.universe);
    const next = { ...held, ...row, version: held ? held.version + 1 : 1 };
    // Whose it was last: a lost universe stays drawn where its source stood, so that what fell together is seen together.
    next.carrier = next.winning_source || (held && held.carrier) || (next.sources && next.sources[0]) || "";
    this.universes.set(row.universe, next);
  }

  #takeIncident(incident, announce) {
    if (incident.part_of) {
      // It is part of a wider incident, which is shown.
      this.incidents.delete(incident.id);
      return;
    }
    const before = this.incidents.get(incident.id);
    this.incidents.set(incident.id, { ...before, ...incident });
    if (announce) this.#transition("incident", before, incident);
    for (const [id, held] of this.incidents) {
      if (this.incidents.size <= CLOSED_KEPT) break;
      if (held.state !== "open") this.incidents.delete(id);
    }
  }
}

/** A list, whether it came bare or under its name. */
export function items(value, name) {
  if (Array.isArray(value)) return value;
  return value && Array.isArray(value[name]) ? value[name] : [];
}

/** Objects of what came as `columns` and `rows`. */
export function rows(value) {
  if (!value || !value.rows) return [];
  return value.rows.map((row) => Object.fromEntries(value.columns.map((column, index) => [column, row[index]])));
}
