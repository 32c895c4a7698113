// What each rule means: its sentence, its numbers with their sources, and what to look at.
import { h } from "./tree.js";
import { items } from "./feed.js";
import { severityMark } from "./marks.js";
import { awaiting, facts, part, table, top } from "./parts.js";
import { capital, ruleWords, span } from "./words.js";

export default {
  title: (page) => (page.route.rule ? `Rule ${ruleWords(page.route.rule)}` : "Rules"),
  draw(page) {
    const entry = page.use("/api/v1/rules", 60);
    if (entry.value === undefined) return [top("Rules."), awaiting(entry, "The rules")];
    const rules = items(entry.value, "rules");
    const name = page.route.rule;
    if (!name) return whole(rules);
    const rule = rules.find((one) => one.rule === name);
    return rule ? one(rule) : [top(`There is no rule “${name}”.`), h("p", {}, h("a", { href: "/rules" }, "All rules"))];
  },
};

/** A sentence of the table with its places as words in brackets. */
function plain(sentence) { return sentence.replaceAll(/ ?\{([a-z_]+)\}/g, (found, name) => ` [${name.replaceAll("_", " ")}]`).trim(); }

function whole(rules) {
  const classes = [...new Set(rules.map((rule) => rule.class))];
  return [
    top(`${rules.length} rules are judged all the time.`, "Each has its page: what it reports, its numbers with their sources, and what to look at."),
    classes.map((name) => part(`Class ${name}`, h("ul", { class: "lines" }, rules.filter((rule) => rule.class === name).map((rule) => h("li", { key: rule.rule, class: "line" },
      h("div", { class: "margin" }, severityMark(rule.severity)), h("p", { class: "body" }, h("a", { href: `/rules/${rule.rule}` }, ruleWords(rule.rule)), " ", h("span", { class: "quiet" }, plain(rule.sentence)))))))),
  ];
}

function one(rule) {
  return [
    top(`${capital(ruleWords(rule.rule))}.`, plain(rule.sentence)),
    h("div", { key: "under", class: "under" }, severityMark(rule.severity, "in show"), facts([
      ["Class", rule.class], ["Raised", rule.on_delay_s ? `after its condition has held for ${span(rule.on_delay_s)}` : "as soon as its condition holds"], ["Closed", `${span(rule.off_delay_s)} after it no longer holds`], ["Source", rule.source]])),
    part("What to look at", rule.next_checks.length ? h("ol", { class: "steps" }, rule.next_checks.map((text, i) => h("li", { key: i }, text))) : h("p", {}, "Nothing is suggested."),
      rule.next_checks_quiet.length ? [h("h3", { key: "t" }, "Outside pre-show and show also"), h("p", { key: "c", class: "quiet" }, "Lights may move or go out: first make sure that the rig is clear. Work on mains is for a competent person, isolated, under local rules."),
        h("ul", { key: "l" }, rule.next_checks_quiet.map((text, i) => h("li", { key: i }, text)))] : null),
    rule.thresholds.length ? part("Its numbers", table("Numbers of this rule", [{ name: "Number" }, { name: "Value", number: true }, { name: "What it is" }, { name: "Source" }],
      rule.thresholds.map((row) => h("tr", { key: row.name }, h("th", { scope: "row" }, row.name.replace(/_(s|ms|ns|hz|ratio|percent|db)$/, " ($1)").replaceAll("_", " ")), h("td", { class: "number" }, String(row.value)), h("td", { class: "text" }, row.text), h("td", { class: "text" }, row.source))))) : null,
    part("Severity in each phase", table("Severity by phase", [{ name: "Phase" }, { name: "Severity" }],
      Object.entries(rule.severity_by_phase).map(([phase, severity]) => h("tr", { key: phase }, h("th", { scope: "row" }, phase), h("td", {}, severityMark(severity)))))),
    (rule.causes || []).length ? part("Causes it distinguishes", h("ul", { class: "plain ruled" }, rule.causes.map((row) => h("li", { key: row.cause }, h("strong", {}, row.cause.replaceAll("-", " ")), `: ${row.text}`)))) : null,
    h("p", { key: "all" }, h("a", { href: "/rules" }, "All rules")),
  ];
}
