// Every point of the document: readings with their values, settings with a field to put another.
import { el, mark, shownUnit, write } from "./dom.js";
import { compute } from "./formula.js";

export class Points {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow, ask, tell }) {
    this.vow = vow;
    /** @type {any[]} */
    this.rows = [];
    const search = el("input", { type: "search", id: "find-point", "aria-label": "Find a point", placeholder: "Find a point", oninput: () => this.filter(search.value.trim().toLowerCase()) });
    place.append(search);
    /** @type {Map<string, any>} */
    const bodies = new Map();
    for (const point of vow.points) {
      if (point.kind === "record") continue;
      const word = point.name.split(".")[0];
      const body = bodies.get(word) ?? el("tbody", {});
      bodies.set(word, body);
      const row = this.row(point, ask, tell);
      body.append(row.row);
      this.rows.push(row);
    }
    place.append(el("table", { class: "points" }, el("thead", {}, el("tr", {}, ...["Point", "Value", "Put", "What it is"].map((text) => el("th", { scope: "col", text })))), ...bodies.values()));
  }

  /** @param {any} point @param {any} ask @param {any} tell */
  row(point, ask, tell) {
    const id = `put-${point.name}`;
    const value = el("td", { class: "number" });
    const range = el("p", { class: "means", id: `${id}-range` });
    const cell = el("td", { class: "put" });
    /** @type {any[]} */
    let controls = [];
    if (point.settable) {
      const field = point.choices.length
        ? el("select", { id, "aria-label": `${point.name}, new value`, "aria-describedby": `${id}-range` }, ...point.choices.map((/** @type {string} */ word) => el("option", { value: word, text: word })))
        : el("input", { id, type: "text", inputmode: "decimal", autocomplete: "off", "aria-label": `${point.name}, new value in ${shownUnit(point.unit) || "counts"}`, "aria-describedby": `${id}-range` });
      const button = el("button", { type: "submit", text: "Put", "aria-label": `Put ${point.name}` });
      controls = [field, button];
      cell.append(el("form", { class: "entry", onsubmit: async (/** @type {Event} */ event) => {
        event.preventDefault();
        const wanted = field.value.trim();
        if (!wanted) return;
        const answer = await ask({ do: "put", name: point.name, value: wanted });
        if (answer.ok && answer.text.startsWith("ok") && !point.choices.length) field.value = "";
        tell(`put ${point.name} ${wanted}`, answer);
      } }, field, button), range);
    }
    const row = el("tr", {}, el("th", { scope: "row", text: point.name }), value, cell, el("td", { class: "means", text: point.means }));
    return { point, value, range, controls, row, shown: undefined };
  }

  /** @param {string} text */
  filter(text) {
    for (const { point, row } of this.rows) mark(row, "hidden", !(point.name + point.means).toLowerCase().includes(text));
  }

  /** @param {any} now */
  show(now) {
    const lookup = (/** @type {string} */ name) => now.value(name);
    for (const each of this.rows) {
      const { point, value, range, controls } = each;
      const text = now.values[point.name];
      const unit = shownUnit(point.unit);
      write(value, text === undefined ? "—" : `${text.replace(/^-/, "−")}${unit ? ` ${unit}` : ""}`);
      if (!point.settable) continue;
      const barred = point.setIn && now.state && !point.setIn.includes(now.state);
      const why = barred ? `not in ${now.state}` : now.taken;
      for (const control of controls) mark(control, "disabled", why !== "" || !now.mine || !now.powered);
      if (point.choices.length) {
        if (each.shown !== text && text !== undefined) controls[0].value = each.shown = text;
        write(range, why);
      } else {
        const low = point.low ? Math.max(point.least, compute(point.low.tree, lookup) ?? point.least) : point.least;
        const high = point.high ? Math.min(point.most, compute(point.high.tree, lookup) ?? point.most) : point.most;
        write(range, why || `${low.toFixed(point.digits)} to ${high.toFixed(point.digits)} ${unit}`);
      }
    }
  }
}
