// One universe: who sends it, who wins slot by slot, how evenly it comes, its last hour, its levels.
import { h } from "./tree.js";
import { hour, hourText, intervals, intervalText, share, slotField } from "./charts.js";
import { clockTime, ms } from "./clock.js";
import { incidentLines } from "./incidentlist.js";
import { stateMark } from "./marks.js";
import { items, rows } from "./feed.js";
import { usualPart } from "./usual.js";
import { awaiting, bothNumbers, facts, part, table, top } from "./parts.js";
import { count, hertz, list, parts, percent, plural, runs, span, stateWord } from "./words.js";

const TONES = { lost: "critical", missing: "critical", faulty: "warning", "not-judged": "note" };

export default { title: (page) => page.route.name, draw };

function draw(page) {
  const name = page.route.name;
  const path = `/api/v1/universes/${name.split("/").map(encodeURIComponent).join("/")}`;
  const detail = page.use(path, 10);
  const live = page.feed.universes.get(name);
  const heard = page.feed.detail && page.feed.detail.universe === name ? page.feed.detail : {};
  const one = { ...(detail.value || {}), ...heard, ...(live || {}) };
  one.interval_ms = heard.interval_ms || one.interval_ms;
  one.frames = heard.frames || one.frames;
  one.carriedBy = page.feed.sourceName(one.winning_source);
  if (!live && detail.value === undefined) {
    return [top(`${name} is not known here.`), detail.status === 404 ? h("p", {}, "It is neither declared nor heard. ", h("a", { href: "/universes" }, "Every universe by name")) : awaiting(detail, "This universe")];
  }
  const history = page.use(`${path}/history?hours=1`, 20);
  const usual = page.use(`${path}/usual`, 60);
  const fixtures = page.use("/api/v1/fixtures", 5);
  const nowMs = page.nowMs;
  const touching = [...page.feed.incidents.values()].filter((incident) => (incident.universes || []).includes(name));
  const open = touching.filter((incident) => incident.state === "open");
  return [
    top(sentenceOf(one, name, nowMs), null, TONES[one.state]),
    h("div", { key: "facts", class: "under" }, stateMark(one.state), facts([
      ["Art-Net address", bothNumbers(name)],
      ["Network", one.network],
      ["Frames", `${count(one.frames)}${one.lost_frames ? `, ${count(one.lost_frames)} missing by sequence` : ""}`],
      ["Slots", one.slots], ["Priority", parts(name).protocol === "e131" ? one.priority : null],
      ["Last frame", ["steady", "at-rest", "on-backup", "returning"].includes(one.state) ? "arriving now" : one.last_frame_at ? `${clockTime(one.last_frame_at)}, ${span((nowMs - ms(one.last_frame_at)) / 1000)} ago` : "never"],
      ["Levels last changed", one.last_change_at ? `${span((nowMs - ms(one.last_change_at)) / 1000)} ago` : null],
    ])),
    awaiting(detail, "Streams and levels"),
    open.length ? part(plural(open.length, "open incident"), incidentLines(open, page, 10, true)) : null,
    part("Who sends it", streams(one.streams, nowMs)),
    hereAndThere(page, path, nowMs),
    one.levels ? part("Winning source", winners(one)) : null,
    h("div", { class: "pair", key: "pair" },
      part("From frame to frame", h("p", {}, intervalText(one.interval_ms)), intervals(one.interval_histogram, one.interval_ms),
        one.interval_histogram && one.interval_histogram.length ? h("p", { class: "quiet" }, "Heights are square roots of counts, so that one late frame among thousands still shows.") : null),
      part("The last hour", hourPart(history, touching, nowMs))),
    part("Tonight and the other shows", usualPart(usual, history.value === undefined ? [] : minutesOf(history.value), nowMs)),
    one.levels ? part("Levels", one.levels.length ? levels(one, theirs(fixtures.value, name)) : h("p", {}, noLevels(one))) : null,
  ];
}

/** Whether it is expected and has not come yet, as just after a start. */
function isAwaited(one) { return one.state === "not-sent" && one.expected && !one.last_frame_at; }

/** Whether what is commanded now is known, also that nothing is: only where a universe is judged and seen. */
export function isCommandKnown(one) { return one.state !== "not-judged" && one.state !== "not-visible" && !isAwaited(one); }

/** Why no level is shown. */
function noLevels(one) {
  return `${isCommandKnown(one) ? "Nobody sends it now, so nothing is commanded." : "What is commanded is not known."} What receivers hold is not visible from this port.`;
}

function sentenceOf(one, name, nowMs) {
  const label = one.label ? `${name}, ${one.label},` : name;
  const from = one.carriedBy ? ` from ${one.carriedBy}` : "";
  switch (one.state) {
    case "steady": return `${label} is steady at ${hertz(one.refresh_hz)}${from}.`;
    case "at-rest": return `${label} is at rest: the look is held${one.carriedBy ? ` by ${one.carriedBy}` : ""}, kept alive at ${hertz(one.refresh_hz)}.`;
    case "lost": return `${label} is lost: no frame for ${one.last_frame_at ? span((nowMs - ms(one.last_frame_at)) / 1000) : "as long as is known"}.`;
    case "missing": return `${label} is missing: it is declared, and no frame has come.`;
    case "not-visible": return `${label} is not visible from this port; it may be fine.`;
    case "not-judged": return `${label} is not judged: ${one.last_frame_at ? "this listener itself was at fault" : "no frame of it has come since this listener started"}.`;
    case "not-sent": return isAwaited(one) ? `${label} is expected, and no frame of it has come yet.` : one.last_frame_at ? `${label} was stopped by its source.` : `${label} is not sent, and nothing is expected of it now.`;
    case "on-backup": return `${label} is on its backup${from}, at ${hertz(one.refresh_hz)}: a main source is silent.`;
    case "returning": return `${label} is back at ${hertz(one.refresh_hz)}${from}, and is watched until its incident closes.`;
    case "faulty": return `${label} arrives${from} at ${hertz(one.refresh_hz)}, and something is wrong with it.`;
    default: return `${label}: ${stateWord(one.state)}.`;
  }
}

function streams(given, nowMs) {
  if (!given || !given.length) return h("p", { class: "quiet" }, "Nobody has sent it since this listener started.");
  return table("Streams", [{ name: "Source" }, { name: "It is" }, { name: "Priority", number: true }, { name: "Rate", number: true }, { name: "Changes", number: true },
    { name: "Missing", number: true }, { name: "Slots", number: true }, { name: "Last frame", number: true }], given.map((row, i) =>
    h("tr", { key: `${row.source}|${row.address}|${i}` },
      h("th", { scope: "row" }, row.name || row.source, row.address ? h("span", { class: "quiet block" }, row.address) : null),
      h("td", {}, row.state || "live", row.slot_priority ? h("span", { class: "quiet block" }, "gives each slot a priority") : null),
      h("td", { class: "number" }, row.priority === undefined ? "–" : row.priority),
      h("td", { class: "number" }, hertz(row.refresh_hz === undefined ? row.refresh_5s_hz : row.refresh_hz)),
      h("td", { class: "number" }, Number.isFinite(row.changes_hz) ? `${row.changes_hz.toFixed(1)}/s` : "–"),
      h("td", { class: "number" }, count(row.lost_frames)),
      h("td", { class: "number" }, row.slots === undefined ? "–" : row.slots),
      h("td", { class: "number" }, row.last_frame_at ? `${span((nowMs - ms(row.last_frame_at)) / 1000)} ago` : "–"))));
}

/** The same universe at the other listeners of the house; nothing where none is declared. */
function hereAndThere(page, path, nowMs) {
  const listeners = page.use("/api/v1/listeners", 30);
  if (!items(listeners.value, "listeners").length) return null;
  const entry = page.use(`${path}/elsewhere`, 2);
  if (entry.value === undefined) return part("Heard here and there", awaiting(entry, "What the other listeners hear"));
  const { here = [], there = [] } = entry.value;
  const places = [{ name: "here", streams: here }, ...there.map((one) => ({ name: one.listener, streams: one.streams, one }))];
  const senders = new Map(places.flatMap((place) => place.streams.map((row) => [row.source, row.name || row.source])));
  return part("Heard here and there", awaiting(entry, "What the other listeners hear"),
    table("One line a source, one column a listener", [{ name: "Source" }, ...places.map((place) => ({ name: place.name }))],
      senders.size ? [...senders].map(([source, name]) => h("tr", { key: source }, h("th", { scope: "row" }, name),
        places.map((place) => h("td", { key: place.name }, heardThere(place, place.streams.filter((row) => row.source === source)))))) : h("tr", { key: "none" }, h("th", { scope: "row" }, "nobody"), places.map((place) => h("td", { key: place.name }, heardThere(place, []))))),
    h("p", { class: "quiet" }, there.map((one, i) => [i ? " " : "", h("a", { key: one.listener, href: one.url }, `Page of ${one.listener}`), one.reached ? "." : `: not reached${one.reason ? `, ${one.reason}` : ""}.`]),
      " Counts begin when each listener started."));
}

/** One source at one listener: whether it comes, how fast, and what is missing. */
function heardThere(place, found) {
  if (place.one && !place.one.reached) return h("span", { class: "quiet" }, "not reached");
  if (!found.length) return "not heard";
  return found.map((row, i) => {
    const missing = row.missing === null || row.missing === undefined ? null : `${count(row.missing)} of ${count(row.frames + row.missing)} missing`;
    const coming = row.state === "live" ? hertz(row.refresh_hz) : `${String(row.state).replaceAll("-", " ")}${Number.isFinite(row.last_frame_age_s) ? `, last frame ${span(row.last_frame_age_s)} before` : ""}`;
    return h("span", { key: i, class: "block" }, coming, row.wins ? ", in control" : "", missing ? h("span", { class: "quiet block" }, missing) : null, row.judged ? null : h("span", { class: "quiet block" }, "not judged there now"));
  });
}

/** Owners as stretches of slots; "" is none. */
export function owners(one) {
  const given = one.slot_sources || [];
  const found = [];
  const names = one.slot_source_names || [], keys = one.slot_source_keys || [];
  given.forEach((owner, index) => {
    // The API names each slot's source by its key, the stream by its place in the lists beside it.
    const source = owner === null || owner < 0 ? "" : names[typeof owner === "string" ? keys.indexOf(owner) : owner] || `${owner}`;
    const open = found[found.length - 1];
    if (open && open.source === source) open.last = index + 1;
    else found.push({ first: index + 1, last: index + 1, source });
  });
  return found;
}

function winners(one) {
  const stretches = owners(one);
  const held = stretches.filter((stretch) => stretch.source);
  if (!held.length) return h("p", {}, "Nobody: no slot has an owner now.");
  const names = [...new Set(held.map((stretch) => stretch.source))];
  if (names.length === 1) {
    const free = stretches.filter((stretch) => !stretch.source);
    return h("p", {}, `${names[0]} wins ${free.length ? `slots ${spans(held)}` : "every slot"}${free.length ? `; no source owns ${spans(free)}` : ""}.`);
  }
  return h("ul", { class: "plain" }, names.map((source) => h("li", { key: source }, h("strong", {}, source), ` wins slots ${spans(held.filter((stretch) => stretch.source === source))}.`)));
}

function spans(stretches) {
  const texts = stretches.map(({ first, last }) => (first === last ? `${first}` : `${first}–${last}`));
  return texts.length > 12 ? `${texts.slice(0, 12).join(", ")} and ${texts.length - 12} more stretches` : list(texts);
}

function hourPart(history, touching, nowMs) {
  const trouble = awaiting(history, "History");
  if (history.value === undefined) return trouble;
  const minutes = minutesOf(history.value);
  const within = touching.filter((incident) => !incident.closed_at || ms(incident.closed_at) > nowMs - 3600000);
  return [trouble, h("p", {}, hourText(minutes, within, nowMs - 3600000)), hour(minutes, within, nowMs),
    within.length ? h("ul", { class: "plain quiet" }, within.map((incident) => h("li", { key: incident.id }, `${clockTime(incident.began_at)} `, h("a", { href: `/incident/${incident.id}` }, incident.summary || incident.rule)))) : null];
}

function minutesOf(value) {
  return rows(value).map((row) => ({ ...row, at: ms(row.at) })).filter((row) => Number.isFinite(row.at)).sort((a, b) => a.at - b.at);
}

function theirs(value, name) {
  return items(value, "fixtures").filter((fixture) => fixture.universe === name || `${fixture.universe}@${fixture.network}` === name).sort((a, b) => a.address - b.address);
}

function levels(one, fixtures) {
  const values = one.levels;
  const all = owners(one);
  // Where one source wins all, one sentence above says so; else each fixture names its source.
  const stretches = new Set(all.map((stretch) => stretch.source)).size > 1 ? all : [];
  const up = values.reduce((n, value) => n + (value > 0 ? 1 : 0), 0);
  const spare = new Set(values.map((value, index) => (value > 0 ? index + 1 : 0)).filter(Boolean));
  for (const fixture of fixtures) for (let i = 0; i < (fixture.footprint || 1); i += 1) spare.delete(fixture.address + i);
  const text = up ? `${plural(up, "slot")} of ${values.length} ${up === 1 ? "is" : "are"} above zero.` : `All ${values.length} slots are at zero.`;
  return [
    h("p", { key: "text" }, text), slotField(values, text),
    fixtures.length ? h("h3", { key: "by" }, "By fixture") : h("p", { class: "quiet", key: "none" }, "No fixture is patched here; a patch file in the house file puts names to these slots."),
    byPosition(fixtures).map(([position, group]) => [
      h("h4", { key: `h ${position}` }, position || "Without a position"),
      h("ul", { class: group.every((fixture) => fixture.footprint === 1) ? "fixtures compact" : "fixtures", key: `u ${position}` },
        group.map((fixture) => fixtureRow(fixture, values, stretches)))]),
    fixtures.length && spare.size ? h("p", { key: "spare" }, `Above zero, with no fixture there: slots ${list(runs([...spare]).slice(0, 16).map(([a, b]) => (a === b ? `${a}` : `${a}–${b}`)))}.`) : null,
    h("details", { key: "numbers" }, h("summary", {}, "Every slot as a number"), slotTable(values)),
  ];
}

function byPosition(fixtures) {
  const groups = new Map();
  for (const fixture of fixtures) {
    const position = fixture.position || "";
    if (!groups.has(position)) groups.set(position, []);
    groups.get(position).push(fixture);
  }
  return [...groups];
}

/** Who owns a fixture's slots, in words; several where they are split. */
function ownerWords(first, last, stretches) {
  const names = [...new Set(stretches.filter((stretch) => stretch.first <= last && stretch.last >= first).map((stretch) => stretch.source || "nobody"))];
  return names.length ? `by ${list(names)}` : "";
}

function fixtureRow(fixture, values, stretches) {
  // Levels are read from the live frame by slot: the list of fixtures itself is asked for less often.
  const roles = fixture.slots
    ? fixture.slots.map(({ slot, role }) => [role || `slot ${slot}`, values[slot - 1]])
    : Object.entries(fixture.levels || {});
  const last = fixture.address + (fixture.footprint || 1) - 1;
  return h("li", { key: `${fixture.fixture}|${fixture.address}`, class: fixture.lit ? "lit" : "dark" },
    h("p", { class: "name" }, h("strong", {}, fixture.label || fixture.fixture), " ", h("span", { class: "quiet" },
      [fixture.label && fixture.label !== fixture.fixture ? fixture.fixture : "", last > fixture.address ? `slots ${fixture.address}–${last}` : `slot ${fixture.address}`, fixture.circuit ? `circuit ${fixture.circuit}` : "", ownerWords(fixture.address, last, stretches)].filter(Boolean).join(", "))),
    h("p", { class: "roles" }, (roles.length ? roles : [["level", values[fixture.address - 1]]]).map(([role, value], i) =>
      h("span", { key: i, class: "role" }, h("span", { class: "word" }, role), share(value || 0, 255), h("span", { class: "number" }, percent(value))))));
}

function slotTable(values) {
  const lines = Array.from({ length: Math.ceil(values.length / 16) }, (_, i) => i);
  return table("Slots as numbers", [{ name: "Slots" }, ...Array.from({ length: 16 }, (_, i) => ({ name: `+${i}`, number: true }))],
    lines.map((i) => h("tr", { key: i }, h("th", { scope: "row" }, `${i * 16 + 1}`), values.slice(i * 16, i * 16 + 16).map((value, j) => h("td", { key: j, class: value ? "number" : "number quiet" }, String(value))))));
}
