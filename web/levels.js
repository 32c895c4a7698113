// Levels over time around an incident: the slots that moved most, source by source, from what was recorded.
import { h } from "./tree.js";
import { exactTime, ms } from "./clock.js";
import { items } from "./feed.js";
import { awaiting, part } from "./parts.js";
import { percent, plural } from "./words.js";

const PITCH = 40;
const TALL = 26;
const MOST_CHOICES = 24;

export function levelsPart(incident, page) {
  const universes = (incident.universes || []).slice(0, MOST_CHOICES);
  if (!universes.length || incident.packets !== true) return null; // not asked for before it is known that there are any
  const chosen = universes.includes(page.local.levelsOf) ? page.local.levelsOf : universes[0];
  const entry = page.use(`/api/v1/incidents/${incident.id}/levels?universe=${encodeURIComponent(chosen)}`, 30);
  const fixtures = items(page.use("/api/v1/fixtures", 30).value, "fixtures").filter((one) => one.universe === chosen.replace(/@.*$/, ""));
  return part("Levels around it",
    universes.length > 1 ? h("label", { class: "find", key: "which" }, h("span", {}, "Universe"),
      h("select", { onchange: (event) => { page.local.levelsOf = event.target.value; page.redraw(); } }, universes.map((name) => h("option", { key: name, value: name }, name)))) : null,
    entry.status === 404 ? h("p", { class: "quiet", key: "none" }, "No packets are kept for it, or they are still being recorded.") : awaiting(entry, "Levels"),
    entry.value ? drawn(entry.value, incident, fixtures, page) : null);
}

function drawn(found, incident, fixtures, page) {
  const from = ms(found.from);
  const to = ms(found.to);
  const rows = (found.sources || []).flatMap((source) => source.slots.map((slot) => ({ ...slot, by: page.feed.sourceName(source.source) })));
  if (!rows.length || !(to > from)) return h("p", { class: "quiet", key: "empty" }, "No level above zero was recorded on it.");
  const width = Math.max(300, Math.min(1200, Math.floor(page.widthPx || 900)));
  const narrow = width < 620;
  const left = narrow ? 2 : 250;
  const pitch = narrow ? PITCH + 18 : PITCH;
  const height = rows.length * pitch + 24;
  const x = (when) => left + ((when - from) / (to - from)) * (width - left - 8);
  const marks = [[ms(incident.began_at), "began"], [ms(incident.opened_at), "opened"]].filter(([at]) => at >= from && at <= to);
  return [
    h("p", { key: "text" }, levelsText(found, rows)),
    h("svg", { key: "picture", class: "picture over-time", viewBox: `0 0 ${width} ${height}`, width, height, role: "img", "aria-label": levelsText(found, rows) },
      marks.map(([at, what]) => h("path", { key: what, class: `moment-mark is-${what}`, d: `M${x(at).toFixed(1)} 2V${height - 20}` })),
      rows.map((row, i) => {
        const y = i * pitch + (narrow ? 22 : 6);
        const known = row.values.filter((level) => level !== null);
        return h("g", { key: `${row.by} ${row.slot}` },
          h("text", { class: "row-label", x: 0, y: narrow ? y - 6 : y + TALL - 6 }, nameOf(row, fixtures)),
          h("path", { class: "base", d: `M${left} ${y + TALL + 0.5}H${width - 8}` }),
          h("path", { class: "line", d: steps(row.values, left, (width - left - 8) / row.values.length, y) }),
          h("title", {}, `${nameOf(row, fixtures)}: ${percent(Math.min(...known))} to ${percent(Math.max(...known))}`));
      }),
      [0, 0.5, 1].map((share) => h("text", { key: `t${share}`, class: "axis", x: left + share * (width - left - 8), y: height - 4, "text-anchor": share === 0 ? "start" : share === 1 ? "end" : "middle" }, exactTime(from + share * (to - from))))),
    h("p", { key: "note", class: "quiet" }, `As commanded, not as seen. Where a line ends, no frame came.${found.left_out ? " The recording holds more than is drawn." : ""}`),
  ];
}

/** Steps of one slot; where no frame came for a while the line is broken. */
function steps(values, left, step, y) {
  let d = "";
  let last = -Infinity;
  values.forEach((level, i) => {
    if (level === null) return;
    const up = (y + TALL - (level / 255) * TALL).toFixed(1);
    // A source at rest sends about once a second: a few empty steps are not a gap.
    d += `${i - last > 12 ? "M" : "L"}${(left + i * step).toFixed(1)} ${up}H${(left + (i + 1) * step).toFixed(1)}`;
    last = i;
  });
  return d || "M0 0";
}

function nameOf(row, fixtures) {
  const fixture = fixtures.find((one) => row.slot >= one.address && row.slot < one.address + (one.footprint || 1));
  const role = fixture && (fixture.slots || []).find((one) => one.slot === row.slot);
  const name = fixture ? `${fixture.fixture} ${role ? role.role || "" : ""}` : "";
  return `slot ${row.slot}${name ? ` ${name.trim()}` : ""}, ${row.by}`.slice(0, 40);
}

export function levelsText(found, rows) {
  const names = new Set(rows.map((row) => row.by));
  return `${found.universe}: the ${plural(rows.length, "slot")} that moved most, of ${plural(names.size, "source")}, from ${exactTime(found.from)} to ${exactTime(found.to)}.`;
}
