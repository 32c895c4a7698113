// Starts the page: one feed, one address bar, one drawing at a time.
import { patch } from "./tree.js";
import { ApiError, Feed, ask } from "./feed.js";
import { Announcer } from "./announce.js";
import { banner, contents, head } from "./head.js";
import { browserNow } from "./clock.js";
import { strip } from "./strip.js";
import { openedSincePause, titleCount } from "./verdict.js";
import now from "./now.js";

// Other views are fetched when first opened, so that the first load stays small.
const VIEWS = [
  [/^\/(?:incidents)?$/, "/", () => now], // messages about several incidents link to /incidents
  [/^\/universes(?:\/from\/(.+))?$/, "/universes", () => import("./universes.js"), "from"],
  [/^\/universe\/(.+)$/, "/universes", () => import("./universe.js"), "name"],
  [/^\/incident\/(\d+)$/, "/", () => import("./incident.js"), "id"],
  [/^\/rules(?:\/([a-z0-9-]+))?$/, "/rules", () => import("./rules.js"), "rule"],
  [/^\/sources$/, "/sources", () => import("./sources.js")],
  [/^\/network$/, "/network", () => import("./network.js")],
  [/^\/patch$/, "/patch", () => import("./patch.js")],
  [/^\/rig-check$/, "/rig-check", () => import("./rigcheck.js")],
  [/^\/fixtures-asked$/, "/patch", () => import("./asked.js")],
  [/^\/hours$/, "/racks", () => import("./hours.js")],
  [/^\/racks$/, "/racks", () => import("./racks.js")],
  [/^\/routes$/, "/routes", () => import("./routes.js")],
  [/^\/references$/, "/readiness", () => import("./references.js")],
  [/^\/readiness$/, "/readiness", () => import("./readiness.js")],
  [/^\/reports$/, "/reports", () => import("./reports.js")],
  [/^\/listener$/, "/listener", () => import("./listener.js")],
];

/** The questions, fetched once the first view is drawn. */
const questions = () => import("./ask.js").catch(() => { throw new ApiError(0, "The listener does not answer."); });

const TICK_MS = 500;
const wide = matchMedia("(min-width: 60em)");
const announcer = new Announcer(document.getElementById("polite"), document.getElementById("urgent"));

/** What views are given: the feed, the moment, the address, and the few things they may do. */
const page = {
  feed: null, browserMs: browserNow(), nowMs: NaN, route: null, local: {}, pausedAt: null, changesWhilePaused: false,
  widthPx: 0, roomy: false, verdictInSight: true, marked: "", trouble: "",
  palette: document.documentElement.dataset.palette || "as system", wide: wide.matches,
  use, redraw, go, change: act, markNow, togglePause, turnPalette,
  askName: async (run) => (await questions()).askName(run),
  askPhase: async (wanted) => (await questions()).askPhase(feed.house.phase, redraw, wanted),
};
const fetched = new Map(); // path -> {value, error, dueMs, everyS, used, busy}
let view = null;
let drawn = []; // what the open view drew last
let wasStale = false;
let waiting = false;
let still = null; // {feed, nowMs, browserMs} that the view of a paused page is drawn from

/** The answer of an address, asked for now and then again while the view that uses it is open. */
function use(path, everyS = 2) {
  let entry = fetched.get(path);
  if (!entry) {
    entry = { value: undefined, error: still ? "the page is paused." : "", dueMs: 0, everyS, used: true, busy: false };
    fetched.set(path, entry);
    queueMicrotask(refresh);
  }
  entry.used = true;
  return entry;
}

async function refresh() {
  if (document.hidden || still) return;
  for (const [path, entry] of fetched) {
    if (!entry.used || entry.busy || browserNow() < entry.dueMs) continue;
    entry.busy = true;
    const askedMs = browserNow();
    entry.dueMs = Infinity;
    ask(path).then((value) => { entry.value = value; entry.error = ""; }, (error) => { entry.error = error.message; entry.status = error.status; })
      .finally(() => {
        entry.busy = false;
        // At most half of the time is spent asking; what has just changed is due at once.
        const tookMs = browserNow() - askedMs;
        if (entry.dueMs) entry.dueMs = browserNow() + Math.max(entry.everyS * 1000 - tookMs, tookMs) - TICK_MS / 2;
        redraw();
      });
  }
}

/** A change that a person asked for; what it touches is read again at once. */
async function act(path, options) {
  const answer = await (await questions()).change(path, options);
  for (const entry of fetched.values()) entry.dueMs = 0;
  refresh();
  redraw();
  return answer;
}

function redraw() {
  if (waiting) return;
  waiting = true;
  // A hidden page gets no frames: then only its title is kept true, by the clock below.
  requestAnimationFrame(() => { waiting = false; draw(); });
}

function draw() {
  if (!page.feed) return;
  page.browserMs = browserNow();
  const { knowledge } = feed;
  // Old knowledge does not age into new facts: what was lost for 5 s when the last word came stays at 5 s.
  page.nowMs = knowledge.stale(page.browserMs) ? knowledge.at() : knowledge.now(page.browserMs);
  performance.mark("slotwatch-draw");
  drawOften();
  if (view) {
    for (const entry of fetched.values()) entry.used = Boolean(still);
    const live = { feed, nowMs: page.nowMs, browserMs: page.browserMs };
    drawn = view.draw(Object.assign(page, still));
    Object.assign(page, live);
    patch(document.getElementById("main"), drawn);
    for (const [path, entry] of fetched) if (!entry.used && !entry.busy) fetched.delete(path);
  }
  // A pause holds back the view, and never a critical incident: its verdict is drawn beside what stays as it was.
  if (view && view.verdictNow && openedSincePause(page)) patch(document.getElementById("main"), [view.verdictNow(page), ...drawn.slice(1)]);
  performance.measure("slotwatch-update", "slotwatch-draw");
  performance.clearMarks("slotwatch-draw");
  if (performance.getEntriesByName("slotwatch-update").length > 400) performance.clearMeasures("slotwatch-update");
}

function drawOften() {
  patch(document.getElementById("head"), head(page));
  patch(document.getElementById("banner"), banner(page));
  if (page.route) patch(document.getElementById("strip"), strip(page));
}

/** Whether the verdict is in sight. Measured when the page scrolls and twice a second: at each drawing it would cost a layout. */
function measure() {
  const headline = document.querySelector(".verdict-now");
  page.verdictInSight = Boolean(headline) && headline.getBoundingClientRect().bottom > document.getElementById("head").offsetHeight + 40;
}

/** Mark this moment with one press: there is a hand free for no more. */
async function markNow() {
  try {
    await act("/api/v1/marks", { method: "POST", body: { text: "marked" } });
    page.marked = "Marked";
  } catch (error) {
    page.marked = error.message;
  }
  redraw();
  setTimeout(() => { page.marked = ""; redraw(); }, 4000);
}

function keepTrue() {
  page.browserMs = browserNow();
  const stale = page.feed.knowledge.stale(page.browserMs);
  if (stale !== wasStale) announcer.stale(stale);
  wasStale = stale;
  document.documentElement.classList.toggle("is-stale", stale);
  const house = page.feed.house.name || "slotwatch";
  const title = `${titleCount(page.feed, page.browserMs)} – ${view && view.title ? `${view.title(page)} – ` : ""}${house}`;
  if (document.title !== title) document.title = title;
}

async function open(path, focus) {
  const found = VIEWS.find(([pattern]) => pattern.test(path)) || VIEWS[0];
  const [pattern, section, load, parameter] = found;
  const match = pattern.exec(path);
  page.route = { path, section: match ? section : "" };
  if (parameter && match && match[1]) page.route[parameter] = decodeURIComponent(match[1]);
  page.feed.watch(page.route.name || "");
  const loaded = await load();
  if (page.route.path !== path) return; // another address was opened meanwhile
  view = loaded.default || loaded;
  page.local = {};
  page.pausedAt = still = null;
  patch(document.getElementById("contents"), contents(page));
  if (!wide.matches && focus) document.querySelector("#contents details").open = false;
  const main = document.getElementById("main");
  patch(main, []);
  main.dataset.view = section;
  draw();
  measure();
  keepTrue();
  if (focus) {
    window.scrollTo(0, 0);
    main.focus({ preventScroll: true });
  }
}

function go(path) {
  history.pushState(null, "", path);
  return open(location.pathname, true);
}

function togglePause() {
  still = still ? null : { feed: feed.still(), nowMs: page.nowMs, browserMs: page.browserMs };
  page.pausedAt = still && page.nowMs;
  page.changesWhilePaused = false;
  draw();
}

const PALETTES = ["as system", "night", "day"];
function turnPalette() {
  page.palette = PALETTES[(PALETTES.indexOf(page.palette) + 1) % PALETTES.length];
  const root = document.documentElement;
  if (page.palette === "as system") delete root.dataset.palette;
  else root.dataset.palette = page.palette;
  try { localStorage.setItem("palette", page.palette); } catch (refused) { /* it holds until the page is closed */ }
  redraw();
}

document.addEventListener("click", (event) => {
  const link = event.target.closest && event.target.closest("a[href]");
  if (!link || event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  const url = new URL(link.getAttribute("href") || "", location.href);
  if (url.origin !== location.origin || link.hasAttribute("download") || link.target || link.getAttribute("href").startsWith("#")) return;
  if (!VIEWS.some(([pattern]) => pattern.test(url.pathname))) return;
  event.preventDefault();
  if (url.pathname !== location.pathname) go(url.pathname);
});
addEventListener("popstate", () => open(location.pathname, true));
wide.addEventListener("change", () => {
  page.wide = wide.matches;
  const fold = document.querySelector("#contents details");
  if (fold) fold.open = wide.matches;
});
document.addEventListener("visibilitychange", () => { if (!document.hidden) { refresh(); redraw(); } });

const feed = page.feed = new Feed(
  () => {
    if (page.pausedAt !== null) page.changesWhilePaused = true;
    keepTrue();
    redraw();
  },
  (kind, before, after) => {
    if (kind === "incident") announcer.incident(before, after);
    if (kind === "phase") announcer.phase(after);
  });
const main = document.getElementById("main");
function fit(widthPx) {
  page.widthPx = widthPx;
  // As wide as the style sheet asks for two columns, in the text's own size.
  page.roomy = page.widthPx >= 68 * parseFloat(getComputedStyle(document.documentElement).fontSize);
}
// Before anything is drawn: a card that is first drawn folded stays so.
const edges = getComputedStyle(main);
fit(main.clientWidth - parseFloat(edges.paddingLeft) - parseFloat(edges.paddingRight));
new ResizeObserver(([entry]) => {
  fit(entry.contentRect.width);
  redraw();
}).observe(main);
addEventListener("scroll", () => { measure(); redraw(); }, { passive: true });
globalThis.slotwatchPage = page; // for measuring
open(location.pathname, false);
feed.start();
setTimeout(() => questions().catch(() => {}), 3000);
setInterval(() => { measure(); keepTrue(); redraw(); refresh(); }, TICK_MS);
