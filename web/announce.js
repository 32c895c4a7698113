// Says transitions, and only transitions, to those who listen to the page.
import { PHASES, causeWords, ranges } from "./words.js";

export class Announcer {
  #polite;
  #urgent;

  constructor(polite, urgent) {
    this.#polite = polite;
    this.#urgent = urgent;
  }

  say(text) { this.#polite.textContent = text; }

  call(text) { this.#urgent.textContent = text; }

  incident(before, after) {
    const where = ranges(after.universes || [], 3);
    if (after.state === "closed") {
      if (before && before.state !== "closed") this.say(`Over: ${after.summary || where}`);
      return;
    }
    if (before && before.state === "open" && !before.returned_at && after.returned_at) {
      this.say(`Back, and watched: ${after.summary || where}`);
      return;
    }
    const returned = before && before.state === "closed";
    const severityChanged = before && before.severity !== after.severity;
    if (before && !returned && !severityChanged && before.cause === after.cause && Boolean(before.acknowledged) === Boolean(after.acknowledged)) return;
    let text = `${after.severity}: ${after.summary || where}`;
    if (before && !returned && before.cause !== after.cause) text = `Cause is now ${causeWords(after.cause)}: ${after.summary || where}`;
    else if (before && !before.acknowledged && after.acknowledged) text = `Acknowledged by ${after.acknowledged.by}: ${after.summary || where}`;
    if (after.severity === "critical" && (!before || returned || severityChanged)) this.call(text);
    else this.say(text);
  }

  phase(after) { this.say(`Phase is now ${after}. ${PHASES[after] || ""}`); }

  stale(isStale) {
    if (isStale) this.call("STALE: nothing new comes from the listener.");
    else this.say("The listener is heard again.");
  }
}
