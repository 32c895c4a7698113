// One incident: what failed, drawn at the moment it failed; why; what else it could be; who has it.
import { h } from "./tree.js";
import { moment, momentText } from "./charts.js";
import { dayTime, exactTime, ms } from "./clock.js";
import { acknowledgement } from "./acknowledge.js";
import { acceptance } from "./acceptance.js";
import { evidenceTitle, isOver, stillWorking, titledList } from "./incidentlist.js";
import { beganMs, since } from "./verdict.js";
import { levelsPart } from "./levels.js";
import { severityMark } from "./marks.js";
import { awaiting, facts, part, top, universeLink } from "./parts.js";
import { lastGood } from "./references.js";
import { causeWords, clauses, plural, ranges, ruleWords, span } from "./words.js";

const MOST_STREAMS = 48;

export default { title: (page) => `Incident ${page.route.id}`, draw };

function draw(page) {
  const id = Number(page.route.id);
  const detail = page.use(`/api/v1/incidents/${id}`, 2);
  const one = { ...(detail.value || {}), ...(page.feed.incidents.get(id) || {}) };
  if (detail.value && detail.value.timeline && !(page.feed.incidents.get(id) || {}).timeline) one.timeline = detail.value.timeline;
  if (one.id === undefined) {
    return [top(`Incident ${id} is not known here.`), detail.status === 404 ? h("p", {}, "It may be older than the history that is kept. ", h("a", { href: "/reports" }, "Reports")) : awaiting(detail, "This incident")];
  }
  const { sending, holding } = stillWorking(one);
  return [
    top(...clauses(one.summary || ruleWords(one.rule)), one.state === "open" ? one.severity : "plain"),
    h("div", { key: "under", class: "under" }, severityMark(one.severity, one.state === "open" ? "open" : "over"), h("p", { class: "quiet" }, since(one, page))),
    awaiting(detail, "The whole incident"),
    part(one.state === "open" ? "What to do" : "What was suggested, while it lasted", steps(one.next_checks),
      acknowledgement(one, page), acceptance(one, page)),
    momentPart(one, page),
    levelsPart(one, page),
    isOver(one) && !sending.length && !holding.length ? null
      : part("Still working", titledList("Still sending", sending), titledList("Should hold last levels (not verified)", holding),
        sending.length + holding.length ? null : h("p", { class: "quiet" }, "Nothing else is known to work.")),
    part("Why", cause(one), titledList(evidenceTitle(one), one.evidence), heardThere(one),
      titledList("It could also be", (one.also_possible || []).map((text) => (/^[a-z-]+$/.test(text) ? causeWords(text) : text))),
      titledList("It explains", (one.explains || []).map((row) => `${ruleWords(row.rule)}${(row.universes || []).length ? ` on ${ranges(row.universes, 8)}` : ""}: not reported separately`))),
    part("What it affects", facts([
      ["Universes", (one.universes || []).length > 24 ? ranges(one.universes) : (one.universes || []).length ? one.universes.map((name) => [universeLink(name), " "]) : "none by name"],
      ["Sources", (one.source_names || one.sources || []).join(", ")], ["Fixtures", (one.fixtures || []).join(", ")],
      ["Rule", h("a", { href: one.rule_page || `/rules/${one.rule}` }, ruleWords(one.rule))], ["Began, on the wire", moment_(one.began_at)], [one.opened_at < one.began_at ? "First judged a fault" : "Judged a fault", moment_(one.opened_at)], ["Over", one.closed_at ? moment_(one.closed_at) : null],
    ])),
    lastGood(detail.value && detail.value.last_good_levels),
    part("What was reported when", timeline(one.timeline)),
    part("Packets", one.packets === false ? h("p", { class: "quiet" }, "No packets were recorded around it.") : [h("p", {}, "What was recorded around the moment, as a capture that any packet analyser opens."),
      h("p", {}, h("a", { class: "button", href: `/api/v1/incidents/${id}/packets`, download: `incident-${id}.pcapng` }, `Download the packets of incident ${id}`))]),
  ];
}

function moment_(at) { return at ? `${dayTime(at).split(", ").slice(0, -1).join(", ")}, ${exactTime(at)}` : null; }

function cause(one) {
  if (!one.cause && !one.confidence) return null;
  return h("p", {}, one.cause ? [h("strong", {}, `Most likely ${causeWords(one.cause)}.`), " "] : null, one.confidence === "certain" ? "This is certain." : `Confidence ${one.confidence || "not given"}.`);
}

function steps(texts) {
  if (!texts || !texts.length) return h("p", { class: "quiet" }, "Nothing is suggested.");
  return h("ol", { class: "steps" }, texts.map((text, i) => h("li", { key: i }, text)));
}

function timeline(entries) {
  if (!entries || !entries.length) return h("p", { class: "quiet" }, "Nothing yet.");
  return h("ol", { class: "timeline" }, entries.map((entry, i) => h("li", { key: i }, h("span", { class: "at" }, exactTime(entry.at)),
    h("span", { class: "what" }, entry.what || ""), h("span", {}, entry.text))));
}

/** From what the listener kept of the moment; else from when each universe's last frame came. */
export function streamsOf(one, page) {
  const began = beganMs(one, page.feed);
  if (one.moment && (one.moment.streams || []).length) {
    const from = ms(one.moment.from);
    const to = ms(one.moment.to);
    const streams = one.moment.streams.map((row) => ({
      universe: row.universe, name: `${row.universe} ${page.feed.sourceName(row.source)}`, last: row.last_frame_at ? ms(row.last_frame_at) : to,
      again: row.first_after_at ? ms(row.first_after_at) : NaN, stopped: Boolean(row.stopped), frames: row.frames ? row.frames.map(ms) : null,
    }));
    return { streams, from, to, kept: true };
  }
  const from = began - 4000;
  const to = began + 8000;
  const hit = new Set(one.universes || []);
  const streams = [...page.feed.universes.values()].filter((row) => row.last_frame_at || hit.has(row.universe)).map((row) => {
    const last = ms(row.last_frame_at);
    const gone = hit.has(row.universe) && (row.state === "lost" || row.state === "not-sent");
    return { universe: row.universe, name: `${row.universe} ${page.feed.sourceName(row.carrier)}`, last: gone ? Math.min(to, Number.isFinite(last) ? last : began) : to, again: NaN, stopped: gone, frames: null };
  });
  return { streams, from, to, kept: false };
}

/** The universes of an incident at each other listener, as it was asked when the incident was judged. */
function thereOf(one, from, to) {
  return (one.heard_elsewhere || []).flatMap((ear) => (ear.state === "not-judged" ? [] : (ear.universes || []).filter((row) => row.last_frame_at).map((row) => {
    const last = ms(row.last_frame_at);
    return { universe: row.universe, name: `${row.universe} at ${ear.listener}`, last: Math.max(from, Math.min(to, row.goes_on ? Math.max(last, ms(ear.asked_at)) : last)), again: NaN, stopped: !row.goes_on, frames: null, there: true };
  })));
}

/** The state of its universes at the other listeners, in words, with a link to each listener's page. */
function heardThere(one) {
  const ears = one.heard_elsewhere || [];
  if (!ears.length) return null;
  const words = { steady: "all of it continues", faulty: "part of it continues", lost: "it stopped there too", "not-visible": "it was never heard there", "not-judged": "not known: that listener was blind itself" };
  return titledList("Other listeners", ears.map((ear) => h("span", { key: ear.listener },
    ear.url ? h("a", { href: ear.url }, ear.listener) : ear.listener, `: ${words[ear.state] || ear.state}`,
    ear.asked_at ? h("span", { class: "quiet" }, `, asked at ${exactTime(ear.asked_at)}${Number.isFinite(ear.last_frame_age_s) ? `, newest frame ${span(ear.last_frame_age_s)} before` : ""}`) : null)));
}

function momentPart(one, page) {
  if (!Number.isFinite(ms(one.began_at))) return null;
  const { streams, from, to, kept } = streamsOf(one, page);
  const there = thereOf(one, from, to);
  const lostThere = new Set(there.filter((stream) => stream.stopped).map((stream) => stream.universe));
  // What stopped only at another listener is drawn too, above what that one last heard.
  const went = streams.filter((stream) => stream.stopped || lostThere.has(stream.universe));
  if (!went.length || !(to > from)) return null;
  const others = streams.filter((stream) => !went.includes(stream));
  const shown = [...went.slice(0, MOST_STREAMS - Math.min(8, others.length)), ...others.slice(0, Math.max(8, MOST_STREAMS - went.length))];
  const drawn = shown.flatMap((stream, i) => [stream, ...(shown.findIndex((other) => other.universe === stream.universe) === i ? there.filter((ear) => ear.universe === stream.universe) : [])]);
  const marks = [{ at: ms(one.opened_at), what: "opened", text: "judged a fault" }, ...(one.timeline || []).filter((entry) => entry.what === "revised").map((entry) => ({ at: ms(entry.at), what: "revised", text: entry.text }))];
  return part("The moment it failed", h("p", {}, momentText(streams)),
    moment(drawn, from, to, marks, page.widthPx || 900),
    h("p", { class: "quiet" }, `A line is a stream; where it ends in a cross its data ended. The upright line is when it was judged a fault.${drawn.length > shown.length ? " What another listener hears is drawn below, as far as it was asked." : ""}${shown.length < streams.length ? ` ${plural(streams.length - shown.length, "more stream")} not drawn.` : ""}${kept ? "" : " Drawn from each universe's last frame, as it is known now."}`));
}
