// The web socket: the key first, then messages as JSON. A contact that is lost is looked for again.

const SILENT_MS = 4000; // Frames come ten times a second: so long without one, and the contact is lost.
const LOOK_MS = 1000;
const AGAIN_MS = [250, 500, 1000, 2000, 4000];

export class Link {
  /** @param {(message: any) => void} heard @param {(contact: "open" | "lost" | "refused", why?: string) => void} told */
  constructor(heard, told) {
    this.heard = heard;
    this.told = told;
    this.tries = 0;
    this.number = 0;
    /** @type {Map<number, (answer: {ok: boolean, text: string}) => void>} */
    this.waiting = new Map();
    this.last = 0;
    this.looked = 0;
    this.refused = false;
    this.open();
    setInterval(() => this.look(), LOOK_MS);
    window.addEventListener("online", () => this.open());
  }

  open() {
    if (this.refused || (this.socket && this.socket.readyState < 2)) return;
    const socket = new WebSocket(`ws://${location.host}/live`);
    this.socket = socket;
    socket.onopen = () => socket.send(location.hash.slice(1));
    socket.onmessage = (event) => {
      if (socket !== this.socket) return;
      const message = JSON.parse(event.data);
      this.last = performance.now();
      if (message.is === "answer") this.answered(message);
      else if (message.is === "refused") {
        this.refused = true;
        this.told("refused", message.text);
      } else {
        if (message.is === "hello") {
          this.tries = 0;
          this.told("open");
        }
        this.heard(message);
      }
    };
    socket.onclose = () => socket === this.socket && this.lost();
  }

  lost() {
    this.socket = null;
    this.last = 0;
    for (const done of this.waiting.values()) done({ ok: false, text: "the contact was lost: it may have been done or not" });
    this.waiting.clear();
    if (this.refused) return;
    this.told("lost");
    const wait = AGAIN_MS[Math.min(this.tries, AGAIN_MS.length - 1)];
    this.tries += 1;
    setTimeout(() => this.open(), wait);
  }

  look() {
    const socket = this.socket;
    const now = performance.now();
    // Where this page itself stood still (a sleeping computer, a busy browser), what came waits to be heard.
    if (this.last && now - this.looked > 2 * LOOK_MS) this.last = now;
    this.looked = now;
    if (socket && socket.readyState === 1 && this.last && now - this.last > SILENT_MS) {
      socket.onclose = null;
      socket.close();
      this.lost();
    }
  }

  /** @param {any} message @returns {Promise<{ok: boolean, text: string}>} */
  ask(message) {
    return new Promise((done) => {
      if (!this.socket || this.socket.readyState !== 1) {
        done({ ok: false, text: "there is no contact with the instrument" });
        return;
      }
      const id = (this.number += 1);
      this.waiting.set(id, done);
      this.socket.send(JSON.stringify({ ...message, id }));
    });
  }

  /** @param {any} message */
  answered(message) {
    const done = this.waiting.get(message.id);
    this.waiting.delete(message.id);
    if (done) done(message);
  }
}
