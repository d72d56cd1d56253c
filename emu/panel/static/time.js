// How fast time passes for the instrument.
import { clock, el, mark, write } from "./dom.js";

const SPEEDS = [1, 2, 5, 10, 60, 100, 1000];
const STEPS = /** @type {[string, number][]} */ ([["0.1 s", 0.1], ["1 s", 1], ["1 min", 60], ["1 h", 3600]]);

export class Time {
  /** @param {Element} place @param {any} context */
  constructor(place, { ask, kind }) {
    this.times = 1;
    this.reading = el("output", { class: "instant", "aria-label": "The instrument's time" });
    place.replaceChildren(this.reading);
    if (kind !== "simulated") return;
    this.pause = el("button", { type: "button", id: "pause", onclick: () => ask({ do: "speed", times: this.times ? 0 : this.wanted() }) });
    this.speed = el("select", { id: "speed", "aria-label": "How fast time passes", onchange: () => ask({ do: "speed", times: this.wanted() }) });
    for (const times of SPEEDS) this.speed.append(el("option", { value: times, text: `${times}×` }));
    this.steps = el("span", { class: "steps", hidden: true, role: "group", "aria-label": "Let time pass" });
    for (const [text, seconds] of STEPS) {
      this.steps.append(el("button", { type: "button", class: "quiet", text: `+${text}`, onclick: () => ask({ do: "advance", seconds }) }));
    }
    place.append(this.pause, this.speed, this.steps);
  }

  wanted() {
    return Number(this.speed.value);
  }

  /** @param {any} now */
  show(now) {
    write(this.reading, clock(now.t));
    if (!this.pause) return;
    if (now.times && now.times !== this.times) this.speed.value = String(now.times);
    this.times = now.times;
    write(this.pause, now.times ? "Hold time" : "Let time run");
    mark(this.steps, "hidden", now.times !== 0);
    for (const control of [this.pause, this.speed, ...this.steps.children]) mark(control, "disabled", !now.mine);
  }
}
