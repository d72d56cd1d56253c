// A check: requirements turn as it goes; a failure is stepped through with its readings beside it.
import { el, mark, svg, write } from "./dom.js";

const SIGNS = /** @type {Record<string, string>} */ ({ pass: "✓", fail: "✕", inconclusive: "?", "not selected": "·", error: "!" });

const WHAT = {
  simulated: "It holds another instrument of the same document, bench and seed to every requirement, in virtual time. The one above goes on undisturbed.",
  real: "It holds this instrument to what can be asked without energising it. Nothing is saved, booted or switched; settings are changed and put back, and every line is tried, damaged ones too. Meanwhile the page leaves its port to the check.",
};

export class Check {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow, ask, checks, kind }) {
    this.vow = vow;
    if (!checks) {
      place.append(el("p", { class: "aside", text: "A check of this instrument is started at the command line, which asks for what it needs to know:" }), el("pre", { text: `wirevow check ${vow.name} PORT` }));
      return;
    }
    place.append(el("p", { class: "aside", text: WHAT[/** @type {"real"} */ (kind)] }));
    this.only = el("input", { type: "text", id: "check-only", autocomplete: "off", placeholder: "all, or such as trip.*", "aria-label": "Requirements to look at" });
    this.start = el("button", { type: "submit", text: "Start a check", id: "check-start" });
    this.stop = el("button", { type: "button", class: "quiet", text: "Stop it", id: "check-stop", onclick: () => ask({ do: "stop check" }) });
    this.told = el("p", { class: "verdict", id: "check-told", role: "status", text: "Not started." });
    this.bar = el("progress", { max: 1, value: 0, "aria-label": "How far the check is", hidden: true });
    this.rows = el("div", { class: "sections" });
    this.failures = el("div", { class: "failures" });
    place.append(el("form", { class: "entry", onsubmit: (/** @type {Event} */ e) => { e.preventDefault(); ask({ do: "check", only: this.only.value.trim() }); } }, this.only, this.start, this.stop), this.told, this.bar, this.failures, this.rows);
    this.build();
    this.runs = false;
  }

  build() {
    /** @type {Map<string, any>} */
    this.cells = new Map();
    /** @type {any[]} */
    this.sections = [];
    for (const name of new Set(this.vow.requirements.map((/** @type {any} */ each) => each.section))) {
      const list = this.vow.requirements.filter((/** @type {any} */ each) => each.section === name);
      const strip = el("p", { class: "signs", "aria-hidden": "true" });
      const body = el("tbody", {});
      for (const each of list) {
        const cell = el("span", { text: SIGNS["not selected"], title: `${each.id}: ${each.sentence}` });
        strip.append(cell);
        const verdict = el("td", { class: "sign", text: "· not tried" });
        const why = el("p", { class: "means" });
        body.append(el("tr", {}, verdict, el("th", { scope: "row", text: each.id }), el("td", {}, each.sentence, why)));
        this.cells.set(each.id, { cell, verdict, why, section: name, now: "" });
      }
      const count = el("span", { class: "count" });
      const table = el("table", {}, el("thead", {}, el("tr", {}, ...["Verdict", "Requirement", "What it says"].map((text) => el("th", { scope: "col", text })))), body);
      this.rows.append(el("div", { class: "section" }, el("h3", {}, `${name} `, count), strip, el("details", {}, el("summary", { text: `All ${list.length} of ${name}` }), table)));
      this.sections.push({ name, ids: list.map((/** @type {any} */ each) => each.id), count });
    }
  }

  /** @param {any} message */
  hear(message) {
    if (!this.rows) return;
    this.runs = message.kind === "begun" || message.kind === "progress";
    if (message.kind === "begun") {
      this.failures.replaceChildren();
      for (const id of this.cells.keys()) this.turn(id, "", "");
      write(this.told, "Getting acquainted…");
    }
    for (const [id, verdict] of Object.entries(message.verdicts ?? {})) this.turn(id, /** @type {string} */ (verdict), "");
    if (message.kind === "progress") {
      mark(this.bar, "hidden", false);
      [this.bar.max, this.bar.value] = [message.whole, message.done];
      this.said(`Trying ${message.at}: ${message.done} of ${message.whole}.`);
    }
    if (message.kind === "trouble") write(this.told, `! No verdict: ${message.text}`);
    if (message.kind === "ended") {
      for (const [id, [verdict, reason, measured]] of Object.entries(message.rows)) this.turn(id, verdict, reason || measured);
      const counts = counted([...this.cells.values()].map((each) => each.now));
      write(this.told, `${SIGNS[message.verdict] ?? "!"} ${message.verdict}: ${counts}; ${message.lines} lines in ${message.seconds.toFixed(0)} s. ${message.note}`);
      mark(this.told, "data-verdict", message.verdict);
      this.failures.replaceChildren(...message.failures.map((/** @type {any} */ failure, /** @type {number} */ i) => new Failure(failure, i, message.failures.length).element));
    }
    if (!this.runs) mark(this.bar, "hidden", true);
    this.count();
  }

  /** A check tells five times a second: a screen reader is told now and then. @param {string} text */
  said(text) {
    const time = performance.now();
    if (time - (this.last ?? 0) < 2000) return;
    this.last = time;
    write(this.told, text);
  }

  /** @param {string} id @param {string} verdict @param {string} why */
  turn(id, verdict, why) {
    const each = this.cells.get(id);
    if (!each) return;
    write(each.why, why);
    if (each.now === verdict) return;
    each.now = verdict;
    write(each.cell, SIGNS[verdict] ?? SIGNS["not selected"]);
    mark(each.cell, "data-verdict", verdict || null);
    write(each.verdict, verdict ? `${SIGNS[verdict]} ${verdict}` : "· not tried");
    mark(each.verdict, "data-verdict", verdict || null);
  }

  count() {
    for (const { ids, count } of this.sections) write(count, counted(ids.map((/** @type {string} */ id) => this.cells.get(id).now)));
  }

  /** @param {any} now */
  show(now) {
    if (!this.start) return;
    mark(this.start, "disabled", !now.mine || this.runs === true);
    mark(this.stop, "hidden", !this.runs);
    mark(this.only, "disabled", !now.mine || this.runs === true);
  }
}

/** How many have which verdict. @param {string[]} verdicts */
function counted(verdicts) {
  /** @type {Record<string, number>} */
  const found = {};
  for (const verdict of verdicts) found[verdict || "not tried"] = (found[verdict || "not tried"] ?? 0) + 1;
  return Object.entries(found).map(([verdict, n]) => `${n} ${verdict}`).join(", ");
}

class Failure {
  /** @param {any} failure @param {number} index @param {number} count */
  constructor(failure, index, count) {
    this.failure = failure;
    this.at = failure.steps.length - 1;
    this.steps = failure.steps.map(([kind, text, at]) => el("li", { class: kind === "<" ? "ok" : "sent" }, el("span", { class: "at", text: at === null ? "" : `${at.toFixed(3)} s` }), el("span", { class: "way", text: { ">": "→", ">>": "→", "<": "←" }[kind] ?? "•" }), el("span", { class: "said", text: kind === ">" || kind === "<" ? text : kind === ">>" ? `${text} (without line end)` : `${kind} ${text}` })));
    this.told = el("p", { class: "means", role: "status" });
    this.back = el("button", { type: "button", class: "quiet", text: "Step back", onclick: () => this.go(this.at - 1) });
    this.on = el("button", { type: "button", class: "quiet", text: "Step on", onclick: () => this.go(this.at + 1) });
    this.list = el("ol", { class: "log exchange", tabindex: "0", "aria-label": `The exchange of ${failure.requirement}` }, ...this.steps);
    this.element = el("details", { class: "failure", open: index === 0 },
      el("summary", { text: `✕ ${failure.requirement}, ${failure.place} (failure ${index + 1} of ${count})` }),
      el("p", { text: failure.sentence }),
      el("dl", {}, el("dt", { text: "expected" }), el("dd", {}, el("code", { text: failure.expected || "(nothing)" })), el("dt", { text: "seen" }), el("dd", {}, el("code", { text: failure.seen }))),
      failure.again ? el("p", { text: failure.again }) : null,
      ...failure.also.map(([id, shown]) => el("p", { class: "means", text: `Also breaks ${id}: ${shown}` })),
      el("div", { class: "tools" }, el("button", { type: "button", class: "quiet", text: "From the start", onclick: () => this.go(0) }), this.back, this.on),
      this.told,
      el("div", { class: "beside" }, this.list, failure.picture ? this.picture(failure.picture) : el("p", { class: "means", text: "No number was read twice in it." })));
    this.go(this.at);
  }

  /** @param {number} at */
  go(at) {
    this.at = Math.max(0, Math.min(at, this.steps.length - 1));
    this.steps.forEach((/** @type {any} */ step, /** @type {number} */ i) => { mark(step, "aria-current", i === this.at ? "step" : null); mark(step, "data-ahead", i > this.at); });
    const step = this.steps[this.at];
    if (step) this.list.scrollTop = step.offsetTop - this.list.offsetTop - this.list.clientHeight / 2;
    write(this.told, `Step ${this.at + 1} of ${this.steps.length}${this.at === this.steps.length - 1 ? ": here it shows" : ""}`);
    mark(this.back, "disabled", this.at === 0);
    mark(this.on, "disabled", this.at === this.steps.length - 1);
    if (this.hand && this.across) {
      const x = this.across(this.failure.steps[this.at][2] ?? 0);
      this.hand.setAttribute("d", `M${x} ${this.failure.picture.head} V${this.failure.picture.height - 22}`);
      for (const { dot, x: place } of this.dots) mark(dot, "data-ahead", place > x + 0.5);
    }
  }

  /** @param {any} picture */
  picture(picture) {
    const times = this.failure.steps.map((/** @type {any} */ step) => step[2]).filter((/** @type {any} */ t) => t !== null);
    const [first, last] = [times[0], Math.max(...times)];
    this.across = (/** @type {number} */ t) => picture.left + ((t - first) * (picture.width - picture.left - 8)) / (last - first || 1);
    this.hand = svg("path", { class: "hand", d: "" });
    /** @type {{dot: Element, x: number}[]} */
    this.dots = [];
    const panels = picture.panels.flatMap((/** @type {any} */ panel) => {
      const dots = panel.dots.map(([x, y]) => { const dot = svg("circle", { cx: x, cy: y, r: 3.5 }); this.dots.push({ dot, x }); return dot; });
      return [svg("path", { class: "line", d: `M${picture.left} ${panel.top + picture.panel} H${picture.width}` }), svg("polyline", { points: panel.dots.map((/** @type {any} */ d) => d.join()).join(" ") }),
        svg("text", { x: 0, y: panel.top + 26, text: panel.name }), svg("text", { class: "soft", x: 0, y: panel.top + 44, text: `${panel.low} to ${panel.high} ${panel.unit}` }), ...dots];
    });
    const marks = [...picture.states.map(([x, name]) => svg("text", { x, y: 14, text: name })), ...picture.hands.map(([x, what], i) => svg("text", { class: "soft", x, y: 30, text: `${i + 1}`, "aria-label": what })),
      ...picture.ticks.map(([x, text], i) => svg("text", { class: "soft", x, y: picture.height - 6, "text-anchor": i === 2 ? "end" : "start", text: `${text} s` }))];
    return el("figure", { class: "readings" }, svg("svg", { viewBox: `0 0 ${picture.width} ${picture.height}`, role: "img", "aria-label": `Readings in the exchange: ${picture.panels.map((/** @type {any} */ p) => `${p.name} from ${p.low} to ${p.high} ${p.unit}`).join("; ")}` }, ...panels, ...marks, this.hand),
      picture.hands.length ? el("figcaption", { class: "means", text: picture.hands.map(([, what], i) => `${i + 1}: ${what}`).join("; ") }) : null);
  }
}
