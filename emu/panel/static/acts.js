// What can be done. A button that would be refused stays reachable and says why.
import { el, mark, write } from "./dom.js";
import { compute } from "./formula.js";

export class Acts {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow, ask, tell }) {
    this.told = el("p", { class: "means", id: "acts-told", role: "status" });
    const row = el("div", { class: "acts", role: "group", "aria-label": "What can be done" });
    this.acts = vow.actions.map((/** @type {any} */ action) => {
      const why = el("span", { class: "hidden", id: `why-${action.name}` });
      const explain = () => write(this.told, `${action.name}: ${action.means}${why.textContent ? ` Not now: ${why.textContent}.` : ""}`);
      const button = el("button", { type: "button", id: `act-${action.name}`, "aria-describedby": why.id, onfocus: explain, onmouseenter: explain, onclick: async () => {
        if (button.getAttribute("aria-disabled") === "true") return;
        const given = action.many ? { number: number.valueAsNumber } : {};
        tell(`act ${action.name}${action.many ? ` ${number.value}` : ""}`, await ask({ do: "act", name: action.name, ...given }));
      } }, action.energises ? "▲ " : null, action.name);
      const number = el("input", { type: "number", min: "0", max: String(action.many - 1), value: "0", "aria-label": `Number for ${action.name}` });
      if (action.name === vow.safe) button.classList.add("safe");
      row.append(button, ...(action.many ? [number] : []), why);
      return { action, button, why };
    });
    place.append(row, this.told);
  }

  /** @param {any} now */
  show(now) {
    for (const { action, button, why } of this.acts) {
      const reason = refusal(action, now);
      mark(button, "aria-disabled", reason ? "true" : null);
      write(why, reason);
    }
  }
}

/** Why an action would be refused; empty if it would not, as far as is known. @param {any} action @param {any} now */
function refusal(action, now) {
  if (!now.mine) return "this page has not the controls";
  if (!now.powered) return "it has no supply";
  if (now.state && !(now.state in action.to)) return `not in ${now.state}`;
  if (action.guard && compute(action.guard.tree, (/** @type {string} */ name) => now.value(name)) === false) return `needs ${action.guard.text}`;
  return now.taken;
}
