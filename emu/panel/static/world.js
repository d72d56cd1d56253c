// The world's side: what is wired to the instrument, and what can be made to happen around it.
import { clock, el, mark, shownUnit, write } from "./dom.js";

export class World {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow, ask, wired, kind, address }) {
    this.ask = ask;
    /** @type {{name: string, state: HTMLElement, controls: any[], set: (value: string) => void}[]} */
    this.knobs = [];
    if (kind !== "simulated") {
      place.append(el("p", { class: "aside", text: `A real instrument at ${address}: its world is yours, not this page's.` }));
      return;
    }
    if (wired.title) {
      place.append(el("p", { class: "wired", text: wired.title }), el("p", { class: "aside", text: wired.means ?? "" }));
    }
    const groups = new Map();
    for (const event of vow.events) {
      const word = event.name.split(".")[0];
      const group = groups.get(word) ?? el("div", { class: "group", role: "group", "aria-label": word });
      groups.set(word, group);
      group.append(this.knob(event));
    }
    place.append(...groups.values());
    this.supply = el("input", { type: "checkbox", id: "supply", onchange: async () => {
      const answer = await ask({ do: "power", on: this.supply.checked });
      if (!answer.ok) this.supply.checked = this.powered;
    } });
    this.pin = el("button", { type: "button", class: "quiet", text: "Pull its reset pin", onclick: () => ask({ do: "reset" }) });
    place.append(
      el("div", { class: "group", role: "group", "aria-label": "its own supply" },
        el("div", { class: "knob" }, el("label", { for: "supply", text: "Its own supply is on" }), this.supply), this.pin));
    if (wired.timeline?.length) {
      place.append(el("h3", { text: "Planned" }));
      this.plan = wired.timeline.map((/** @type {any} */ each) => ({
        at: each.at,
        row: el("li", {}, el("span", { class: "at", text: clock(each.at, 0) }), ` ${each.event} ${each.value ?? ""}`),
      }));
      place.append(el("ol", { class: "plan" }, ...this.plan.map((/** @type {any} */ each) => each.row)));
    }
  }

  /** @param {any} event */
  knob(event) {
    const id = `event-${event.name}`;
    const state = el("span", { class: "set", id: `${id}-set` });
    const send = (/** @type {string | null} */ value) => this.ask({ do: "bench", event: event.name, value });
    const head = el(event.choices ? "span" : "label", { id: `${id}-name`, for: event.choices ? null : id, text: event.name, title: event.means });
    const means = el("p", { class: "means", id: `${id}-means`, text: event.means });
    let box;
    let controls;
    let set = (/** @type {string} */ _value) => {};
    if (event.choices) {
      controls = event.choices.map((/** @type {string} */ word) =>
        el("input", { type: "radio", name: id, value: word, id: `${id}-${word}`, onchange: () => send(word) }));
      box = el("span", { class: "choice", role: "radiogroup", "aria-labelledby": `${id}-name`, "aria-describedby": `${id}-means` },
        ...controls.flatMap((/** @type {any} */ radio) => [radio, el("label", { for: radio.id, text: radio.value })]));
      set = (value) => controls.forEach((/** @type {any} */ radio) => (radio.checked = radio.value === value));
      if (event.base) set(event.base);
    } else if (event.unit !== undefined) {
      const field = el("input", { id, type: "text", inputmode: "decimal", autocomplete: "off", placeholder: event.base ?? "", "aria-describedby": `${id}-means ${id}-set` });
      const button = el("button", { type: "submit", text: "Set", "aria-label": `Set ${event.name}` });
      controls = [field, button];
      box = el("form", { class: "entry", onsubmit: (/** @type {Event} */ e) => { e.preventDefault(); if (field.value.trim()) send(field.value.trim()); } },
        field, el("span", { class: "unit", text: shownUnit(event.unit) }), button);
    } else {
      controls = [el("button", { type: "button", id, text: "Do it", "aria-label": event.name, onclick: () => send(null) })];
      box = el("span", { class: "entry" }, ...controls);
    }
    this.knobs.push({ name: event.name, state, controls, set });
    return el("div", { class: "knob" }, head, state, means, box);
  }

  /** @param {any} now */
  show(now) {
    for (const knob of this.knobs) {
      const value = now.events[knob.name];
      const text = value === undefined ? "" : `set to ${value}`;
      if (knob.state.textContent !== text) {
        write(knob.state, text);
        if (value !== undefined) knob.set(value);
      }
      for (const control of knob.controls) mark(control, "disabled", !now.mine);
    }
    if (this.supply) {
      if (this.powered !== now.powered) this.supply.checked = this.powered = now.powered;
      mark(this.supply, "disabled", !now.mine);
      mark(this.pin, "disabled", !now.mine || !now.powered);
    }
    for (const each of this.plan ?? []) mark(each.row, "data-past", now.t >= each.at);
  }
}
