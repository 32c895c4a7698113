// Routes: what this computer itself sends on, and what it does when its input stops.
import { h } from "./tree.js";
import { items } from "./feed.js";
import { awaiting, part, top, universeLink } from "./parts.js";
import { count, milliseconds, parts, plural } from "./words.js";

export default {
  title: () => "Routes",
  draw(page) {
    const entry = page.use("/api/v1/routes", 1);
    if (entry.value === undefined) return [top("Routes."), awaiting(entry, "Routes")];
    const rows = items(entry.value, "routes");
    if (!rows.length) return [top("Nothing is sent from here.", "No route is declared in the house file, so this computer only listens.")];
    return [
      top(headline(rows),
        "What is listed here is sent by this computer."),
      awaiting(entry, "Routes"),
      part("Routes", rows.map((row) => h("article", { key: row.route, class: `entry${row.held || row.trouble ? " is-warning" : ""}` },
        h("div", { class: "margin" }, h("p", {}, String(row.state || "").replaceAll("-", " ")), row.trouble ? h("p", { class: "quiet" }, "output lost") : row.held ? h("p", { class: "quiet" }, "holding") : null),
        h("div", { class: "body" },
          h("h3", {}, row.route),
          h("p", {}, end(row.from), " → ", end(row.to)),
          row.text ? h("p", {}, row.text) : null,
          h("p", { class: "quiet" }, `${count(row.frames)} frames sent${row.latency_ms && Number.isFinite(row.latency_ms.p50) ? `; half within ${milliseconds(row.latency_ms.p50)} of their input, 99 of 100 within ${milliseconds(row.latency_ms.p99)}` : ""}.${unused(row)}`))))),
    ];
  },
};

/** The worst that is true of any route. */
function headline(rows) {
  const of = (some, one, many) => `${plural(some.length, "route")} of ${rows.length} ${some.length === 1 ? one : many}`;
  const lost = rows.filter((row) => row.trouble);
  if (lost.length) return of(lost, "does not reach its output.", "do not reach their outputs.");
  const held = rows.filter((row) => row.held);
  if (held.length) return of(held, "holds its last levels.", "hold their last levels.");
  const dark = rows.filter((row) => row.all_zero);
  if (dark.length) return of(dark, "sends nothing but zeros.", "send nothing but zeros.");
  const idle = rows.filter((row) => ["stopped", "loop", "waiting"].includes(row.state));
  if (idle.length) return of(idle, "sends nothing.", "send nothing.");
  return `${plural(rows.length, "route")}, each as declared.`;
}

/** What of the route's input was not used, and how its line fared; nothing where all was. */
function unused(row) {
  const remarks = [];
  if (row.input_discarded_packets) remarks.push(` ${plural(row.input_discarded_packets, "packet")} of its input came too late by their sequence.`);
  if (row.input_refused_packets) remarks.push(` ${plural(row.input_refused_packets, "packet")} of its input came from sources past the 64 it merges.`);
  if (row.line && row.line.reopened) remarks.push(` Its port was opened again ${plural(row.line.reopened, "time")} after it had gone.`);
  return remarks.join("");
}

/** Where a route comes from or goes to; a universe is a link, an address behind it stays words. */
function end(text) {
  const [name, ...rest] = String(text).split(" ");
  return Number.isFinite(parts(name).number) ? [universeLink(name), rest.length ? ` ${rest.join(" ")}` : ""] : text;
}
