// The verdict at the top: what it is, what holds, one thing to look at. Three short lines that are read across a room.
import { SHORT_WORDS } from "./rulesets.js";
import { ARRIVING, GONE, LISTENER_RULES, STATES, WORST_FIRST, capital, count, list, nthTime, plural, ruleWords, span, stateWord } from "./words.js";
import { clockTime, ms } from "./clock.js";

const MOST_WHAT = 28; // letters that fit one line of the first size at 1366 px
const MOST_LINE = 35;
const AWAITED_S = 10; // time after its start that judging gives what is expected

/** How many universes are in which state. `due` leaves out those that no source has to send, `awaited` counts those
 * that are expected and have not come yet, as long as they still have time to after the start, `others` says who
 * controls those that arrive, if not only the sources that should. */
export function tally(feed) {
  const states = Object.fromEntries(WORST_FIRST.map((state) => [state, 0]));
  let due = 0;
  let arriving = 0;
  let gone = 0;
  let awaited = 0;
  const began = Number(feed.house.uptime_s) <= AWAITED_S;
  for (const row of feed.universes.values()) {
    if (row.state in states) states[row.state] += 1;
    if (row.state !== "not-sent") due += 1;
    if (ARRIVING.has(row.state)) arriving += 1;
    if (GONE.has(row.state)) gone += 1;
    if (began && row.state === "not-sent" && row.expected && !row.last_frame_at) awaited += 1;
  }
  const others = new Map();
  for (const one of feed.incidents.values()) {
    if (one.state !== "open" || one.accepted || one.returned_at) continue;
    for (const [name, who] of Object.entries(one.controlled_by || {})) {
      if (ARRIVING.has(feed.universes.get(name)?.state)) others.set(name, (others.get(name) || who) === who ? who : "several sources");
    }
  }
  return { states, others, all: feed.universes.size, due, arriving, gone, awaited, declares: [...feed.universes.values()].some((row) => row.declared) };
}

/** Returns {tone, what, holds, look, more, incident, last}. `tone` is well, back, note, warning, critical, stale or waiting. */
export function verdict(feed, browserMs) {
  const { knowledge } = feed;
  if (!feed.loaded && !knowledge.known()) {
    return feed.trouble
      ? { tone: "waiting", what: "No answer", holds: "The listener does not answer", look: "Nothing is known yet", more: "This page asks again every two seconds." }
      : { tone: "waiting", what: "Asking", holds: "The listener is asked", look: "", more: "" };
  }
  if (knowledge.stale(browserMs)) {
    return {
      tone: "stale", what: "STALE", holds: `Last data ${clockTime(knowledge.at())}, ${span(knowledge.ageS(browserMs))} ago`,
      look: feed.answers ? "Look at the listener's computer" : "Look at this screen's network",
      more: `This page does not show what is true now. The show may be fine: this page only watches it.${feed.answers ? " The listener answers, and has nothing new." : ` If this screen's network is fine, look at the listener${feed.house.host ? `, ${feed.house.host}` : ""}.`}`,
    };
  }
  const here = tally(feed);
  const open = raised(feed);
  const going = open.filter((incident) => !isBack(incident, feed));
  const nowMs = knowledge.now(browserMs);
  if (going.length) return faulty(going, open, feed, here, nowMs);
  if (isBlind(here)) {
    return {
      tone: "warning", what: "Blind", holds: `0 of ${count(here.due)} universes seen`, look: "Look at this listener's page",
      more: "No universe that the house file declares is seen from this port. The show may be fine.",
    };
  }
  if (open.length) return back(open, feed, here);
  return calm(feed, here, nowMs);
}

/** Nothing that is due is seen, and it is not known to be gone: then nothing may be called well. */
export function isBlind(here) {
  return here.due > 0 && here.arriving === 0 && here.states["not-visible"] > 0 && here.gone === 0;
}

/** Open incidents that call for somebody: no notes, nothing that the house accepts. */
export function raised(feed) {
  return openIncidents(feed).filter((incident) => incident.severity !== "note" && !incident.accepted);
}

/** Whether a critical incident has opened while the page is paused. */
export function openedSincePause(page) {
  return page.pausedAt !== null && raised(page.feed).some((one) => one.severity === "critical" && ms(one.opened_at) > page.pausedAt);
}

/** Open incidents, the most urgent first: in the order of the server, which other pages and messages keep too. */
export function openIncidents(feed) {
  return [...feed.incidents.values()].filter((incident) => incident.state === "open").sort(byUrgency);
}

/** Compare two incidents number by number of their `urgency`. */
function byUrgency(a, b) {
  const [mine, other] = [a.urgency || [], b.urgency || []];
  const at = mine.findIndex((value, place) => value !== other[place]);
  return at < 0 ? 0 : (other[at] || 0) - mine[at];
}

/** All of it is back, and it is watched until its incident closes. */
export function isBack(incident, feed) {
  if (incident.state !== "open") return false;
  if (incident.returned_at) return true;
  if (incident.rule !== "universe-lost" && incident.rule !== "universe-missing") return false;
  const states = (incident.universes || []).map((name) => (feed.universes.get(name) || {}).state);
  return states.length > 0 && states.some((state) => state === "returning") && states.every((state) => ARRIVING.has(state));
}

/** When this outage itself began, in ms: not when it first did, if it came back in between. */
export function beganMs(incident, feed) {
  const began = ms(incident.began_at);
  if (Number.isFinite(incident.lasted_s) && Number.isFinite(endedMs(incident))) return began;
  if (incident.state !== "open" || !(incident.flaps > 0)) return began;
  const last = (incident.universes || []).map((name) => feed.universes.get(name)).filter((row) => row && GONE.has(row.state)).map((row) => ms(row.last_frame_at)).filter(Number.isFinite);
  return last.length ? Math.max(began, Math.min(...last)) : began;
}

/** When it stopped being a fault, in ms: its return, which is before its incident closes; NaN while it lasts. */
export function endedMs(incident) {
  return ms(incident.returned_at || incident.closed_at);
}

/** Seconds of the outage itself, without the time it was watched after its return. */
export function lastedS(incident, feed, nowMs) {
  if (Number.isFinite(incident.lasted_s) && (incident.state === "closed" || incident.returned_at)) return incident.lasted_s;
  const ended = endedMs(incident);
  return ((Number.isFinite(ended) ? ended : nowMs) - beganMs(incident, feed)) / 1000;
}

/** "since 14:20:26, 13 s", "back since 12:24:22, after 13 s, 4th time", "12:24:09 to 12:24:22, 13 s". */
export function since(incident, page) {
  const { feed } = page;
  const times = incident.flaps > 0 ? `, ${nthTime(incident.flaps + 1)}` : "";
  const lasted = span(lastedS(incident, feed, page.nowMs));
  const began = beganMs(incident, feed);
  if (incident.state === "closed") return `${clockTime(began)} to ${clockTime(endedMs(incident))}, ${lasted}${times}`;
  if (isBack(incident, feed)) return `${incident.returned_at ? `back since ${clockTime(incident.returned_at)}` : "back"}, after ${lasted}${times}`;
  return `since ${clockTime(began)}, ${lasted}${times}`;
}

function faulty(going, open, feed, here, nowMs) {
  const worst = going[0];
  const own = LISTENER_RULES.has(worst.rule);
  const others = open.length - 1;
  const remarks = [`since ${clockTime(beganMs(worst, feed))}, ${span((nowMs - beganMs(worst, feed)) / 1000)}${worst.flaps > 0 ? `, ${nthTime(worst.flaps + 1)}` : ""}`];
  if (others) remarks.push(plural(others, "other incident"));
  if (worst.acknowledged) remarks.push(`${worst.acknowledged.by} has it`);
  const beside = going.find((one) => LISTENER_RULES.has(one.rule) !== own);
  if (beside || own) remarks.push(beside ? `beside it: ${titleOf(beside, feed)}` : "the fault is this listener's, not the show's");
  return { tone: worst.severity, incident: worst, what: headlineOf(worst, feed, here), holds: holds(worst, here, own), look: lookAt(worst, feed), more: remarks.join(" · ") };
}

function back(open, feed, here) {
  const newest = [...open].sort((a, b) => (ms(b.returned_at) || 0) - (ms(a.returned_at) || 0))[0];
  const at = ms(newest.returned_at);
  return {
    tone: "back", incident: newest, what: Number.isFinite(at) ? `BACK ${clockTime(at)}` : "BACK", holds: holds(newest, here, false), look: "Watching that it stays",
    more: `${capital(titleOf(newest, feed))} for ${span(lastedS(newest, feed, NaN))}${newest.flaps > 0 ? `, ${nthTime(newest.flaps + 1)}` : ""}.`,
  };
}

/** What still arrives now. */
function holds({ universes }, here, own) {
  if (own && here.arriving === 0) return "The show may be fine";
  const backup = here.states["on-backup"];
  if (backup && !here.others.size && !here.gone && backup === universes?.length) return `Backup holds ${plural(backup, "universe")}`;
  return here.arriving || here.due ? arrived(here) : "No universe is due";
}

function arrived(here, awaited = 0) {
  const arrive = here.arriving === 1 ? "arrives" : "arrive";
  if (!here.others.size) return `${count(here.arriving)} of ${plural(here.due + awaited, "universe")} ${arrive}`;
  const whom = new Set(here.others.values());
  const rest = `${arrive}, ${count(here.others.size)} from ${whom.size > 1 ? "other sources" : [...whom][0]}`;
  const whole = `${count(here.arriving)} of ${count(here.due + awaited)} ${rest}`;
  return whole.length > MOST_LINE ? cut(`${count(here.arriving)} ${rest}`, MOST_LINE) : whole;
}

function calm(feed, here, nowMs) {
  const notes = openIncidents(feed).filter((incident) => incident.severity === "note" && !incident.accepted).length;
  const accepted = openIncidents(feed).filter((incident) => incident.accepted).length;
  const more = [];
  if (notes) more.push(`${plural(notes, "note")} to read in the morning`);
  if (accepted) more.push(`${accepted} accepted`);
  const last = lastUnseen(feed);
  const memory = last ? `Last: ${cut(titleOf(last, feed), MOST_LINE - 14)} ${span(lastedS(last, feed, nowMs))}` : "";
  const say = (tone, what, holds, ...first) => ({ tone, what, holds, look: memory || (here.all ? "" : "Look at this listener's page"), last, more: [...first, ...more].join(" · ") });
  const note = (...words) => say("note", ...words);
  const look = WORST_FIRST.filter((state) => STATES[state].look && here.states[state]);
  const words = look.map((state) => `${count(here.states[state])} ${stateWord(state)}`);
  const rest = look.slice(1).reduce((n, state) => n + here.states[state], 0);
  const counted = list(words).length > MOST_LINE ? `${words[0]}, ${count(rest)} more to look at` : list(words);
  const unseen = here.states["not-visible"];
  const idle = here.states["not-sent"];
  if (!here.all) return note("Nothing is heard", "Nothing is declared yet", "Start a source, or declare universes in the house file");
  if (look.length) return note("No alarm", counted, `The phase ${feed.house.phase || ""} only notes this`);
  if (here.others.size) return note("No alarm", arrived(here));
  if (here.awaited) return note("Just started", arrived(here, here.awaited), `${count(here.awaited)} not heard yet`);
  if (!here.arriving) return unseen ? note("Nothing is seen", `0 of ${count(here.due)} universes seen`) : note("Nothing is sent", "Nothing is due now");
  if (feed.house.declares_nothing || !here.declares) return note("Nothing declared", `${plural(here.arriving, "universe")} heard`, "Only what needs no declaration is judged");
  if (here.arriving < here.due) return say("well", "No fault seen", `${count(here.arriving)} of ${count(here.due)} universes seen`, `${count(unseen)} not visible from this port`);
  return say("well", "All is well", arrived(here), ...(idle ? [`${count(idle)} not sent, and not due`] : []));
}

/** What closed last and was not seen: not acknowledged, not dismissed, and of this phase. */
export function lastUnseen(feed) {
  const since = ms(feed.house.phase_since);
  return [...feed.incidents.values()].filter((one) => one.state === "closed" && one.severity !== "note" && !one.accepted && !one.acknowledged
    && !feed.seen.has(one.id) && (!Number.isFinite(since) || ms(one.closed_at) >= since)).sort((a, b) => ms(b.closed_at) - ms(a.closed_at))[0] || null;
}

/** The thing itself in capitals, counted now and not when it was judged. */
function headlineOf(incident, feed, here) {
  if (incident.rule === "universe-lost" || incident.rule === "universe-missing") {
    const gone = (incident.universes || []).filter((name) => GONE.has((feed.universes.get(name) || {}).state)).length;
    const names = sourceNames(incident);
    const oneSource = incident.cause === "source-lost" && names.length === 1;
    if (here.gone > 1 && !(oneSource && gone === here.gone)) return `${count(here.gone)} OF ${count(here.due)} UNIVERSES ${here.states.lost && here.states.missing ? "GONE" : here.states.lost ? "LOST" : "MISSING"}`;
    if (oneSource) return upper(cut(`${names[0]} silent`, MOST_WHAT, " silent"));
  }
  return upper(cutTitle(incident, feed, MOST_WHAT));
}

function sourceNames(incident) { return incident.source_names || incident.sources || []; }

/** In capitals, but for names of universes, which are written small. */
function upper(text) { return text.toUpperCase().replace(/\b(E131|ARTNET)\//g, (found) => found.toLowerCase()); }

/** What an incident is, in a few words, in lower case: "spare desk silent", "LED (e131/3) lost". */
export function titleOf(incident, feed) {
  return cutTitle(incident, feed, 60);
}

function cutTitle(incident, feed, most) {
  const phrase = SHORT_WORDS[incident.rule] || { one: ruleWords(incident.rule), many: ruleWords(incident.rule) };
  const universes = incident.universes || [];
  const names = sourceNames(incident);
  if (incident.rule === "universe-lost" && incident.cause === "source-lost" && names.length) return names.length === 1 ? cut(`${names[0]} silent`, most, " silent") : `${names.length} sources silent`;
  if (incident.rule === "universe-lost" && incident.cause === "network-lost") return arrivesBeside(incident, feed) ? "part of the network silent" : "network silent";
  const counted = countOf([incident], phrase);
  if (counted > 1) return phrase.many.replace("{n}", count(counted));
  const fill = (room) => phrase.one.replace("{place}", () => place(universes[0], incident, feed, room))
    .replace("{source}", () => (names[0] ? cut(names[0], room) : "a source")).replace("{fixture}", () => ((incident.fixtures || [])[0] ? cut(incident.fixtures[0], room) : "a circuit"));
  const fixed = phrase.one.replace(/\{[a-z]+\}/, "").length;
  return fill(Math.max(8, most - fixed));
}

/** Whether universes still arrive on a network that an incident is about. */
function arrivesBeside(incident, feed) {
  const networkOf = (name) => name.split("@")[1] || "";
  const networks = new Set((incident.universes || []).map(networkOf));
  return [...feed.universes.values()].some((row) => ARRIVING.has(row.state) && networks.has(networkOf(row.universe)));
}

/** How many of the things that a rule's short words name there are: universes, sources or fixtures; else incidents. */
function countOf(incidents, phrase) {
  const named = phrase.one.includes("{place}") ? (one) => one.universes || []
    : phrase.one.includes("{source}") ? sourceNames : phrase.one.includes("{fixture}") ? (one) => one.fixtures || [] : null;
  return named ? new Set(incidents.flatMap(named)).size : incidents.length;
}

/** A group of incidents of one rule in a few words. */
export function titleOfMany(incidents, feed) {
  const [first] = incidents;
  if (incidents.length === 1) return titleOf(first, feed);
  const phrase = SHORT_WORDS[first.rule];
  return phrase?.many.includes("{n}") ? phrase.many.replace("{n}", count(countOf(incidents, phrase) > 1 ? countOf(incidents, phrase) : incidents.length)) : `${count(incidents.length)} times ${ruleWords(first.rule)}`;
}

function place(name, incident, feed, room) {
  if (!name) return "data";
  const label = ((incident.labels || {})[name] || (feed.universes.get(name) || {}).label || "").trim();
  const short = name.replace(/@.*$/, "");
  if (!label) return short;
  const both = `${label} (${short})`;
  return both.length <= room ? both : cut(label, Math.max(6, room));
}

/** A text of at most this many letters; `ending` stays whole. */
function cut(text, most, ending = "") {
  if (text.length <= most) return text;
  return `${text.slice(0, Math.max(3, most - ending.length - 1)).trimEnd()}…${ending}`;
}

/** The first thing to look at, in one short clause. */
function lookAt(incident, feed) {
  const phrase = SHORT_WORDS[incident.rule];
  const [first = ""] = incident.next_checks || [];
  const clause = first.split(/[:;,?!]|\.(?:\s|$)| and | whether /)[0].trim();
  if (clause.includes(" ", 6) && clause.length <= MOST_LINE) return clause.replaceAll("`", "");
  if (phrase?.look) return phrase.look;
  const names = sourceNames(incident);
  if (names.length === 1 && phrase?.onItsScreen) return cut(`Look at ${names[0]}'s screen`, MOST_LINE, "'s screen");
  const universes = incident.universes || [];
  return universes.length === 1 ? cut(`Look at ${place(universes[0], incident, feed, 26)}`, MOST_LINE) : clause ? cut(clause, MOST_LINE) : "Open the incident below";
}

/** For the window's title: what is wrong, counted. */
export function titleCount(feed, browserMs) {
  if (feed.knowledge.stale(browserMs)) return "STALE";
  const open = raised(feed);
  if (open.length) return plural(open.length, "incident");
  if (!feed.loaded) return "asking";
  return verdict(feed, browserMs).what.toLowerCase();
}
