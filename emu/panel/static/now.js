// What is known of the instrument at this moment, and its readings over time.

const ROWS = 36000; // An hour of readings, ten a second; older ones make room.

export class Now {
  /** @param {any} hello */
  constructor(hello) {
    this.document = hello.document;
    /** @type {Map<string, any>} */
    this.points = new Map(hello.document.points.map((/** @type {any} */ point) => [point.name, point]));
    /** @type {Record<string, string>} */
    this.values = { ...hello.values };
    this.t = 0;
    this.times = 1;
    this.port = "nobody";
    this.hands = "nobody";
    this.powered = true;
    /** @type {Record<string, string>} */
    this.events = {};
    this.history = new History(hello.numbers);
    for (const [t, row] of hello.rows) this.history.add(t, row);
  }

  /** @param {any} frame */
  take(frame) {
    Object.assign(this.values, frame.values);
    this.t = frame.t;
    this.times = frame.times;
    this.port = frame.port;
    this.hands = frame.hands;
    this.powered = frame.powered;
    this.events = frame.events;
    for (const [t, row] of frame.rows) this.history.add(t, row);
  }

  get state() {
    return this.values[this.document.statePoint] ?? "";
  }

  get mine() {
    return this.hands === "you";
  }

  /** Who else has the port, in words; empty if this page may have it. */
  get taken() {
    return { program: "a host program has the port", check: "a check has the port" }[this.port] ?? "";
  }

  /** A point's value for formulas: a number, or a word. @param {string} name */
  value(name) {
    const text = this.values[name];
    if (text === undefined) return undefined;
    return this.points.get(name)?.unit === undefined ? text : Number(text);
  }
}

/** Columns of numbers that are filled from the front; when they are full, the older half goes. */
export class History {
  /** @param {string[]} names */
  constructor(names) {
    this.names = names;
    this.length = 0;
    this.times = new Float64Array(ROWS);
    this.columns = names.map(() => new Float32Array(ROWS));
  }

  /** @param {number} t @param {(number | null)[]} row */
  add(t, row) {
    if (this.length && t <= this.times[this.length - 1]) return;
    if (this.length === ROWS) {
      const half = ROWS / 2;
      for (const column of [this.times, ...this.columns]) column.copyWithin(0, half);
      this.length = half;
    }
    this.times[this.length] = t;
    for (let i = 0; i < row.length; i += 1) this.columns[i][this.length] = row[i] ?? NaN;
    this.length += 1;
  }

  /** The index of the first row at or after a time. @param {number} t */
  at(t) {
    let low = 0;
    let high = this.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.times[middle] < t) low = middle + 1;
      else high = middle;
    }
    return low;
  }
}
