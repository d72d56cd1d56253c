// The operating point in the plane of voltage and current, inside limits, trips and the derating of the moment.
import { el, mark, write } from "./dom.js";
import { room } from "./formula.js";

const CELLS = 72;
const TRAIL = 100;
const EDGE = { left: 44, right: 10, top: 8, bottom: 34 };

/** Whether a document has such a plane. @param {any} vow */
export function hasPlane(vow) {
  const axes = Object.values(vow.axes).map((each) => each[0]);
  return axes.includes("V") && axes.includes("A");
}

export class Plane {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow }) {
    this.vow = vow;
    const named = (/** @type {string} */ axis) => Object.keys(vow.axes).find((name) => vow.axes[name][0] === axis) ?? "";
    this.vMost = this.aMost = 1;
    this.volts = named("V");
    this.amperes = named("A");
    this.settings = new Set(vow.points.filter((/** @type {any} */ p) => p.source === "setting" && p.settable).map((/** @type {any} */ p) => p.name));
    this.borders = vow.borders.map((/** @type {any} */ each) => ({ ...each, armed: each.in }));
    this.canvas = el("canvas", { class: "plane", role: "img", "aria-labelledby": "plane-told" });
    this.told = el("p", { class: "means", id: "plane-told" });
    this.legend = el("ul", { class: "legend" });
    place.append(this.canvas, this.told, this.legend);
    this.trail = /** @type {[number, number][]} */ ([]);
    this.key = "";
    this.lines = /** @type {any[]} */ ([]);
    this.inside = /** @type {boolean[]} */ ([]);
    this.ground = document.createElement("canvas");
    this.grounded = "";
    this.size = [0, 0];
    new ResizeObserver(([{ contentRect: { width, height } }]) => { this.size = [width, height]; }).observe(this.canvas);
  }

  /** @param {any} now */
  show(now) {
    if (now.value(this.volts) === undefined || now.value(this.amperes) === undefined) return;
    const v = now.value(this.volts) * this.vow.axes[this.volts][1];
    const a = now.value(this.amperes) * this.vow.axes[this.amperes][1];
    this.trail.push([v, a]);
    if (this.trail.length > TRAIL) this.trail.shift();
    const share = this.share(now);
    const key = `${[...this.settings].map((name) => now.values[name]).join()},${share.toFixed(3)},${now.state}`;
    if (key !== this.key) {
      this.key = key;
      this.compute(now);
    }
    this.draw(now, v, a, share);
  }

  /** As large as the page's own texts. */
  font() {
    return `${0.75 * parseFloat(getComputedStyle(document.documentElement).fontSize)}px system-ui, sans-serif`;
  }

  /** What is left of the derated ceiling. @param {any} now */
  share(now) {
    const d = this.vow.derating;
    const t = d && now.value(d.temperature);
    if (!d || t === undefined) return 1;
    return Math.min(1, Math.max(d.floor, 1 - ((1 - d.floor) * (t - d.start)) / (d.end - d.start)));
  }

  /** The borders of the moment, by marching squares; and the ends of the axes. @param {any} now */
  compute(now) {
    const most = (/** @type {string} */ axis) => Math.max(...Object.keys(this.vow.axes).filter((n) => this.vow.axes[n][0] === axis).map((n) => now.points.get(n).most * this.vow.axes[n][1]));
    [this.vMost, this.aMost] = [most("V"), most("A")];
    const value = (/** @type {number} */ v, /** @type {number} */ a) => (/** @type {string} */ name) => {
      const axis = this.vow.axes[name];
      return axis ? { V: v, A: a, W: v * a }[/** @type {"V"} */ (axis[0])] / axis[1] : now.value(name);
    };
    const grids = this.borders.map((border) => {
      const grid = [];
      for (let j = 0; j <= CELLS; j += 1) for (let i = 0; i <= CELLS; i += 1) {
        const spare = room(border.condition.tree, value((i * this.vMost) / CELLS, (j * this.aMost) / CELLS)) ?? 1;
        grid.push(border.holds ? spare : -spare);
      }
      return grid;
    });
    this.inside = Array.from({ length: (CELLS + 1) ** 2 }, (_, k) => grids.every((grid) => grid[k] >= 0));
    this.lines = this.borders.map((border, index) => ({ border, index, pieces: contour(grids[index]) })).filter((line) => line.pieces.length);
    this.legend.replaceChildren(...this.lines.map(({ border, index }) => {
      const watched = border.armed === null || border.armed.includes(now.state);
      return el("li", { "data-asleep": !watched }, el("span", { class: `swatch line-${(index % 6) + 1}`, "aria-hidden": "true", text: String.fromCharCode(65 + index) }), `${border.name}: ${border.condition.text}${watched ? "" : ` (not watched in ${now.state})`}`);
    }));
  }

  /** @param {any} now @param {number} v @param {number} a @param {number} share */
  draw(now, v, a, share) {
    const { canvas, size: [w, h] } = this;
    if (!w || !h) return;
    const ratio = devicePixelRatio || 1;
    const style = getComputedStyle(document.documentElement);
    const ink = (/** @type {string} */ name) => style.getPropertyValue(name).trim();
    const x = (/** @type {number} */ volts) => EDGE.left + (volts / this.vMost) * (w - EDGE.left - EDGE.right);
    const y = (/** @type {number} */ amperes) => h - EDGE.bottom - (amperes / this.aMost) * (h - EDGE.top - EDGE.bottom);
    const ground = `${this.key},${w},${h},${ratio},${ink("--paper")}`;
    if (ground !== this.grounded) {
      this.grounded = ground;
      for (const each of [canvas, this.ground]) [each.width, each.height] = [Math.round(w * ratio), Math.round(h * ratio)];
      this.lay(now, share, x, y, ink);
    }
    const ctx = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.clearRect(0, 0, canvas.width, canvas.height);
    ctx.drawImage(this.ground, 0, 0);
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    ctx.strokeStyle = ink("--ink-soft");
    ctx.lineWidth = 1;
    ctx.beginPath();
    this.trail.forEach(([tv, ta], i) => (i ? ctx.lineTo(x(tv), y(ta)) : ctx.moveTo(x(tv), y(ta))));
    ctx.stroke();
    const held = { v: Math.min(Math.max(v, 0), this.vMost), a: Math.min(Math.max(a, 0), this.aMost) };
    ctx.fillStyle = ink("--accent");
    ctx.strokeStyle = ink("--paper");
    ctx.lineWidth = 2;
    ctx.beginPath();
    ctx.arc(x(held.v), y(held.a), 7, 0, 7);
    ctx.fill();
    ctx.stroke();
    const d = this.vow.derating;
    const left = d ? `; ${(share * 100).toFixed(0)} % of ${d.ceiling} is left (${(share * now.value(d.ceiling)).toFixed(1)} W)` : "";
    write(this.told, `Now at ${v.toFixed(3)} V and ${a.toFixed(3)} A, ${(v * a).toFixed(2)} W${left}.`.replaceAll("-", "−"));
    mark(this.told, "data-derated", share < 1);
  }

  /** What only settings, the state and the temperature change. @param {any} now @param {number} share @param {any} x @param {any} y @param {any} ink */
  lay(now, share, x, y, ink) {
    const [w, h] = this.size;
    const ctx = /** @type {CanvasRenderingContext2D} */ (this.ground.getContext("2d"));
    const ratio = devicePixelRatio || 1;
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    const cell = (/** @type {number} */ i, /** @type {number} */ j) => /** @type {[number, number]} */ ([x((i * this.vMost) / CELLS), y((j * this.aMost) / CELLS)]);
    ctx.fillStyle = ink("--inside");
    for (let j = 0; j < CELLS; j += 1) {
      for (let i = 0; i < CELLS; i += 1) {
        const k = j * (CELLS + 1) + i;
        if (!this.inside[k] || !this.inside[k + 1] || !this.inside[k + CELLS + 1] || !this.inside[k + CELLS + 2]) continue;
        const [left, low] = cell(i, j);
        const [right, top] = cell(i + 1, j + 1);
        ctx.fillRect(left, top, right - left + 0.6, low - top + 0.6);
      }
    }
    ctx.font = this.font();
    ctx.fillStyle = ink("--ink-soft");
    ctx.strokeStyle = ink("--hair");
    ctx.lineWidth = 1;
    ctx.textAlign = "center";
    for (const volts of ticks(this.vMost)) { ctx.beginPath(); ctx.moveTo(x(volts), y(0)); ctx.lineTo(x(volts), y(this.aMost)); ctx.stroke(); ctx.fillText(String(volts), x(volts), h - EDGE.bottom + 15); }
    ctx.textAlign = "right";
    for (const amperes of ticks(this.aMost)) { ctx.beginPath(); ctx.moveTo(x(0), y(amperes)); ctx.lineTo(x(this.vMost), y(amperes)); ctx.stroke(); ctx.fillText(String(amperes), EDGE.left - 6, y(amperes) + 4); }
    ctx.fillText("V", w - EDGE.right, h - 4);
    ctx.textAlign = "left";
    ctx.fillText("A", 6, EDGE.top + 10);
    for (const { border, index, pieces } of this.lines) {
      const watched = border.armed === null || border.armed.includes(now.state);
      ctx.strokeStyle = ctx.fillStyle = ink(`--trace-${(index % 6) + 1}`);
      ctx.globalAlpha = watched ? 1 : 0.55;
      ctx.lineWidth = border.holds ? 1.4 : 2.2;
      ctx.setLineDash(border.holds ? [6, 3] : []);
      ctx.beginPath();
      for (const [from, to] of pieces) { ctx.moveTo(...cell(from[0], from[1])); ctx.lineTo(...cell(to[0], to[1])); }
      ctx.stroke();
      const [i, j] = pieces[Math.floor(pieces.length / 2)][0];
      ctx.font = `bold ${this.font()}`;
      ctx.fillText(String.fromCharCode(65 + index), cell(i, j)[0] + 5, cell(i, j)[1] - 5);
    }
    ctx.globalAlpha = 1;
    ctx.setLineDash([]);
    this.ceiling(ctx, now, share, x, y, ink);
  }

  /** The power that is left, as a curve. @param {any} ctx @param {any} now @param {number} share @param {any} x @param {any} y @param {any} ink */
  ceiling(ctx, now, share, x, y, ink) {
    const d = this.vow.derating;
    const watts = d && share * now.value(d.ceiling);
    if (!watts) return;
    ctx.strokeStyle = ctx.fillStyle = ink("--accent");
    ctx.lineWidth = 2;
    ctx.setLineDash([2, 4]);
    ctx.beginPath();
    const from = watts / this.aMost;
    for (let i = 0; i <= 60; i += 1) {
      const volts = from + ((this.vMost - from) * i) / 60;
      ctx.lineTo(x(volts), y(watts / volts));
    }
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.font = this.font();
    ctx.fillText(`${watts.toFixed(0)} W left`, x(this.vMost * 0.62), y(watts / (this.vMost * 0.62)) - 8);
  }
}

/** @param {number} most */
function ticks(most) {
  const rough = most / 5;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? rough;
  return Array.from({ length: Math.floor(most / step) + 1 }, (_, i) => +(i * step).toPrecision(6));
}

/** Where a grid crosses zero, as pieces of lines in cells. @param {number[]} grid @returns {[[number, number], [number, number]][]} */
function contour(grid) {
  const side = CELLS + 1;
  /** @type {[[number, number], [number, number]][]} */
  const pieces = [];
  for (let j = 0; j < CELLS; j += 1) {
    for (let i = 0; i < CELLS; i += 1) {
      const corners = /** @type {[number, number, number][]} */ ([[i, j, 0], [i + 1, j, 0], [i + 1, j + 1, 0], [i, j + 1, 0]]);
      for (const corner of corners) corner[2] = grid[corner[1] * side + corner[0]];
      /** @type {[number, number][]} */
      const cuts = [];
      for (let k = 0; k < 4; k += 1) {
        const [p, q] = [corners[k], corners[(k + 1) % 4]];
        if (p[2] >= 0 === q[2] >= 0 || !Number.isFinite(p[2]) || !Number.isFinite(q[2])) continue;
        const share = p[2] / (p[2] - q[2]);
        cuts.push([p[0] + (q[0] - p[0]) * share, p[1] + (q[1] - p[1]) * share]);
      }
      for (let k = 0; k + 1 < cuts.length; k += 2) pieces.push([cuts[k], cuts[k + 1]]);
    }
  }
  return pieces;
}
