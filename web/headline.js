// The one sentence at the top: is it the data, the levels, or this listener; what still works; what is next.
import { LEVEL_RULES, LISTENER_RULES, SEVERITY_ORDER, STATES, count, plural, ranges, sentence, span } from "./words.js";
import { clockTime, ms } from "./clock.js";

/** Returns {tone, verdict, text, still, next, nextWord, incident}: tone is well, note, warning, critical, stale or waiting. */
export function headline(feed, browserMs) {
  const { knowledge } = feed;
  if (!feed.loaded && !knowledge.known()) {
    return {
      tone: "waiting", verdict: feed.trouble ? "The listener does not answer." : "Asking the listener.",
      text: feed.trouble ? "Nothing is known yet. This page asks again every two seconds." : "", still: [], next: [],
    };
  }
  if (knowledge.stale(browserMs)) {
    return {
      tone: "stale", verdict: `STALE: nothing new has come from the listener for ${span(knowledge.ageS(browserMs))}.`,
      text: `What stands below was true at ${clockTime(knowledge.at())}. It says nothing about now.`, still: [],
      next: [
        "Look at this screen's own network and at the computer that listens.",
        "The show itself may be fine: this page only watches it.",
      ],
    };
  }
  const open = openIncidents(feed);
  const loud = open.filter((incident) => incident.severity !== "note" && !incident.accepted);
  const worst = loud.find((incident) => LISTENER_RULES.has(incident.rule)) || loud[0];
  return worst ? faulty(worst, loud, browserMs, knowledge) : well(feed, open);
}

/** Open incidents: loudest first, then newest. */
export function openIncidents(feed) {
  return [...feed.incidents.values()].filter((incident) => incident.state === "open").sort(
    (a, b) => (SEVERITY_ORDER[b.severity] || 0) - (SEVERITY_ORDER[a.severity] || 0)
      || Number(Boolean(a.acknowledged)) - Number(Boolean(b.acknowledged))
      || ms(b.opened_at) - ms(a.opened_at));
}

function faulty(worst, loud, browserMs, knowledge) {
  const began = ms(worst.began_at);
  const since = Number.isFinite(began) ? ` Since ${clockTime(began)}, ${span((knowledge.now(browserMs) - began) / 1000)}.` : "";
  const others = loud.length - 1;
  return {
    tone: worst.severity, incident: worst, verdict: verdict(worst.rule, worst.severity),
    text: `${sentence(worst.summary)}${since}${others ? ` ${plural(others, "other incident")} below.` : ""}`,
    still: worst.still_working || [], next: worst.next_checks || [],
  };
}

function verdict(rule, severity) {
  if (LISTENER_RULES.has(rule)) return "It is this listener, not the show.";
  if (LEVEL_RULES.has(rule)) return "The data arrives; its levels need a look.";
  if (rule === "receiver-silent") return "The data arrives here; a receiver is silent.";
  return severity === "critical" ? "It is the data." : "The data arrives, but not as it should.";
}

function well(feed, open) {
  const rows = [...feed.universes.values()];
  const live = rows.filter((row) => ["steady", "at-rest", "on-backup", "returning"].includes(row.state)).length;
  const look = rows.filter((row) => STATES[row.state] && STATES[row.state].look);
  const unseen = rows.filter((row) => row.state === "not-visible").length;
  const [stopped, idle] = [true, false].map((heard) => rows.filter((row) => row.state === "not-sent" && Boolean(row.last_frame_at) === heard).length);
  const text = [];
  let title = "All is well.";
  if (look.length) {
    title = "Nothing calls for action now.";
    text.push(`${sentence(`${ranges(look.map((row) => row.universe), 6)} ${look.length === 1 ? "is" : "are"} not as declared, and the phase ${feed.house.phase || ""} makes that quiet`)}`);
  } else if (!rows.length) {
    title = "Nothing is heard, and nothing is declared.";
    text.push("Declare universes in the house file, or start a source: what arrives is shown here.");
  }
  if (live) text.push(`${live === rows.length ? (live === 1 ? "The one universe" : `All ${count(live)} universes`) : `${count(live)} of ${count(rows.length)} universes`} ${live === 1 ? "arrives" : "arrive"} at this port.`);
  if (unseen) text.push(`${plural(unseen, "universe")} cannot be seen from here.`);
  if (stopped) text.push(`${plural(stopped, "universe")} ${stopped === 1 ? "was" : "were"} stopped by ${stopped === 1 ? "its" : "their"} source.`);
  if (idle) text.push(`${plural(idle, "universe")} ${idle === 1 ? "is" : "are"} not sent, and nothing is expected of ${idle === 1 ? "it" : "them"} now.`);
  const notes = open.filter((incident) => incident.severity === "note").length;
  if (notes) text.push(`${plural(notes, "note")} to read in the morning.`);
  const next = live && !look.length
    ? ["look past the network, at gateway output, data line and fixture: the data reached this port as it should."]
    : [];
  return { tone: notes && !look.length ? "well" : look.length ? "note" : "well", verdict: title, text: text.join(" "), still: [], next, nextWord: "If the stage is wrong: " };
}

/** For the window's title: what is wrong, counted. */
export function titleCount(feed, browserMs) {
  if (feed.knowledge.stale(browserMs)) return "STALE";
  const open = openIncidents(feed);
  const loud = open.filter((incident) => incident.severity !== "note").length;
  if (loud) return plural(loud, "incident");
  return open.length ? plural(open.length, "note") : "all well";
}
