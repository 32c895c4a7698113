// Time as this page knows it. Ages run on the browser's own clock, so that they still rise when nothing arrives.

export const STALE_AFTER_S = 5;

/** This browser's time in ms since 1970, on its steady clock: setting the wall clock does not move it. */
export function browserNow() {
  return performance.timeOrigin + performance.now();
}

const WINDOW_MS = 600000; // two clocks drift apart by 60 ms in ten minutes at 100 ppm: forgetting keeps up with it

/** Follows the listener's clock through what it sends; `ageS` grows when it is silent, or when what it
 *  sends stops being new. The smallest difference of the clocks in a window is skew plus quickest delivery. */
export class Knowledge {
  #current = Infinity; // smallest (browser - listener) of this window, in ms
  #before = Infinity; // of the window before
  #windowMs = 0;
  #at = NaN;

  hear(listenerMs, browserMs) {
    if (!Number.isFinite(listenerMs)) return;
    if (listenerMs < this.#at - 2000) { // its clock was set back
      this.#current = Infinity;
      this.#before = Infinity;
    }
    if (!(listenerMs <= this.#at) || this.#offset() === Infinity) this.#note(browserMs - listenerMs, browserMs);
    this.#at = listenerMs;
  }

  /** The listener's clock by an answer's own date, which has whole seconds: at most one second too late. */
  tell(dateMs, browserMs) {
    if (Number.isFinite(dateMs)) this.#note(browserMs - dateMs, browserMs);
  }

  #note(offset, browserMs) {
    if (browserMs - this.#windowMs > WINDOW_MS) {
      this.#before = this.#current;
      this.#current = Infinity;
      this.#windowMs = browserMs;
    }
    this.#current = Math.min(this.#current, offset);
  }

  #offset() { return Math.min(this.#current, this.#before); }

  known() { return Number.isFinite(this.#at); }

  /** The moment of the newest knowledge, on the listener's clock (ms since 1970). */
  at() { return this.#at; }

  /** What the listener's clock should say now. */
  now(browserMs) { return this.known() ? browserMs - this.#offset() : browserMs; }

  ageS(browserMs) { return this.known() ? Math.max(0, (browserMs - this.#offset() - this.#at) / 1000) : NaN; }

  stale(browserMs) { return this.known() && this.ageS(browserMs) > STALE_AFTER_S; }

  /** Whole seconds by which this browser's wall clock runs ahead of the listener's. */
  skewS(wallMs, browserMs) { return this.known() ? Math.round((wallMs - this.now(browserMs)) / 1000) : 0; }
}

let zone;
/** Show times in the house's own time zone where it is known. */
export function useZone(name) {
  try {
    new Intl.DateTimeFormat("en-GB", { timeZone: name });
    zone = name || undefined;
  } catch (unknown) {
    zone = undefined;
  }
  formats.clear();
  twice.clear();
}

const formats = new Map();
function format(kind, options, locale = "en-GB") {
  if (!formats.has(kind)) formats.set(kind, new Intl.DateTimeFormat(locale, { timeZone: zone, hourCycle: "h23", ...options }));
  return formats.get(kind);
}

/** ISO text or ms to ms; NaN for nothing. */
export function ms(moment) {
  if (moment === null || moment === undefined || moment === "") return NaN;
  return typeof moment === "number" ? moment : Date.parse(moment);
}

const QUARTER_MS = 900000; // clocks are set at whole quarters of an hour
const twice = new Map(); // quarter of an hour since 1970 -> whether the clock shows it twice, as summer time ends

/** In an hour that comes twice, which of the two a moment is in: " CEST". Else empty. */
function which(at) {
  const quarter = Math.floor(at / QUARTER_MS);
  if (!twice.has(quarter)) {
    if (twice.size > 999) twice.clear();
    const shown = (step) => format("wall", { day: "numeric", hour: "2-digit", minute: "2-digit" }).format((quarter + step) * QUARTER_MS);
    twice.set(quarter, [-8, -4, -2, 2, 4, 8].some((step) => shown(step) === shown(0)));
  }
  return twice.get(quarter) ? ` ${zoneName(at)}` : "";
}

/** What a clock on the wall shows, where its zone stands beside it. */
export function face(moment) {
  const at = ms(moment);
  return Number.isFinite(at) ? format("clock", { hour: "2-digit", minute: "2-digit", second: "2-digit" }).format(at) : "–";
}

export function clockTime(moment) {
  const at = ms(moment);
  return Number.isFinite(at) ? face(at) + which(at) : "–";
}

/** The short name of the zone that every time here is in. */
export function zoneName(moment) {
  const at = ms(moment);
  if (!Number.isFinite(at)) return "";
  // A zone has a short name only in a language of its own people: elsewhere it is "GMT-4".
  const names = ["en-GB", "en-US", "en-AU"].map((locale) => format(locale, { timeZoneName: "short" }, locale).formatToParts(at).find((part) => part.type === "timeZoneName")?.value || "");
  return names.find((name) => !/^GMT[+-]/.test(name)) || names[0];
}

export function hourMinute(moment) {
  const at = ms(moment);
  return Number.isFinite(at) ? format("short", { hour: "2-digit", minute: "2-digit" }).format(at) + which(at) : "–";
}

/** With tenths, for moments that are compared. */
export function exactTime(moment) {
  const at = ms(moment);
  if (!Number.isFinite(at)) return "–";
  return `${face(at)}.${Math.floor((((at % 1000) + 1000) % 1000) / 100)}${which(at)}`;
}

export function dayTime(moment) {
  const at = ms(moment);
  if (!Number.isFinite(at)) return "–";
  const day = format("day", { weekday: "short", day: "numeric", month: "short" }).format(at);
  return `${day}, ${clockTime(at)}`;
}
