// Elements from names, attributes and texts. Texts become text nodes and nothing else, so no text is markup.

/** @typedef {Node | string | null | false} Child */

/**
 * @param {string} tag
 * @param {Record<string, unknown>} [given] attributes; `on` + event for listeners, `class`, `text`
 * @param {...Child} children
 * @returns {any}
 */
export function el(tag, given = {}, ...children) {
  return filled(document.createElement(tag), given, children);
}

/**
 * @param {string} tag
 * @param {Record<string, unknown>} [given]
 * @param {...Child} children
 * @returns {SVGElement}
 */
export function svg(tag, given = {}, ...children) {
  return /** @type {any} */ (filled(document.createElementNS("http://www.w3.org/2000/svg", tag), given, children));
}

/** @param {Element} made @param {Record<string, unknown>} given @param {Child[]} children */
function filled(made, given, children) {
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === "text") made.textContent = String(value);
    else if (key.startsWith("on")) made.addEventListener(key.slice(2), /** @type {any} */ (value));
    else made.setAttribute(key, value === true ? "" : String(value));
  }
  for (const child of children) if (child) made.append(child);
  return made;
}

/** Write a text only where it differs: nothing is laid out again in vain. @param {Node} node @param {string} text */
export function write(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** @param {Element} node @param {string} name @param {string | boolean | null} value */
export function mark(node, name, value) {
  const wanted = value === true ? "" : value === false || value === null ? null : value;
  if (node.getAttribute(name) === wanted) return;
  if (wanted === null) node.removeAttribute(name);
  else node.setAttribute(name, wanted);
}

/** A unit as people write it; the wire has UCUM codes. @param {string | undefined} unit */
export function shownUnit(unit) {
  if (!unit || unit === "1") return "";
  return { Cel: "°C", Ohm: "Ω", "A.h": "A h", "W.h": "W h", "/min": "1/min" }[unit] ?? unit;
}

/** A time for people. @param {number} seconds @param {number} [digits] */
export function clock(seconds, digits = 1) {
  const sign = seconds < 0 ? "−" : "";
  const s = Math.abs(seconds);
  if (s < 60) return `${sign}${s.toFixed(digits)} s`;
  const whole = Math.floor(s);
  const parts = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const text = parts.map((part) => String(part).padStart(2, "0")).join(":");
  const days = Math.floor(whole / 86400);
  return days ? `${sign}${days} d ${String(parts[0] % 24).padStart(2, "0")}${text.slice(-6)}` : sign + text;
}
