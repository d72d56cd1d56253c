// The states, the ways between them, the present one lit.
import { el, svg, write } from "./dom.js";

const WIDE = 450;
const HIGH = 340;
const BOX = { w: 112, h: 34 };

export class States {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow }) {
    this.vow = vow;
    this.lit = "";
    this.ways = ways(vow);
    const count = vow.states.length;
    // On an ellipse, the initial state at the left, in the document's order.
    const at = vow.states.map((/** @type {any} */ _s, /** @type {number} */ i) => {
      const angle = Math.PI + (2 * Math.PI * i) / count;
      return { x: WIDE / 2 + Math.cos(angle) * (WIDE / 2 - BOX.w / 2 - 8), y: HIGH / 2 + Math.sin(angle) * (HIGH / 2 - BOX.h / 2 - 10) };
    });
    const places = new Map(vow.states.map((/** @type {any} */ s, /** @type {number} */ i) => [s.name, at[i]]));
    this.arrows = this.ways.map((way) => {
      const arrow = svg("path", { class: `way ${way.kind}`, d: curve(places.get(way.from), places.get(way.to)) });
      return { way, arrow };
    });
    this.boxes = vow.states.map((/** @type {any} */ state, /** @type {number} */ i) => {
      const { x, y } = at[i];
      const box = svg("g", { class: `box${state.energised ? " live" : ""}`, transform: `translate(${x} ${y})` },
        svg("title", { text: state.means }),
        svg("rect", { x: -BOX.w / 2, y: -BOX.h / 2, width: BOX.w, height: BOX.h, rx: 6 }),
        svg("text", { "text-anchor": "middle", y: 5, text: `${state.energised ? "▲ " : ""}${state.name}` }));
      return { name: state.name, box };
    });
    const heads = svg("defs", {}, ...["way-head", "way-head-lit"].map((id) =>
      svg("marker", { id, viewBox: "0 0 8 8", refX: 7, refY: 4, markerWidth: 7, markerHeight: 7, orient: "auto-start-reverse" }, svg("path", { d: "M0 0 L8 4 L0 8 Z" }))));
    this.caption = el("p", { class: "means", id: "states-told" });
    place.append(
      svg("svg", { class: "states", viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-labelledby": "states-told" },
        heads, ...this.arrows.map((each) => each.arrow), ...this.boxes.map((/** @type {any} */ each) => each.box)),
      this.caption);
  }

  /** @param {any} now */
  show(now) {
    if (now.state !== this.lit) {
      this.lit = now.state;
      for (const { name, box } of this.boxes) box.classList.toggle("here", name === now.state);
      for (const { way, arrow } of this.arrows) arrow.classList.toggle("from-here", way.from === now.state);
      const on = this.ways.filter((way) => way.from === now.state).map((way) => `${way.to} (${way.by.join(", ")})`);
      write(this.caption, `Now in ${now.state || "an unknown state"}.${on.length ? ` From here to ${on.join("; ")}.` : ""}`);
    }
  }
}

/** All ways from state to state, those between the same two as one. @param {any} vow */
function ways(vow) {
  /** @type {Map<string, {from: string, to: string, kind: string, by: string[]}>} */
  const found = new Map();
  const add = (/** @type {string} */ from, /** @type {string} */ to, /** @type {string} */ by, /** @type {string} */ kind) => {
    if (from === to) return;
    const way = found.get(`${from} ${to}`) ?? { from, to, kind, by: [] };
    way.by.push(by);
    found.set(`${from} ${to}`, way);
  };
  for (const action of vow.actions) for (const [from, to] of Object.entries(action.to)) add(from, /** @type {string} */ (to), action.name, "asked");
  for (const state of vow.states) for (const leave of state.leaves) add(state.name, leave.to, leave.when ?? `after ${leave.after} s`, "itself");
  for (const trip of vow.trips) for (const from of trip.in) add(from, trip.to, `trip ${trip.name}`, "trip");
  return [...found.values()];
}

/** From the edge of one box to that of another, bent to the right of its way. @param {any} a @param {any} b */
function curve(a, b) {
  const dx = b.x - a.x;
  const dy = b.y - a.y;
  const far = Math.hypot(dx, dy);
  const bend = Math.min(26, far / 8);
  const mid = { x: (a.x + b.x) / 2 - (dy / far) * bend, y: (a.y + b.y) / 2 + (dx / far) * bend };
  const from = edge(a, mid);
  const to = edge(b, mid);
  return `M${from.x.toFixed(1)} ${from.y.toFixed(1)} Q${mid.x.toFixed(1)} ${mid.y.toFixed(1)} ${to.x.toFixed(1)} ${to.y.toFixed(1)}`;
}

/** Where the line from a box's middle leaves the box. @param {any} box @param {any} to */
function edge(box, to) {
  const dx = to.x - box.x;
  const dy = to.y - box.y;
  const share = Math.min(Math.abs((BOX.w / 2 + 2) / (dx || 1e-9)), Math.abs((BOX.h / 2 + 2) / (dy || 1e-9)));
  return { x: box.x + dx * share, y: box.y + dy * share };
}
