// Trips: what each watches, whether that holds just now, and how far it is from acting.
import { el, mark, shownUnit, write } from "./dom.js";
import { compute, room } from "./formula.js";

const SIGNS = { holds: "● holds", quiet: "○ quiet", asleep: "– not watched", unknown: "? unknown" };

export class Protections {
  /** @param {Element} place @param {any} context */
  constructor(place, { document: vow }) {
    this.vow = vow;
    this.rows = vow.trips.map((/** @type {any} */ trip) => {
      const sign = el("td", { class: "sign" });
      const far = el("td", { class: "number" });
      const values = el("p", { class: "values" });
      const row = el("tr", {}, el("th", { scope: "row", text: trip.name, title: trip.means }), sign, far,
        el("td", {}, el("p", { class: "formula", text: trip.when.text + (trip.after ? ` for ${trip.after} s` : "") }), values,
          el("p", { class: "means", text: trip.means })));
      return { trip, sign, far, values, row };
    });
    place.append(el("table", {}, el("thead", {}, el("tr", {}, ...["Trip", "Now", "Room left", "When it acts, and why"].map((text) => el("th", { scope: "col", text })))),
      el("tbody", {}, ...this.rows.map((/** @type {any} */ each) => each.row))));
  }

  /** @param {any} now */
  show(now) {
    const value = (/** @type {string} */ name) => now.value(name);
    const last = (now.values[this.vow.lastTripPoint] ?? "").split(" ")[0];
    for (const { trip, sign, far, values, row } of this.rows) {
      const truth = compute(trip.when.tree, value);
      const watched = trip.in.includes(now.state);
      const kind = !watched ? "asleep" : truth === undefined ? "unknown" : truth ? "holds" : "quiet";
      const stays = last === trip.name && now.state === trip.to;
      const gone = stays && (trip.cleared ? compute(trip.cleared.tree, value) : truth === false);
      write(sign, stays ? `✕ tripped, cause ${gone ? "gone" : "still there"}` : last === trip.name ? `✕ last trip · ${SIGNS[kind]}` : SIGNS[kind]);
      mark(row, "data-kind", last === trip.name ? "last" : kind);
      const left = room(trip.when.tree, value);
      const point = now.points.get(trip.when.names.find((/** @type {string} */ name) => now.points.get(name)?.source !== "setting"));
      write(far, left === undefined || !Number.isFinite(left) ? "" : left < 0 ? `${(-left).toFixed(Math.min(point?.digits ?? 2, 3))} ${shownUnit(point?.unit)}` : "none");
      write(values, trip.when.names.map((/** @type {string} */ name) => `${name} ${now.values[name] ?? "—"}`).join(" · "));
    }
  }
}
