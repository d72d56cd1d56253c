// The wire: every line both ways, a filter, and a box to send lines with completion from the document.
import { clock, el, mark, write } from "./dom.js";

const SHOWN = 300; // Lines that are kept; the oldest go.
const OFFERS = 12;

export class Wire {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow, ask, address, kind }) {
    this.vow = vow;
    this.kind = kind;
    this.fresh = /** @type {[number, string, string][]} */ ([]);
    this.missed = 0;
    this.who = el("p", { class: "who-has", id: "port-told" });
    this.take = el("button", { type: "button", class: "quiet", id: "take", onclick: () => ask({ do: "take", wanted: this.take.dataset.wanted === "yes" }) });
    this.follows = true;
    this.log = el("ol", { class: "log", id: "log", tabindex: "0", "aria-label": "Lines on the wire, the newest last", onscroll: () => { this.follows = this.log.scrollTop + this.log.clientHeight >= this.log.scrollHeight - 24; } });
    this.only = el("select", { id: "only", "aria-label": "Which lines are shown", onchange: () => this.sift() },
      ...[["all", "all lines"], ["note", "notices"], ["refuse", "refusals"], [">", "requests"], ["change", "puts and acts"]].map(([value, text]) => el("option", { value, text })));
    this.words = el("input", { type: "search", id: "sift", placeholder: "Lines with…", "aria-label": "Show lines with this text", oninput: () => this.sift() });
    this.hold = el("input", { type: "checkbox", id: "hold" });
    this.left = el("p", { class: "means", "aria-live": "off" });
    this.offers = el("datalist", { id: "offers" });
    this.line = el("input", { type: "text", id: "line", list: "offers", autocomplete: "off", spellcheck: "false", "aria-label": "A line to send", "aria-describedby": "line-told", placeholder: "ask, put or act…", oninput: () => this.offer() });
    this.button = el("button", { type: "submit", text: "Send" });
    this.told = el("p", { class: "means", id: "line-told", role: "status" });
    const pinned = el("div", { class: "pinned" });
    place.append(pinned);
    pinned.append(
      el("p", { class: "aside" }, "Port ", el("code", { text: address })),
      el("div", { class: "holder" }, this.who, this.take),
      el("form", { class: "send", onsubmit: async (/** @type {Event} */ event) => {
        event.preventDefault();
        const line = this.line.value;
        const answer = await ask({ do: "say", line });
        if (answer.ok) this.line.value = "";
        write(this.told, answer.ok ? "" : answer.text);
      } }, this.line, this.button, this.offers),
      this.told,
      el("div", { class: "sift" }, this.only, this.words, el("span", {}, this.hold, el("label", { for: "hold", text: "hold still" }))),
      this.left, this.log);
  }

  /** @param {[number, string, string][]} said @param {number} leftOut */
  add(said, leftOut) {
    this.fresh.push(...said);
    if (this.fresh.length > SHOWN) {
      this.missed += this.fresh.length - SHOWN;
      this.fresh.splice(0, this.fresh.length - SHOWN);
    }
    this.missed += leftOut;
  }

  /** @param {any} now */
  show(now) {
    const text = { page: this.kind === "real" ? "This page asks the instrument." : "This page is the host.", program: "A host program has the port.", check: "A check has the port.", nobody: "Nobody is at the port." }[/** @type {"page"} */ (now.port)] ?? "";
    write(this.who, text);
    mark(this.who, "data-who", now.port);
    this.take.dataset.wanted = now.port === "page" ? "no" : "yes";
    write(this.take, now.port === "page" ? "Let the port go" : "Take the port");
    mark(this.take, "hidden", this.kind !== "simulated");
    mark(this.take, "disabled", !now.mine || now.taken !== "");
    mark(this.line, "disabled", !now.mine || now.taken !== "");
    mark(this.button, "disabled", !now.mine || now.taken !== "");
    if (this.fresh.length && !this.hold.checked) this.draw();
  }

  draw() {
    const log = this.log;
    const rows = this.fresh.map(([t, way, text]) => {
      const kind = way === ">" ? "sent" : text.startsWith("note ") ? "note" : /^(@\S+ )?refuse/.test(text) ? "refuse" : "ok";
      const row = el("li", { class: kind }, el("span", { class: "at", text: clock(t, 3) }), el("span", { class: "way", text: way === ">" ? "→" : kind === "note" ? "!" : "←" }), el("span", { class: "said", text }));
      if (!this.passes(way, kind, text)) row.hidden = true;
      row.dataset.way = way;
      return row;
    });
    this.fresh = [];
    log.append(...rows);
    for (let extra = log.childElementCount - SHOWN; extra > 0; extra -= 1) log.firstElementChild.remove();
    write(this.left, this.missed ? `${this.missed} lines came faster than they are shown.` : "");
    if (this.follows) log.scrollTop = 1e7;
  }

  /** @param {string} way @param {string} kind @param {string} text */
  passes(way, kind, text) {
    const only = this.only.value;
    const words = this.words.value.trim();
    const chosen = only === "all" || kind === only || (only === ">" && way === ">") || (only === "change" && way === ">" && /(^|\s)(put|act) /.test(text));
    return chosen && (!words || text.includes(words));
  }

  sift() {
    for (const row of this.log.children) row.hidden = !this.passes(row.dataset.way, row.className, row.lastElementChild.textContent);
  }

  /** Whole lines that begin as the one that is typed. */
  offer() {
    const typed = this.line.value;
    const [verb, name] = typed.split(" ");
    /** @type {string[]} */
    let lines = [];
    const things = verb === "act" ? this.vow.actions : this.vow.points;
    if (!typed.includes(" ")) lines = ["ask ", "put ", "act "];
    else if (typed.split(" ").length === 2) {
      lines = things.filter((/** @type {any} */ each) => verb !== "put" || each.settable).map((/** @type {any} */ each) => `${verb} ${each.name}`);
    } else if (verb === "put") {
      const point = this.vow.points.find((/** @type {any} */ each) => each.name === name);
      const unit = point?.unit && point.unit !== "1" ? ` ${point.unit}` : "";
      const number = typed.split(" ")[2];
      lines = point?.choices?.length ? point.choices.map((/** @type {string} */ word) => `put ${name} ${word}`)
        : point && number && !Number.isNaN(Number(number)) ? [`put ${name} ${Number(number).toFixed(point.digits)}${unit}`] : [];
    }
    this.offers.replaceChildren(...lines.filter((line) => line.startsWith(typed) || verb === "put").slice(0, OFFERS * 4).map((line) => el("option", { value: line })));
    const known = [...this.vow.points, ...this.vow.actions].find((each) => each.name === name);
    write(this.told, known ? known.means : "");
  }
}
