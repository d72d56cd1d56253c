// The document's formulas, computed with the values of the moment.

/** @typedef {{text: string, names: string[], tree: any}} Formula */
/** @typedef {(name: string) => number | string | undefined} Lookup */

/** A number, a truth, a word; undefined where a value is not known. @param {any} tree @param {Lookup} value @returns {any} */
export function compute(tree, value) {
  if (typeof tree === "number") return tree;
  const [form, ...rest] = tree;
  if (form === "point") return value(rest[0]);
  if (form === "word") return rest[0];
  const parts = rest.map((/** @type {any} */ part) => compute(part, value));
  if (form === "and") return parts.includes(false) ? false : parts.includes(undefined) ? undefined : true;
  if (form === "or") return parts.includes(true) ? true : parts.includes(undefined) ? undefined : false;
  if (parts.includes(undefined)) return undefined;
  const [a, b, c] = parts;
  switch (form) {
    case "negative": return -a;
    case "+": return a + b;
    case "-": return a - b;
    case "*": return a * b;
    case "/": return b === 0 ? undefined : a / b;
    case "min": return Math.min(...parts);
    case "max": return Math.max(...parts);
    case "abs": return Math.abs(a);
    case "clip": return Math.max(b, Math.min(a, c));
    case "<": return a < b;
    case "<=": return a <= b;
    case ">": return a > b;
    case ">=": return a >= b;
    case "==": return a === b;
    case "!=": return a !== b;
    case "not": return !a;
  }
  return undefined;
}

/**
 * How far a condition is from turning, in its own unit: above zero while it holds. Of conditions joined by `and`
 * the least, by `or` the greatest. undefined where it compares words.
 * @param {any} tree @param {Lookup} value @returns {number | undefined}
 */
export function room(tree, value) {
  const [form, ...rest] = tree;
  if (form === "and" || form === "or") {
    const rooms = rest.map((/** @type {any} */ part) => {
      const known = room(part, value);
      if (known !== undefined) return known;
      const truth = compute(part, value);
      return truth === undefined ? undefined : truth ? Infinity : -Infinity;
    });
    if (rooms.includes(undefined)) return undefined;
    return form === "and" ? Math.min(...rooms) : Math.max(...rooms);
  }
  if (form === "not") {
    const inner = room(rest[0], value);
    return inner === undefined ? undefined : -inner;
  }
  const [left, right] = rest.map((/** @type {any} */ part) => compute(part, value));
  if (typeof left !== "number" || typeof right !== "number") return undefined;
  if (form === "<" || form === "<=") return right - left;
  if (form === ">" || form === ">=") return left - right;
  return undefined;
}

/**
 * Where a reading turns a condition: the comparisons that have it alone on one side.
 * @param {any} tree @param {string} name @param {Lookup} value @returns {{at: number, above: boolean}[]}
 */
export function thresholds(tree, name, value) {
  if (typeof tree === "number" || tree[0] === "point" || tree[0] === "word") return [];
  const [form, left, right] = tree;
  if (["<", "<=", ">", ">="].includes(form)) {
    const mine = Array.isArray(left) && left[0] === "point" && left[1] === name;
    const other = Array.isArray(right) && right[0] === "point" && right[1] === name;
    if (mine === other) return [];
    const at = compute(mine ? right : left, value);
    return typeof at === "number" ? [{ at, above: form.startsWith(">") === mine }] : [];
  }
  return tree.slice(1).flatMap((/** @type {any} */ part) => (Array.isArray(part) ? thresholds(part, name, value) : []));
}
