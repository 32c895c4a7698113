// The switches of the house as a tree, from the listener's own outwards: what is connected to which port.
import { h } from "./tree.js";
import { clockTime, dayTime, ms } from "./clock.js";
import { awaiting, part, top } from "./parts.js";
import { count, list, plural, span } from "./words.js";

export default {
  title: () => "Network",
  draw(page) {
    const entry = page.use("/api/v1/network", 2);
    const { switches = [], neighbours = [] } = entry.value || {};
    if (entry.value === undefined) return [top("The network."), awaiting(entry, "The network")];
    return [
      top(...headline(switches)),
      awaiting(entry, "The network"),
      switches.length ? part("Switches", tree(switches, page.nowMs)) : null,
      switches.length ? null : part("How to see switches", h("p", {}, "With [[switches]] in the house file this page shows which port each source is on, and what the ports count. Switches are asked by SNMP, and nothing is ever set on them.")),
      part("This listener", here(neighbours, page.nowMs)),
    ];
  },
};

/** One sentence that answers, and one more: silent switches first, then ports with something on them. */
function headline(switches) {
  if (!switches.length) return ["No switch is declared."];
  const silent = switches.filter((one) => !one.answers);
  const down = mattering(switches).filter(({ one, port }) => one.answers && !port.up);
  const counted = mattering(switches).filter(({ port }) => counts(port));
  const sentences = [];
  if (down.length) sentences.push(`${list(down.map(({ one, port }) => `Port ${port.port} of ${one.name}`))} ${down.length === 1 ? "is" : "are"} down.`);
  if (silent.length) sentences.push(`${list(silent.map((one) => one.name))} ${silent.length === 1 ? "does" : "do"} not answer.`);
  if (counted.length) sentences.push(`${plural(counted.length, "port")} ${counted.length === 1 ? "counts" : "count"} errors or discarded frames.`);
  if (!sentences.length) return [`${plural(switches.length, "switch", "switches")} ${switches.length === 1 ? "answers" : "answer"}.`, "Nothing is wrong on the ports that the show depends on."];
  return [sentences[0], sentences.slice(1).join(" ")];
}

function mattering(switches) {
  return switches.flatMap((one) => one.ports.filter((port) => port.matters).map((port) => ({ one, port })));
}

/** Errors of tonight: since the last show began, or since this listener began to watch where there was none. */
function counts(port) {
  return port.counted_show === null ? port.counted : port.counted_show;
}

/** The switch that this listener is connected to is the root; without one, the first of the house file. */
function tree(switches, nowMs) {
  const left = new Map(switches.map((one) => [one.name, one]));
  const roots = [];
  const take = (one, from) => {
    left.delete(one.name);
    const ports = shown(one, from).map((port) => {
      const next = port.leads_to && port.leads_to !== from ? left.get(port.leads_to) : null;
      return { port, next: next ? take(next, one.name) : null };
    });
    return { one, ports, from };
  };
  while (left.size) roots.push(take([...left.values()].find((one) => one.own) || left.values().next().value, ""));
  return h("ul", { class: "switches" }, roots.map((root) => branch(root, nowMs)));
}

/** Ports that matter, or that have something on them with a name; the others are counted. */
function shown(one, from) {
  return one.ports.filter((port) => (port.matters || port.hangs.length || port.uplink) && (port.leads_to !== from || !from || troubles(port, NaN).length));
}

function branch({ one, ports, from }, nowMs) {
  const idle = one.ports.filter((port) => !port.matters && !port.hangs.length && !port.uplink);
  const up = idle.filter((port) => port.up).length;
  return h("li", { key: one.name },
    h("h3", {}, one.name, one.own ? h("span", { class: "quiet" }, " this listener is connected to it") : null),
    h("p", { class: one.answers ? "quiet" : "trouble" }, stateOf(one, nowMs)),
    ports.length ? h("ul", { class: "ports" }, ports.map(({ port, next }) => h("li", { key: port.port },
      portLine(port, from, nowMs), next ? h("ul", { class: "switches" }, branch(next, nowMs)) : null))) : null,
    idle.length ? h("p", { class: "quiet" }, `${plural(idle.length, ports.length ? "more port" : "port")}, ${up} of them up: nothing of the show is connected there.`) : null);
}

function stateOf(one, nowMs) {
  if (!one.answers) return `Does not answer${one.reason ? `: ${one.reason}` : ""}. ${one.last_answer_at ? `What is shown here is as of ${dayTime(one.last_answer_at)}.` : "It has not answered yet."}`;
  const details = [`at ${one.address}`, one.up_since ? `up for ${span((nowMs - ms(one.up_since)) / 1000)}` : ""];
  if (one.restarted_at) details.push(`restarted ${dayTime(one.restarted_at)}`);
  if (one.querier) details.push(`multicast querier ${one.querier}`);
  return details.filter(Boolean).join(", ");
}

function portLine(port, from, nowMs) {
  const name = [h("strong", { key: "n" }, `Port ${port.port}`), port.description && port.description !== port.port ? h("span", { class: "quiet", key: "d" }, ` ${port.description}`) : null];
  const hangs = port.leads_to ? `${port.leads_to === from ? "back to" : "to"} switch ${port.leads_to}` : port.hangs.length ? list(port.hangs) : port.uplink ? "to another switch" : "nothing known";
  const facts = [port.up ? speed(port) : null, port.power === "delivering" ? "supplies power" : null].filter(Boolean);
  const trouble = troubles(port, nowMs);
  return h("p", { class: "port" }, name, ": ", hangs, facts.length ? h("span", { class: "quiet" }, ` ${facts.join(", ")}`) : null,
    trouble.length ? h("span", { class: "trouble block" }, `${trouble.join("; ")}.`) : null);
}

function speed(port) {
  if (!Number.isFinite(port.speed_mbps)) return "up";
  return port.speed_mbps >= 1000 ? `${port.speed_mbps / 1000} Gbit/s` : `${port.speed_mbps} Mbit/s`;
}

/** What is wrong with a port now, and what changed on it; nothing where all is well. */
function troubles(port, nowMs) {
  const troubles = [];
  const changed = port.changed_at ? `since ${clockTime(port.changed_at)}` : "";
  if (!port.up) troubles.push(`Down ${changed}`.trim());
  else if (port.changed_at && nowMs - ms(port.changed_at) < 86400000) troubles.push(`Up again ${changed}${port.changes > 2 ? `, after ${plural(port.changes, "change")}` : ""}`);
  if (port.up && port.half_duplex) troubles.push("At half duplex");
  if (port.up && port.speed_mbps !== null && port.speed_mbps <= 10) troubles.push("At 10 Mbit/s or less");
  if (port.power === "fault") troubles.push("Its power has a fault");
  const errors = counts(port);
  if (errors) troubles.push(`${count(errors)} errors or discarded frames ${port.counted_show === null ? "since this listener began to watch" : "since the last show began"}`);
  return troubles;
}

function here(neighbours, nowMs) {
  if (!neighbours.length) return h("p", { class: "quiet" }, "No switch announces itself by LLDP at this computer's own leads.");
  return h("ul", { class: "plain ruled" }, neighbours.map((one, i) => h("li", { key: i },
    `${one.network}: port ${one.port}${one.description && one.description !== one.port ? ` (${one.description})` : ""} of switch ${one.switch}`,
    h("span", { class: "quiet block" }, `announced ${span((nowMs - ms(one.last_seen_at)) / 1000)} ago${one.management_address ? `, management address ${one.management_address}` : ""}${one.vlan ? `, VLAN ${one.vlan}` : ""}`))));
}
