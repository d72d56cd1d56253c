// The state, and the readings that protections and limits speak of most, large; each over a rule on which its
// thresholds stand.
import { el, mark, shownUnit, svg, write } from "./dom.js";
import { compute, thresholds } from "./formula.js";

export class Figures {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow }) {
    this.vow = vow;
    this.state = el("p", { class: "state", id: "state" });
    this.means = el("p", { class: "means" });
    this.power = el("p", { class: "power" });
    this.last = el("p", { class: "last" });
    place.append(el("div", { class: "standing" }, this.state, this.power, this.means, this.last));
    this.row = el("div", { class: "figures" });
    place.append(this.row);
    this.figures = vow.leading.map((/** @type {string} */ name) => this.figure(vow.points.find((/** @type {any} */ p) => p.name === name)));
  }

  /** @param {any} point */
  figure(point) {
    const value = el("span", { class: "value", id: `value-${point.name}` });
    const marks = svg("g", {});
    const hand = svg("path", { class: "hand", d: "M0 0 L-5 -9 L5 -9 Z" });
    const rule = svg("svg", { class: "rule", viewBox: "0 0 200 26", "aria-hidden": "true", preserveAspectRatio: "none" },
      svg("path", { class: "line", d: "M4 13 H196" }), marks, hand);
    const told = el("p", { class: "means near" });
    this.row.append(
      el("div", { class: "figure" }, el("p", { class: "name", text: point.name, title: point.means }),
        el("p", { class: "large" }, value, el("span", { class: "unit", text: shownUnit(point.unit) })), rule, told));
    return { point, value, rule, marks, hand, told, drawn: "" };
  }

  /** @param {any} now */
  show(now) {
    const state = this.vow.states.find((/** @type {any} */ each) => each.name === now.state);
    write(this.state, now.powered ? now.state || "unknown" : "without supply");
    write(this.means, now.powered ? (state?.means ?? "") : "Its own supply is off.");
    write(this.power, state?.energised && now.powered ? "▲ handles power" : "");
    const last = now.values[this.vow.lastTripPoint];
    write(this.last, last && last !== "none" ? `last trip: ${last}` : "");
    mark(this.last, "hidden", !last || last === "none");
    for (const figure of this.figures) this.draw(figure, now);
  }

  /** @param {any} figure @param {any} now */
  draw(figure, now) {
    const { point } = figure;
    const text = now.values[point.name];
    write(figure.value, text === undefined ? "—" : text.replace("-", "−"));
    const value = (/** @type {string} */ name) => now.value(name);
    const found = bounds(this.vow, point.name, value);
    const here = Number(text);
    mark(figure.rule, "hidden", text === undefined || !found.length);
    mark(figure.told, "hidden", text === undefined || !found.length);
    if (text === undefined || !found.length) return;
    const ats = found.map((each) => each.at);
    // From below the lowest threshold, or zero, to above the highest, or the reading itself.
    const low = Math.min(0, ...ats, here);
    const high = Math.max(...ats, here, low + point.step);
    const x = (/** @type {number} */ v) => 8 + (184 * (v - low)) / (high - low);
    figure.hand.setAttribute("transform", `translate(${x(here).toFixed(1)} 13)`);
    const drawn = found.map((each) => `${each.name}${x(each.at).toFixed(1)}`).join();
    if (drawn !== figure.drawn) {
      figure.drawn = drawn;
      figure.marks.replaceChildren(...found.map((each) => svg("path", { class: each.trip ? "trip" : "limit", d: each.trip ? `M${x(each.at)} 6 V24 M${x(each.at) - 4} 24 H${x(each.at) + 4}` : `M${x(each.at)} 9 V19` })));
    }
    const ahead = found.map((each) => ({ ...each, room: each.above ? each.at - here : here - each.at })).sort((a, b) => a.room - b.room)[0];
    const word = ahead.trip ? "trip" : "limit";
    const digits = Math.min(point.digits, 3);
    write(figure.told, ahead.room >= 0 ? `${ahead.room.toFixed(digits)} ${shownUnit(point.unit)} to ${word} ${ahead.name}` : `beyond ${word} ${ahead.name}`);
  }
}

/** Where trips and limits stand for a reading. @param {any} vow @param {string} name @param {any} value */
export function bounds(vow, name, value) {
  /** @type {{name: string, at: number, above: boolean, trip: boolean}[]} */
  const found = [];
  const state = value(vow.statePoint);
  for (const trip of vow.trips) {
    if (!trip.in.includes(state)) continue;
    for (const each of thresholds(trip.when.tree, name, value)) found.push({ name: trip.name, trip: true, ...each });
  }
  for (const limit of vow.limits) {
    if (limit.of !== name || (limit.in && !limit.in.includes(state))) continue;
    for (const [bound, above] of [[limit.low, false], [limit.high, true]]) {
      const at = bound && compute(bound.tree, value);
      if (typeof at === "number") found.push({ name: limit.name, trip: false, at, above });
    }
  }
  return found;
}
