// Readings over time: one strip for each unit, with zoom, two cursors and export.
import { clock, el, mark, shownUnit, write } from "./dom.js";

const SPANS = /** @type {[string, number][]} */ ([["10 s", 10], ["1 min", 60], ["10 min", 600], ["1 h", 3600], ["all", Infinity]]);
const DASHES = [[], [8, 4], [2, 3], [10, 3, 2, 3], [4, 2], [1, 4]];
const STRIP = 128;
const STEPS = 40; // Of a quantity: a strip shows at least so many.

export class Traces {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow }) {
    this.vow = vow;
    this.span = 60;
    /** @type {[number, number] | null} */
    this.window = null;
    /** @type {{a: number | null, b: number | null}} */
    this.cursors = { a: null, b: null };
    this.hover = /** @type {number | null} */ (null);
    this.chosen = new Set(vow.leading);
    this.dirty = true;
    this.charts = /** @type {any[]} */ ([]);
    const button = (/** @type {string} */ text, /** @type {() => void} */ act, /** @type {any} */ more = {}) => el("button", { type: "button", class: "quiet", text, onclick: act, ...more });
    this.spans = SPANS.map(([text, seconds]) => ({ seconds, button: button(text, () => { this.span = seconds; this.window = null; this.redraw(); }) }));
    this.live = button("Follow", () => { this.window = null; this.redraw(); }, { id: "follow" });
    const tools = el("div", { class: "tools", role: "group", "aria-label": "Traces" }, ...this.spans.map((each) => each.button), this.live,
      button("Closer", () => this.zoom(0.5), { id: "closer" }), button("Wider", () => this.zoom(2), { id: "wider" }),
      button("Earlier", () => this.move(-0.25)), button("Later", () => this.move(0.25)),
      button("Cursor A", () => this.place("a"), { id: "cursor-a" }), button("Cursor B", () => this.place("b"), { id: "cursor-b" }),
      button("Clear", () => { this.cursors = { a: null, b: null }; this.redraw(); }),
      button("Export CSV", () => this.export(), { id: "export" }));
    this.strips = el("div", { class: "strips", id: "strips", tabindex: "0", role: "group", "aria-label": "Traces. Arrow keys move, plus and minus zoom, A and B set the cursors, Home follows.", onkeydown: (/** @type {KeyboardEvent} */ e) => this.key(e) });
    this.table = el("div", { class: "cursors", role: "status" });
    const choice = el("details", { class: "choose" }, el("summary", { text: "Which readings" }));
    const list = el("div", { class: "checks" });
    for (const point of vow.points) {
      if (point.unit === undefined) continue;
      const box = el("input", { type: "checkbox", id: `trace-${point.name}`, onchange: () => { if (box.checked) this.chosen.add(point.name); else this.chosen.delete(point.name); this.rebuild(); } });
      box.checked = this.chosen.has(point.name);
      list.append(el("span", {}, box, el("label", { for: box.id, text: point.name })));
    }
    choice.append(list);
    place.append(tools, this.strips, this.table, choice);
    new ResizeObserver(() => this.fit()).observe(this.strips);
    new MutationObserver(() => this.rebuild()).observe(document.documentElement, { attributeFilter: ["data-look"] });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.rebuild());
    this.now = /** @type {any} */ (null);
  }

  /** @param {any} now */
  show(now) {
    this.now = now;
    if (!this.charts.length) this.rebuild();
    if (!this.window && now.history.length !== this.drawn) this.redraw();
    for (const each of this.spans) mark(each.button, "aria-pressed", String(!this.window && each.seconds === this.span));
    mark(this.live, "aria-pressed", String(!this.window));
  }

  rebuild() {
    if (!this.now) return;
    for (const { chart } of this.charts) chart.destroy();
    this.strips.replaceChildren();
    /** @type {Map<string, any[]>} */
    const units = new Map();
    for (const point of this.vow.points) {
      if (!this.chosen.has(point.name)) continue;
      units.set(point.unit, [...(units.get(point.unit) ?? []), point]);
    }
    const style = getComputedStyle(document.documentElement);
    const ink = style.getPropertyValue("--ink-soft").trim();
    const hair = style.getPropertyValue("--hair").trim();
    this.charts = [...units].map(([unit, points], index) => {
      const last = index === units.size - 1;
      const strip = el("figure", { class: "strip" }, el("figcaption", {}, ...points.map((point, i) =>
        el("span", { class: "key" }, dash(i, style), `${point.name}, ${shownUnit(unit) || "count"}`))));
      this.strips.append(strip);
      const axis = { stroke: ink, grid: { stroke: hair, width: 1 }, ticks: { stroke: hair, width: 1 }, font: `${0.75 * parseFloat(style.fontSize)}px system-ui, sans-serif` };
      const chart = new /** @type {any} */ (globalThis).uPlot({
        width: Math.max(200, this.strips.clientWidth), height: STRIP + (last ? 26 : 0), legend: { show: false }, pxAlign: 0, padding: [8, 36, last ? 0 : 8, 0],
        cursor: { sync: { key: "strips" }, drag: { x: true, y: false, setScale: false }, points: { show: false } },
        scales: { x: { time: false }, y: { range: (/** @type {any} */ _u, /** @type {number} */ low, /** @type {number} */ high) => spread(low, high, points) } },
        axes: [{ ...axis, show: last, size: 26, values: (/** @type {any} */ _u, /** @type {number[]} */ ticks) => ticks.map((t) => clock(t, 1)) },
          { ...axis, size: 58, values: (/** @type {any} */ _u, /** @type {number[]} */ ticks) => ticks.map((v) => String(+v.toPrecision(6)).replace("-", "−")) }],
        series: [{}, ...points.map((point, i) => ({ stroke: colour(i, style), width: 1.6, dash: DASHES[i % DASHES.length], points: { show: false }, label: point.name }))],
        hooks: {
          setSelect: [(/** @type {any} */ u) => { if (u.select.width > 4) { this.window = [u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")]; u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); this.redraw(); } }],
          setCursor: [(/** @type {any} */ u) => { if (u.cursor.left >= 0) this.hover = u.posToVal(u.cursor.left, "x"); }],
          draw: [(/** @type {any} */ u) => this.lines(u, style)],
        },
      }, [[], ...points.map(() => [])], strip);
      return { chart, points, last };
    });
    this.redraw();
  }

  fit() {
    for (const { chart, last } of this.charts) {
      const width = Math.max(200, this.strips.clientWidth);
      if (chart.width !== width) chart.setSize({ width, height: STRIP + (last ? 26 : 0) });
    }
  }

  /** What is to be seen: from and to, in the instrument's seconds. @returns {[number, number]} */
  seen() {
    const { history } = this.now;
    if (this.window) return this.window;
    const end = history.length ? history.times[history.length - 1] : 0;
    const first = history.length ? history.times[0] : 0;
    const begin = this.span === Infinity ? first : Math.max(first, end - this.span);
    return [begin, Math.max(end, begin + (this.span === Infinity ? 0.1 : this.span))];
  }

  redraw() {
    if (!this.now) return;
    const { history } = this.now;
    const [from, to] = this.seen();
    this.drawn = history.length;
    // One row more at each side, so that lines run to the edges.
    const begin = Math.max(0, history.at(from) - 1);
    const end = Math.min(history.length, history.at(to) + 1);
    const stride = Math.max(1, Math.ceil((end - begin) / 3000));
    for (const { chart, points } of this.charts) {
      const columns = [history.times, ...points.map((/** @type {any} */ point) => history.columns[history.names.indexOf(point.name)])];
      chart.setData(columns.map((column) => thinned(column, begin, end, stride)), false);
      chart.batch(() => { chart.setScale("x", { min: from, max: to }); });
    }
    this.compare();
  }

  /** The cursors' lines. @param {any} u @param {CSSStyleDeclaration} style */
  lines(u, style) {
    const { ctx, bbox } = u;
    for (const [name, t] of Object.entries(this.cursors)) {
      if (t === null) continue;
      const x = u.valToPos(t, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.save();
      ctx.strokeStyle = ctx.fillStyle = style.getPropertyValue("--accent").trim();
      ctx.setLineDash(name === "a" ? [] : [6, 4]);
      ctx.beginPath();
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
      ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
      ctx.fillText(name.toUpperCase(), x + 4, bbox.top + 12 * devicePixelRatio);
      ctx.restore();
    }
  }

  /** @param {number} factor */
  zoom(factor) {
    const [from, to] = this.seen();
    const middle = this.window ? (from + to) / 2 : to;
    const half = ((to - from) * factor) / 2;
    this.window = this.window ? [middle - half, middle + half] : [to - 2 * half, to];
    this.redraw();
  }

  /** @param {number} share */
  move(share) {
    const [from, to] = this.seen();
    const by = (to - from) * share;
    this.window = [from + by, to + by];
    this.redraw();
  }

  /** @param {"a" | "b"} name */
  place(name) {
    const [from, to] = this.seen();
    const inside = this.hover !== null && this.hover >= from && this.hover <= to;
    this.window = [from, to];
    this.cursors[name] = inside ? this.hover : from + (to - from) * (name === "a" ? 0.33 : 0.67);
    this.redraw();
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const act = { "+": () => this.zoom(0.5), "-": () => this.zoom(2), ArrowLeft: () => this.move(-0.1), ArrowRight: () => this.move(0.1), a: () => this.place("a"), b: () => this.place("b"), Home: () => { this.window = null; this.redraw(); } }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  }

  /** What the readings are at the cursors, and between them. */
  compare() {
    const { a, b } = this.cursors;
    if (a === null && b === null) { this.table.replaceChildren(); return; }
    const { history } = this.now;
    const at = (/** @type {number | null} */ t, /** @type {string} */ name) => {
      if (t === null || !history.length) return NaN;
      return history.columns[history.names.indexOf(name)][Math.min(history.at(t), history.length - 1)];
    };
    const shown = (/** @type {number} */ v, /** @type {any} */ point) => (Number.isNaN(v) ? "" : v.toFixed(point.digits).replace("-", "−"));
    const rows = this.vow.points.filter((/** @type {any} */ p) => this.chosen.has(p.name)).map((/** @type {any} */ point) => {
      const [va, vb] = [at(a, point.name), at(b, point.name)];
      return el("tr", {}, el("th", { scope: "row", text: `${point.name}, ${shownUnit(point.unit) || "count"}` }), ...[va, vb, vb - va].map((v) => el("td", { class: "number", text: shown(v, point) })));
    });
    const head = ["", a === null ? "A" : `A at ${clock(a, 2)}`, b === null ? "B" : `B at ${clock(b, 2)}`, a === null || b === null ? "B − A" : `B − A, ${clock(b - a, 2)}`];
    this.table.replaceChildren(el("table", {}, el("thead", {}, el("tr", {}, ...head.map((text) => el(text ? "th" : "td", text ? { scope: "col", text } : {})))), el("tbody", {}, ...rows)));
  }

  /** What is to be seen, as a table for other programs. */
  export() {
    const { history } = this.now;
    const [from, to] = this.seen();
    const points = this.vow.points.filter((/** @type {any} */ p) => this.chosen.has(p.name));
    const lines = [[`"time, s"`, ...points.map((/** @type {any} */ p) => `"${p.name}, ${p.unit}"`)].join(",")];
    for (let i = history.at(from); i < history.length && history.times[i] <= to; i += 1) {
      lines.push([history.times[i].toFixed(3), ...points.map((/** @type {any} */ p) => {
        const v = history.columns[history.names.indexOf(p.name)][i];
        return Number.isNaN(v) ? "" : v.toFixed(p.digits);
      })].join(","));
    }
    const address = URL.createObjectURL(new Blob([lines.join("\r\n"), "\r\n"], { type: "text/csv" }));
    el("a", { href: address, download: `${this.vow.name}-readings.csv` }).click();
    setTimeout(() => URL.revokeObjectURL(address), 1000);
  }
}

/** The ends of an axis: noise of a few steps is not blown up. @param {number} low @param {number} high @param {any[]} points */
function spread(low, high, points) {
  if (low === null || high === null) return [0, 1];
  const least = STEPS * Math.max(...points.map((point) => point.step));
  const more = Math.max((high - low) * 0.08, (least - (high - low)) / 2);
  return [low - more, high + more];
}

/** @param {number} i @param {CSSStyleDeclaration} style */
function colour(i, style) {
  return style.getPropertyValue(`--trace-${(i % 6) + 1}`).trim();
}

/** How a trace is drawn, for its key. @param {number} i @param {CSSStyleDeclaration} style */
function dash(i, style) {
  const made = document.createElement("canvas");
  [made.width, made.height] = [28, 8];
  const ctx = /** @type {CanvasRenderingContext2D} */ (made.getContext("2d"));
  ctx.strokeStyle = colour(i, style);
  ctx.lineWidth = 2;
  ctx.setLineDash(DASHES[i % DASHES.length]);
  ctx.moveTo(0, 4);
  ctx.lineTo(28, 4);
  ctx.stroke();
  made.setAttribute("aria-hidden", "true");
  return made;
}

/** @param {Float32Array | Float64Array} column @param {number} begin @param {number} end @param {number} stride */
function thinned(column, begin, end, stride) {
  if (stride === 1) return column.subarray(begin, end);
  const count = Math.ceil((end - begin) / stride);
  const made = new Float64Array(count);
  for (let i = 0; i < count; i += 1) made[i] = column[begin + i * stride];
  return made;
}
