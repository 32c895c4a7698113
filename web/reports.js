// What has been: incidents of a stretch of time, counted and listed, and where the written report comes from.
import { h } from "./tree.js";
import { dayTime, ms } from "./clock.js";
import { items } from "./feed.js";
import { severityMark } from "./marks.js";
import { night } from "./night.js";
import { lastedS } from "./verdict.js";
import { awaiting, part, table, top } from "./parts.js";
import { causeWords, plural, ranges, ruleWords, span } from "./words.js";

const STRETCHES = [["4", "4 hours"], ["12", "12 hours"], ["24", "day"], ["168", "week"], ["720", "30 days"]];

export default { title: () => "Reports", draw };

function draw(page) {
  const hours = page.local.hours || "12";
  if (page.local.sinceFor !== hours) {
    // Fixed when chosen: an address that moves each second would be another question each second.
    page.local.sinceFor = hours;
    page.local.since = new Date(page.nowMs - Number(hours) * 3600000).toISOString();
  }
  const entry = page.use(`/api/v1/incidents?state=all&limit=500&since=${encodeURIComponent(page.local.since)}`, 15);
  const rows = items(entry.value, "incidents").sort((a, b) => ms(b.began_at) - ms(a.began_at));
  const marks = items(page.use(`/api/v1/marks?since=${encodeURIComponent(page.local.since)}`, 15).value, "marks");
  const report = page.use(`/api/v1/report?format=json&since=${encodeURIComponent(page.local.since)}`, 30);
  const alarms = rows.filter((row) => row.severity !== "note");
  const chosen = STRETCHES.find(([value]) => value === hours)[1];
  return [
    entry.value === undefined ? top("Reports.") : top(alarms.length ? `${plural(alarms.length, "incident")} in the last ${chosen}.` : `Nothing went wrong in the last ${chosen}.`,
      rows.length > alarms.length ? `And ${plural(rows.length - alarms.length, "note")}.` : "As far as this listener was running and could see."),
    awaiting(entry, "Incidents"),
    h("fieldset", { key: "stretch", class: "stretch no-print" }, h("legend", {}, "How far back"), STRETCHES.map(([value, words]) => h("label", { key: value, class: "choice" },
      h("input", { type: "radio", name: "stretch", value, init: { checked: value === hours }, onchange: () => { page.local.hours = value; page.redraw(); } }), h("span", {}, words)))),
    report.value && report.value.since ? part("The night", night(report.value, page)) : null,
    rows.length ? part("By rule", byRule(rows, page)) : null,
    rows.length ? part("Each incident", table("Incidents", [{ name: "Began" }, { name: "Lasted" }, { name: "Severity" }, { name: "What" }, { name: "Where" }, { name: "Acknowledged by" }], rows.map((row) =>
      h("tr", { key: row.id },
        h("th", { scope: "row" }, dayTime(row.began_at)), h("td", {}, row.closed_at ? span(lastedS(row, page.feed, page.nowMs)) : "still open"), h("td", {}, severityMark(row.severity)),
        h("td", { class: "text" }, h("a", { href: `/incident/${row.id}` }, row.summary || ruleWords(row.rule)), row.cause ? h("span", { class: "quiet block" }, `${causeWords(row.cause)}, confidence ${row.confidence}`) : null),
        h("td", {}, ranges(row.universes || [], 4) || "–"), h("td", {}, row.acknowledged ? row.acknowledged.by : "–"))))) : null,
    marks.length ? part("Marked moments", h("ul", { class: "plain ruled" }, marks.slice(0, 100).map((mark, i) => h("li", { key: i }, `${dayTime(mark.at)} “${mark.text}”${mark.by ? `, ${mark.by}` : ""}`)))) : null,
    part("The written report", h("p", {}, "For the stage manager's file: times, what failed, who acknowledged it, what was not judged."), h("p", { class: "no-print" }, h("a", { class: "button", href: `/api/v1/report?since=${encodeURIComponent(page.local.since)}`, download: "report.html" }, `The report of the last ${chosen}`), " ",
        h("a", { class: "button", href: `/api/v1/report?format=csv&since=${encodeURIComponent(page.local.since)}`, download: "report.csv" }, "As a table for a spreadsheet")),
      h("p", {}, "Or on the computer that listens:"), h("pre", { tabindex: "0" }, h("code", {}, "slotwatch report --since 18:00 > report.html")),
      h("p", { class: "no-print" }, h("button", { type: "button", onclick: () => window.print() }, "Print this page instead"))),
  ];
}

function byRule(rows, page) {
  const groups = new Map();
  for (const row of rows) {
    if (!groups.has(row.rule)) groups.set(row.rule, []);
    groups.get(row.rule).push(row);
  }
  return h("ul", { class: "plain ruled" }, [...groups].sort((a, b) => b[1].length - a[1].length).map(([rule, theirs]) => h("li", { key: rule },
    h("strong", {}, `${ruleWords(rule)} `), `${theirs.length === 1 ? "once, for" : `${theirs.length} times, together for`} ${span(theirs.reduce((sum, row) => sum + lastedS(row, page.feed, page.nowMs), 0))}; ${ranges([...new Set(theirs.flatMap((row) => row.universes || []))], 6) || "no universe by name"}.`)));
}
