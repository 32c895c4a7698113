// Who sends.
import { h } from "./tree.js";
import { ms, dayTime } from "./clock.js";
import { items } from "./feed.js";
import { awaiting, part, table, top } from "./parts.js";
import { sorted } from "./glance.js";
import { wayMap } from "./way.js";
import { count, hertz, plural, ranges, span } from "./words.js";

export default {
  title: () => "Sources",
  draw(page) {
    const entry = page.use("/api/v1/sources", 1);
    const receivers = page.use("/api/v1/receivers", 2);
    if (entry.value === undefined) return [top("Sources."), awaiting(entry, "Sources")];
    const rows = items(entry.value, "sources");
    page.feed.takeNames(rows);
    const nowMs = page.nowMs;
    const live = rows.filter((row) => sends(row, nowMs));
    const strangers = live.filter((row) => !row.declared_as && !row.own_bridge).length;
    return [
      top(rows.length ? `${plural(live.length, "source")} ${live.length === 1 ? "is" : "are"} heard.` : "No source has been heard.",
        rows.length ? more(live.length, strangers, rows.length - live.length) : "A source is listed from its first packet on."),
      awaiting(entry, "Sources"),
      page.feed.universes.size ? part("From source to receiver", wayMap(sorted(page.feed), rows, items(receivers.value, "receivers"), page)) : null,
      rows.length ? part("Who they are", rows.map((row) => one(row, nowMs))) : null,
      part("Receivers", receiverTable(receivers, nowMs)),
    ];
  },
};

function more(live, strangers, silent) {
  const words = [];
  if (live) words.push(strangers ? `${strangers} of them ${strangers === 1 ? "is" : "are"} not declared.` : "All are declared.");
  if (silent) words.push(`${silent} ${live ? "more " : ""}${silent === 1 ? "is" : "are"} silent.`);
  return words.join(" ");
}

/** Whether a source sends levels to any network now; of one that names no network, whether it was seen lately. */
function sends(row, nowMs) {
  return (row.legs || []).length ? row.legs.some((leg) => leg.state === "live") : (nowMs - ms(row.last_seen_at)) / 1000 < 12;
}

function one(row, nowMs) {
  const silent = (nowMs - ms(row.last_seen_at)) / 1000;
  const name = row.name || row.declared_as || row.source_name || row.source;
  return h("article", { key: `${row.source} ${row.address} ${row.network || ""}`, class: `entry${row.declared_as || row.own_bridge ? "" : " is-note"}` },
    h("div", { class: "margin" }, h("p", {}, sends(row, nowMs) ? "heard now" : silent < 12 ? "sends no levels" : `silent for ${span(silent)}`), h("p", { class: "quiet" }, row.protocol)),
    h("div", { class: "body" },
      h("h3", {}, name, row.own_bridge || row.declared_as ? null : h("span", { class: "quiet" }, " not declared")),
      row.own_bridge ? h("p", {}, "This computer's own bridge: it sends what the ", h("a", { href: "/routes" }, "routes"), " of the house file say.") : null,
      h("p", {}, `Sends ${row.universes && row.universes.length ? ranges(row.universes, 12) : "no levels"}${Number.isFinite(row.refresh_hz) ? ` at ${hertz(row.refresh_hz)}` : ""}${row.priority ? `, priority ${row.priority}` : ""}; ${row.lost_frames ? `${count(row.lost_frames)} frames missing by sequence` : "no frame missing"}.`),
      legs(row, nowMs),
      h("p", { class: "quiet" }, [row.source_name && row.source_name !== name ? `calls itself “${row.source_name}”` : "", (row.legs || []).length > 1 ? "" : `at ${row.address}`, (row.legs || []).length === 1 && row.legs[0].place ? `on port ${row.legs[0].place.port} of switch ${row.legs[0].place.switch}` : "", row.cid ? `CID ${row.cid}` : "", row.first_seen_at ? `first heard ${dayTime(row.first_seen_at)}` : ""].filter(Boolean).join("; ")),
      (row.listed_undeclared || []).length ? h("p", {}, `Its discovery list names ${ranges(row.listed_undeclared, 12)}, which the house file does not declare.`) : null,
      (row.odd || []).length ? h("p", { class: "quiet" }, `Understood, but not as the standard specifies: ${row.odd.map((word) => String(word).toLowerCase().replaceAll("_", " ")).join(", ")}.`) : null));
}

/** A source that sends to several networks has a lead to each: what each of them does. */
function legs(row, nowMs) {
  if (!row.legs || row.legs.length < 2) return null;
  return h("ul", {}, row.legs.map((leg, i) => h("li", { key: i }, `${leg.network || "one network"}: ${leg.state === "live" ? "sends" : String(leg.state || "").replaceAll("-", " ")} ${ranges(leg.universes || [], 6)}, from ${leg.address}${leg.last_frame_at && leg.state !== "live" ? `, last frame ${span((nowMs - ms(leg.last_frame_at)) / 1000)} ago` : ""}${leg.place ? `, on port ${leg.place.port} of switch ${leg.place.switch}` : ""}`)));
}

function receiverTable(entry, nowMs) {
  const rows = items(entry.value, "receivers");
  if (!rows.length) return awaiting(entry, "Receivers") || h("p", { class: "quiet" }, "No receiver is declared. With [[receivers]] in the house file this page says which gateways and racks still answer.");
  return table("Receivers and whether they answer", [{ name: "Receiver" }, { name: "It is" }, { name: "Address" }, { name: "Universes" }, { name: "When data stops" }], rows.map((row, i) =>
    h("tr", { key: row.name || i }, h("th", { scope: "row" }, row.name), h("td", {}, row.text || String(row.state || "not judged").replaceAll("-", " "), row.last_seen_at ? h("span", { class: "quiet block" }, `answered ${span((nowMs - ms(row.last_seen_at)) / 1000)} ago`) : null),
      h("td", {}, row.address, row.place ? h("span", { class: "quiet block" }, `port ${row.place.port} of switch ${row.place.switch}`) : null), h("td", {}, ranges(row.universes || [], 6)), h("td", {}, row.on_loss ? `it is set to ${row.on_loss}` : "–"))));
}
