// The words of the page, in one place: a state reads the same on every view.

/** Universe states, worst first: word, and whether it is one that a person should look at. */
export const STATES = {
  lost: { word: "lost", look: true },
  missing: { word: "missing", look: true },
  faulty: { word: "faulty", look: true },
  "not-judged": { word: "not judged", look: true },
  returning: { word: "returning", look: false },
  "on-backup": { word: "on backup", look: true },
  "not-sent": { word: "not sent", look: false },
  "not-visible": { word: "not visible", look: false },
  "at-rest": { word: "at rest", look: false },
  steady: { word: "steady", look: false },
};
export const WORST_FIRST = Object.keys(STATES);

export const PHASES = {
  dark: "Nothing is expected. Losses are only noted.",
  "get-in": "Leads are pulled and racks restarted. Losses are only noted.",
  rehearsal: "Sources restart and patches change. Losses are one severity lower.",
  "pre-show": "Everything declared must be present. Full alarms. Look only; touch nothing.",
  show: "The audience is in. Full alarms. Look only; touch nothing.",
  "post-show": "An ordered shutdown is under way. Losses are only noted.",
};

/** How severe alarms are in a phase: a change to a lower one is asked twice. */
export const ALARMS = { dark: 0, "get-in": 0, "post-show": 0, rehearsal: 1, "pre-show": 2, show: 2 };

/** States in which frames of a universe arrive at this port. */
export const ARRIVING = new Set(["steady", "at-rest", "on-backup", "returning", "faulty"]);
/** States in which frames of a universe are due and do not arrive. */
export const GONE = new Set(["lost", "missing"]);

export { LISTENER_RULES } from "./rulesets.js";

export function stateWord(state) {
  return STATES[state] ? STATES[state].word : String(state);
}

export function causeWords(cause) {
  return cause ? String(cause).replaceAll("-", " ") : "";
}

export function ruleWords(rule) {
  return String(rule || "").replaceAll("-", " ");
}

export function plural(n, one, many) {
  return `${count(n)} ${n === 1 ? one : many || one + "s"}`;
}

/** "a", "a and b", "a, b and c". */
export function list(words) {
  if (words.length < 2) return words.join("");
  return `${words.slice(0, -1).join(", ")} and ${words[words.length - 1]}`;
}

export function hertz(value) {
  return Number.isFinite(value) ? `${value.toFixed(1)} Hz` : "no rate";
}

export function milliseconds(value) {
  if (!Number.isFinite(value)) return "–";
  if (value >= 10000) return `${(value / 1000).toFixed(1)} s`;
  return value >= 100 ? `${Math.round(value)} ms` : `${value.toFixed(1)} ms`;
}

export function count(value) {
  return Number.isFinite(value) ? Math.round(value).toLocaleString("en-GB").replaceAll(",", "\u202f") : "–";
}

/** A length of time as people say it: coarse when long, exact when it matters. */
export function span(seconds) {
  if (!Number.isFinite(seconds)) return "an unknown time";
  const s = Math.max(0, seconds);
  if (s < 10) return `${s.toFixed(1)} s`;
  if (s < 120) return `${Math.round(s)} s`;
  const minutes = Math.floor(s / 60);
  if (minutes < 120) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return `${hours} h ${String(minutes % 60).padStart(2, "0")} min`;
  return plural(Math.floor(hours / 24), "day");
}

/** Level of a slot in percent, 255 as full. */
export function percent(level) {
  if (!Number.isFinite(level)) return "not sent";
  return level >= 255 ? "full" : `${Math.round((level / 255) * 100)} %`;
}

/** Split `e131/12@A` into its parts. */
export function parts(name) {
  const match = /^([a-z0-9]+)\/(\d+)(?:@(.+))?$/.exec(name || "");
  return match ? { protocol: match[1], number: Number(match[2]), network: match[3] || "" } : { protocol: name, number: NaN, network: "" };
}

/** Universes as ranges: `e131/1–4, e131/7`; sets of names stay short whatever their number. */
export function ranges(names, most = Infinity) {
  const groups = new Map();
  for (const name of names) {
    const { protocol, number, network } = parts(name);
    const key = `${protocol}|${network}`;
    if (!groups.has(key)) groups.set(key, []);
    if (Number.isFinite(number)) groups.get(key).push(number);
  }
  const texts = [];
  for (const [key, numbers] of groups) {
    const [protocol, network] = key.split("|");
    for (const [first, last] of runs(numbers)) {
      texts.push(`${protocol}/${first}${last > first ? `–${last}` : ""}${network ? `@${network}` : ""}`);
    }
  }
  if (texts.length <= most) return texts.join(", ");
  return `${texts.slice(0, most).join(", ")} and ${texts.length - most} more`;
}

/** Sorted numbers as [first, last] pairs of what is unbroken. */
export function runs(numbers) {
  const found = [];
  for (const number of [...new Set(numbers)].sort((a, b) => a - b)) {
    const open = found[found.length - 1];
    if (open && number === open[1] + 1) open[1] = number;
    else found.push([number, number]);
  }
  return found;
}

/** "4th time": how often something happened, its first time included. */
export function nthTime(times) {
  const tens = times % 100;
  const ending = tens > 10 && tens < 14 ? "th" : { 1: "st", 2: "nd", 3: "rd" }[times % 10] || "th";
  return `${times}${ending} time`;
}

/** The first letter large: a phrase at the start of a sentence. */
export function capital(text) {
  return text ? text.charAt(0).toUpperCase() + text.slice(1) : "";
}

/** A long summary as its first clause and the rest: a headline stays one that is read at arm's length. */
export function clauses(text) {
  const whole = sentence(text);
  if (whole.length < 90) return [whole, ""];
  const cut = /^(.{20,}?)([.:;])\s+(.+)$/.exec(whole);
  return cut ? [`${cut[1]}${cut[2] === "." ? "." : ":"}`, cut[3].charAt(0).toUpperCase() + cut[3].slice(1)] : [whole, ""];
}

export function sentence(text) {
  const trimmed = String(text || "").trim();
  if (!trimmed) return "";
  return /[.!?…]$/.test(trimmed) ? trimmed : `${trimmed}.`;
}
