// This listener's own health: what must be in order before its judgements can be trusted.
import { h } from "./tree.js";
import { clockTime } from "./clock.js";
import { askingNow } from "./head.js";
import { isBlind, openIncidents, tally } from "./verdict.js";
import { incidentLines } from "./incidentlist.js";
import { awaiting, facts, part, top } from "./parts.js";
import { LISTENER_RULES, count, list, plural, span } from "./words.js";

export default {
  title: () => "This listener",
  draw(page) {
    const entry = page.use("/api/v1/house", 2);
    const house = { ...page.feed.house, ...(entry.value || {}) };
    const own = openIncidents(page.feed).filter((incident) => LISTENER_RULES.has(incident.rule) && incident.severity !== "note");
    const problems = house.faults || [];
    const health = house.listener || {};
    const skew = page.feed.knowledge.skewS(Date.now(), page.browserMs);
    const connected = page.feed.connected;
    const here = tally(page.feed);
    const blind = isBlind(here);
    return [
      top((health.trouble || []).length && !own.length ? "This listener watches, but not all of it works." : own.length ? `This listener has ${plural(own.length, "fault")} of its own.` : blind ? `Blind: 0 of ${count(here.due)} universes seen from this port.` : problems.length ? "The house file on disk was refused; the one read before still runs." : "This listener is in order, as far as it can tell.",
        house.vantage === "mirror" ? "It listens at a mirror port: it sees what is sent to others as well." : "It listens at an ordinary port: unicast to others is not visible from this port."),
      awaiting(entry, "Its health"),
      (health.trouble || []).length ? part("What it cannot do now", h("ul", {}, health.trouble.map((text, i) => h("li", { key: i }, text)))) : null,
      blind ? part("Why nothing may be seen", h("ol", { class: "steps" },
        h("li", { key: "lead" }, "Look at this computer's lead, and at the interface that the house file names under [listen]."),
        h("li", { key: "artnet" }, "Art-Net is mostly sent by unicast, which an ordinary port does not see. With artnet_subscribe = true senders also send here; a mirror port sees everything."),
        h("li", { key: "groups" }, "E1.31 arrives only if its groups are joined: join = \"declared\" joins those of the declared universes."))) : null,
      own.length ? part("Its own faults", incidentLines(own, page, 10, true)) : null,
      problems.length ? part("The house file was refused", h("p", {}, "The one read before still runs. Correct these, then read the file again."),
        h("ul", {}, problems.map((text, i) => h("li", { key: i }, typeof text === "string" ? text : text.text || JSON.stringify(text))))) : null,
      part("What it is", facts([
        ["House", house.name], ["House file", house.house_file], ["Version", house.version], ["Host", house.host], ["Vantage", house.vantage],
        ["Networks", (house.networks || []).map((one) => (typeof one === "string" ? one : one.name)).join(", ")],
        ["Running for", Number.isFinite(house.uptime_s) ? span(house.uptime_s) : house.uptime !== undefined ? span(Number(house.uptime)) : null],
        ["This page", connected ? `live, ${page.feed.received} messages so far` : "not connected; it tries again by itself"],
        ["This browser's clock", Math.abs(skew) > 1 ? `${Math.abs(skew)} s ${skew > 0 ? "ahead of" : "behind"} the listener's; ages here allow for that` : "agrees with the listener's"],
      ])),
      part("What it sends or asks", h("ul", { class: "plain ruled" }, doing(page, house, health).map((text, i) => h("li", { key: i }, text)))),
      part("Its own state", tree(health)),
      part("What it counted and did not use", unused(health)),
      part("Change", h("p", {}, "Reading the house file again keeps everything known about streams; a file with faults is refused."), reload(page),
        h("p", { class: "quiet" }, "Numbers for other systems: ", h("a", { href: "/metrics" }, "metrics"), ". The same facts without scripts: ", h("a", { href: "/plain" }, "the plain page"), ".")),
    ];
  },
};

/** What this computer puts onto a network, one sentence for each thing; one sentence also where it only listens. */
function doing(page, house, health) {
  const sentences = [];
  if (house.subscribes) {
    const node = health.node || {};
    sentences.push(["This listener asks for data: it answers polls as an Art-Net node, so that senders also send the declared universes here. ",
      node.waiting ? "It was switched on during pre-show or show. It waits until the audience has left." : Number.isFinite(node.replies) ? `${count(node.replies)} answered so far.` : ""]);
  }
  const sends = [...new Set(house.sends || [])];
  if (sends.length) sentences.push([`This computer sends ${plural(sends.length, "universe")}: ${list(sends.slice(0, 12))}${sends.length > 12 ? " and more" : ""}. `, h("a", { href: "/routes" }, "Routes")]);
  const asking = askingNow(page);
  if (asking) sentences.push([`It is asking fixtures what they are, until ${clockTime(asking.ends_at)} at the latest. `, h("a", { href: "/fixtures-asked" }, "What they answer")]);
  if (!sentences.length) sentences.push("It only listens: it joins multicast groups and sends nothing else to the show network.");
  if (!asking) sentences.push([h("a", { href: "/fixtures-asked" }, "Ask fixtures what they are"), ", if the house file allows it."]);
  return sentences;
}

function reload(page) {
  const run = async () => {
    try {
      await page.change("/api/v1/house/reload", { method: "POST", body: {} });
      page.local.reloaded = "The house file was read again.";
    } catch (error) {
      page.local.reloaded = error.message;
    }
    page.redraw();
  };
  return [h("p", { key: "b" }, h("button", { type: "button", onclick: run }, "Read the house file again")), h("p", { role: "status", key: "s" }, page.local.reloaded || "")];
}

/** Plain values in words; whatever the listener measures of itself is shown, known to this page or not. */
function tree(value) {
  const entries = Object.entries(value || {});
  if (!entries.length) return h("p", { class: "quiet" }, "It has not reported its state yet.");
  return facts(entries.filter(([key]) => !["trouble", "asking", "node"].includes(key) && !(key in UNUSED)).map(([key, one]) => [words(key), (SPOKEN[key] && each(one, SPOKEN[key])) || valueWords(one, key)]));
}

/** What the program counted and could not use, or let go: one and many of it, and why. */
const UNUSED = {
  kernel_drops: ["packet", "packets", "dropped by the kernel before being read"],
  rows_lost: ["packet", "packets", "overwritten in memory before being judged"],
  captures_failed: ["capture", "captures", "around incidents could not be written"],
  lines_dropped_frames: ["frame", "frames", "of tapped lines dropped before being read"],
  routes_own_packets: ["packet", "packets", "of its own came back on a route's input"],
  routes_refused_packets: ["packet", "packets", "of sources past the 64 that a route's input merges"],
  routes_discarded_packets: ["packet", "packets", "on routes' inputs discarded by E1.31's sequence rule"],
  routes_skipped_packets: ["packet", "packets", "left out by the routes, which were too far behind"],
  routes_unsent_packets: ["packet", "packets", "of routes that the network refused to send"],
  node_unanswered_polls: ["Art-Net poll", "Art-Net polls", "not answered: too many came at once"],
  serial_ports_reopened: ["time", "times", "a serial port was opened again after it had gone"],
  page_dropped_streams: ["page", "pages", "cut off because they did not keep up"],
};

function unused(health) {
  const known = Object.entries(UNUSED).filter(([key]) => Number.isFinite(health[key]));
  const some = known.filter(([key]) => health[key] > 0);
  return [
    some.length ? h("ul", { class: "plain ruled", key: "some" }, some.map(([key, [one, many, why]]) => h("li", { key }, `${count(health[key])} ${health[key] === 1 ? one : many} ${why}.`))) : null,
    h("p", { class: "quiet", key: "none" }, some.length ? "All its other counts are 0." : "Nothing so far: no packet, frame or poll was lost, refused, late or left out."),
  ];
}

/** What deserves better words than its own keys. */
const SPOKEN = {
  links: (link) => [link.up ? "up" : "down", (link.addresses || []).join(" and "), link.speed_mbps ? `${link.speed_mbps} Mbit/s` : "", link.switch_port].filter(Boolean).join(", "),
  queriers: (querier) => {
    if (!querier.watched) return `not watched${querier.reason ? `: ${querier.reason}` : ""}`;
    return querier.address ? `${querier.address}${Number.isFinite(querier.silent_s) ? `, heard ${span(querier.silent_s)} ago` : ""}` : "none heard";
  },
};

function each(value, speak) {
  if (!value || typeof value !== "object" || Object.values(value).some((one) => !one || typeof one !== "object")) return "";
  return Object.entries(value).map(([name, one]) => `${name} ${speak(one)}`).join("; ");
}

function words(key) {
  const text = key.replace(/_(s|ms|ns|bytes|hz|a)$/, "").replaceAll("_", " ");
  return text.charAt(0).toUpperCase() + text.slice(1);
}

const UNITS = /_(bytes|ms|s)$/;

function valueWords(value, key = "") {
  if (value === null || value === undefined || value === "") return "none";
  if (typeof value === "boolean") return value ? "yes" : "no";
  if (typeof value === "number") {
    if (key.endsWith("_bytes")) return value >= 1048576 ? `${(value / 1048576).toFixed(1)} MiB` : `${Math.round(value / 1024)} KiB`;
    if (key.endsWith("_ms")) return `${value} ms`;
    if (key.endsWith("_s")) return span(value);
    return String(Math.round(value * 1000) / 1000);
  }
  if (Array.isArray(value)) return value.length ? list(value.slice(0, 12).map((one) => valueWords(one, key))) : "none";
  if (typeof value === "object" && typeof value.text === "string") return value.text || (value.ok ? "in order" : "not in order");
  if (typeof value === "object") return flat(value, key) || "none";
  return String(value);
}

/** Parts that hold something, each with its name; a part without a unit of its own has its whole's. */
function flat(value, unit) {
  return Object.entries(value).filter(([, one]) => one !== null && one !== "" && !(Array.isArray(one) && !one.length)).map(([key, one]) => {
    const name = key.replace(UNITS, "").replaceAll("_", " ");
    if (one === true) return name;
    if (one === false) return `not ${name}`;
    return `${name}${typeof one === "object" && !Array.isArray(one) ? ":" : ""} ${valueWords(one, UNITS.test(key) ? key : unit)}`;
  }).join(", ");
}
