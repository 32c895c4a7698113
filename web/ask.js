// Questions that wait for a person: another phase, the token, and who it is that acknowledges.
import { h, patch } from "./tree.js";
import { ask, rememberToken } from "./feed.js";
import { ALARMS, PHASES } from "./words.js";

let state = {};

function dialog() { return document.getElementById("ask"); }

function draw(tree) { patch(dialog(), tree); }

function show() {
  dialog().setAttribute("aria-labelledby", "ask-title");
  dialog().showModal();
}

function close() { dialog().close(); }

// However it was closed, nothing of a question is left to be found, least of all a typed token. The event
// comes late: by then another question may have been opened.
dialog().addEventListener("close", () => {
  if (dialog().open) return;
  draw([]);
  dialog().removeAttribute("aria-labelledby");
});

/** Run a change; where the listener asks for the token, ask the person and try once more. Throws the rest. */
export async function change(path, options) {
  try {
    return await ask(path, options);
  } catch (error) {
    if (error.status !== 401 && error.status !== 403) throw error;
    if (!(await askToken(error.message))) throw error;
    return ask(path, options);
  }
}

/** Ask for the phase; with `wanted` only whether it is that one now. */
export function askPhase(current, done, wanted) {
  state = { chosen: wanted || current, error: "", busy: false, step: wanted ? "confirm" : "choose" };
  const redraw = () => draw(phaseTree(current, redraw, done));
  redraw();
  show();
}

function phaseTree(current, redraw, done) {
  const fewer = ALARMS[state.chosen] < ALARMS[current];
  const send = async () => {
    state.busy = true;
    redraw();
    try {
      await change("/api/v1/house/phase", { method: "PUT", body: { phase: state.chosen, confirm: true } });
      close();
      done(state.chosen);
    } catch (error) {
      Object.assign(state, { busy: false, error: error.message });
      redraw();
    }
  };
  const same = state.chosen === current;
  return [
    h("h2", { id: "ask-title", key: "title" }, state.step === "confirm" ? `Change the phase from ${current} to ${state.chosen}?` : "What is the house doing?"),
    state.step === "choose"
      ? h("form", { key: "choose", method: "dialog", onsubmit: (event) => { event.preventDefault(); if (!same) { state.step = "confirm"; redraw(); } } },
        h("fieldset", {}, h("legend", { class: "unseen" }, "Phase"),
          Object.entries(PHASES).map(([phase, meaning]) => h("label", { key: phase, class: "choice" },
            h("input", { type: "radio", name: "phase", value: phase, init: { checked: phase === current }, onchange: () => { state.chosen = phase; redraw(); } }),
            h("span", {}, h("strong", {}, phase), " ", h("span", { class: "quiet" }, meaning))))),
        h("div", { class: "row" },
          h("button", { type: "submit", class: "main", disabled: same }, same ? `It is ${current} now` : `Change to ${state.chosen}`),
          h("button", { type: "button", onclick: close }, "Cancel")))
      : h("div", { key: "confirm" },
        h("p", {}, PHASES[state.chosen]),
        fewer ? h("p", { class: "warned" }, "This lowers the severity of losses. Open incidents get their new severity at once.") : h("p", {}, "Open incidents get their new severity at once."),
        state.error ? h("p", { class: "error", role: "alert" }, state.error) : null,
        h("div", { class: "row" },
          h("button", { type: "button", class: "main", disabled: state.busy, onclick: send, init: { autofocus: true } }, `Yes, change to ${state.chosen}`),
          h("button", { type: "button", onclick: close }, "Cancel"))),
  ];
}

/** Ask before something is done: `texts` say what it means; a refusal is shown in the listener's own words. */
export function askFirst({ title, texts, yes, run }) {
  const now = { busy: false, error: "" };
  const redraw = () => draw([
    h("h2", { id: "ask-title", key: "first-title" }, title),
    h("div", { key: "first" },
      texts.map((text, i) => h("p", { key: i }, text)),
      now.error ? h("p", { class: "error", role: "alert", key: "error" }, now.error) : null,
      h("div", { class: "row", key: "row" },
        h("button", { type: "button", class: "main", disabled: now.busy, onclick: send }, yes),
        h("button", { type: "button", onclick: close, init: { autofocus: true } }, "Cancel"))),
  ]);
  const send = async () => {
    now.busy = true;
    redraw();
    try {
      await run();
      close();
    } catch (error) {
      Object.assign(now, { busy: false, error: error.message });
      redraw();
      // The token's own question may have taken this one's place.
      if (!dialog().open) show();
    }
  };
  redraw();
  show();
}

/** Ask who it is, once: the name is remembered by this browser. */
export function askName(use) {
  const submit = (event) => {
    event.preventDefault();
    const by = String(new FormData(event.target).get("by") || "").trim();
    if (!by) return;
    close();
    use(by);
  };
  draw([
    h("h2", { id: "ask-title", key: "name-title" }, "Who has it?"),
    h("form", { key: "name", onsubmit: submit },
      h("label", { for: "by" }, "Your name"),
      h("input", { id: "by", name: "by", required: true, maxlength: 60, autocomplete: "name" }),
      h("p", { class: "quiet" }, "This browser remembers it for the next time."),
      h("div", { class: "row" }, h("button", { type: "submit", class: "main" }, "I have it"), h("button", { type: "button", onclick: close }, "Cancel"))),
  ]);
  show();
}

function askToken(why) {
  return new Promise((resolve) => {
    let given = false;
    const submit = (event) => {
      event.preventDefault();
      const value = new FormData(event.target).get("token");
      if (!value) return;
      rememberToken(String(value));
      given = true;
      close();
    };
    const wasOpen = dialog().open;
    if (wasOpen) close();
    draw([
      h("h2", { id: "ask-title", key: "token-title" }, "This change needs the house's token"),
      h("form", { key: "token", onsubmit: submit },
        h("p", {}, why),
        h("label", { for: "token" }, "Token"),
        h("input", { id: "token", name: "token", type: "password", autocomplete: "off", required: true }),
        h("p", { class: "quiet" }, "It is kept in this tab only, until the tab closes."),
        h("div", { class: "row" }, h("button", { type: "submit", class: "main" }, "Use it"), h("button", { type: "button", onclick: close }, "Cancel"))),
    ]);
    const answered = () => {
      if (dialog().open) return; // the end of the question before this one
      dialog().removeEventListener("close", answered);
      resolve(given);
    };
    dialog().addEventListener("close", answered);
    show();
  });
}
