// The page: what came is taken in at once, and drawn when the browser is about to draw.
import { Acts } from "./acts.js";
import { Check } from "./check.js";
import { el, mark, write } from "./dom.js";
import { Figures } from "./figures.js";
import { Link } from "./link.js";
import { Now } from "./now.js";
import { hasPlane, Plane } from "./plane.js";
import { Points } from "./points.js";
import { Protections } from "./protections.js";
import { States } from "./states.js";
import { Time } from "./time.js";
import { Traces } from "./traces.js";
import { Wire } from "./wire.js";
import { World } from "./world.js";

const place = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));
const contact = place("contact");
const notice = place("notice");
/** @type {Now | null} */
let now = null;
/** @type {any[]} */
let views = [];
/** @type {Wire | null} */
let wire = null;
/** @type {Check | null} */
let check = null;
let shown = ""; // The document that the page was made for.
let asleep = true;
let trouble = "";

const link = new Link(hear, (state, why) => {
  mark(document.body, "data-contact", state);
  if (state === "lost") write(contact, "✕ Contact lost. Looking for it…");
  if (state === "refused") warn(`This page is not let in: ${why}. Open the address that was printed last.`);
});

/** @param {any} message */
function hear(message) {
  if (message.is === "alarm") {
    warn(message.text);
  } else if (message.is === "hello") {
    if (message.trouble) {
      trouble = message.trouble;
      write(place("title"), message.title);
      write(contact, "✕ No instrument");
      warn(`There is nothing to show: ${message.trouble}`);
      return;
    }
    begin(message);
  } else if (message.is === "waiting") {
    write(contact, "● Waiting for the instrument to answer…");
  } else if (message.is === "check") {
    check?.hear(message);
  } else if (message.is === "frame" && now) {
    now.take(message);
    wire?.add(message.said, message.leftOut);
    if (message.trouble !== trouble && (message.trouble || trouble)) {
      trouble = message.trouble ?? "";
      warn(trouble);
    }
    mark(document.body, "data-pages", String(message.pages));
    if (asleep) {
      asleep = false;
      requestAnimationFrame(draw);
    }
  }
}

/** @param {any} hello */
function begin(hello) {
  trouble = "";
  warn("");
  cautions = hello.cautions;
  list.replaceChildren(...cautions.map((text) => el("li", { text })));
  now = new Now(hello);
  const key = `${hello.document.name} ${hello.document.digest} ${hello.address}`;
  if (key !== shown) {
    shown = key;
    build(hello);
  } else {
    for (const view of views) if (view.charts) view.now = now;
  }
  wire?.add(hello.said, 0);
  for (const message of hello.checked) check?.hear(message);
  for (const id of ["sheet", "ways"]) place(id).hidden = false;
}

/** @param {any} hello */
function build(hello) {
  const vow = hello.document;
  document.title = `${vow.name} · Wirevow bench`;
  write(place("title"), vow.title);
  write(place("identity"), `${vow.name} ${vow.version} · ${vow.digest} · ${hello.kind}`);
  const context = { document: vow, ask: (/** @type {any} */ message) => asked(message), tell, wired: hello.wired, kind: hello.kind, address: hello.address, checks: hello.checks };
  for (const id of ["world", "instrument", "wire", "check"]) while (place(id).childElementCount > 1) place(id).lastElementChild?.remove();
  const part = (/** @type {string} */ id, /** @type {string} */ name, /** @type {string} */ cls) => {
    const made = el("section", { class: `part ${cls}`, "aria-label": name, tabindex: cls.includes("scrolls") ? 0 : null }, el("h3", { text: name }));
    place(id).append(made);
    return made;
  };
  wire = new Wire(place("wire"), context);
  check = new Check(place("check"), context);
  views = [
    new Time(place("time"), context),
    new World(place("world"), context),
    new Figures(place("instrument"), context),
    new Acts(place("instrument"), context),
  ];
  if (hasPlane(vow)) views.push(new Plane(part("instrument", "Operating point", "half"), context));
  views.push(new States(part("instrument", "States", "half"), context));
  views.push(new Traces(part("instrument", "Traces", hasPlane(vow) ? "wide" : "half"), context));
  if (vow.trips.length) views.push(new Protections(part("instrument", "Protections", "wide scrolls"), context));
  views.push(new Points(part("instrument", "Points", "wide scrolls"), context), wire, check);
}

/** @param {any} message */
async function asked(message) {
  const answer = await link.ask(message);
  if (!answer.ok) warn(answer.text);
  return answer;
}

/** What came of a put or an act. @param {string} what @param {{ok: boolean, text: string}} answer */
function tell(what, answer) {
  if (answer.ok) warn(answer.text.includes("refuse") ? `${what}: the instrument answered “${answer.text}”` : "");
}

let hiding = 0;
/** @param {string} text */
function warn(text) {
  clearTimeout(hiding);
  notice.hidden = !text;
  write(notice, text ? `! ${text}` : "");
  if (text && !trouble && !link.refused) hiding = setTimeout(() => { notice.hidden = true; }, 12000);
}

const hands = el("button", { type: "button", id: "hands", hidden: true, onclick: () => {
  if (cautions.length && now?.mine) asked({ do: "let go" });
  else if (cautions.length) dialog.showModal();
  else asked({ do: "hands" });
} });
contact.after(hands);
/** @type {string[]} */
let cautions = [];
const agree = el("input", { type: "checkbox", id: "agree" });
const list = el("ul", {});
const dialog = el("dialog", { "aria-labelledby": "cautions-name" }, el("h2", { id: "cautions-name", text: "Before you take control" }), list,
  el("p", {}, agree, el("label", { for: "agree", text: "I have read this, I know what is wired up, and I will stay with it." })),
  el("p", { class: "entry" }, el("button", { type: "button", id: "control", text: "Take control", onclick: async () => { if (agree.checked) { dialog.close(); await asked({ do: "hands", agreed: true }); } else agree.focus(); } }),
    el("button", { type: "button", class: "quiet", text: "Only look", onclick: () => dialog.close() })));
document.body.append(dialog);

function draw() {
  if (!now || !link.socket) {
    asleep = true;
    return;
  }
  const who = { you: cautions.length ? "This page has control." : "", another: "Another page has the controls.", nobody: cautions.length ? "Only looking." : "Nobody has the controls." }[/** @type {"you"} */ (now.hands)];
  write(contact, trouble ? "✕ No instrument" : `● ${now.times === 0 ? "Time stands" : now.times > 1 ? `${now.times}× as fast` : "In contact"}${who ? `. ${who}` : ""}`);
  hands.hidden = !who;
  write(hands, now.mine ? "Let go, safe" : cautions.length ? "Take control…" : "Take them");
  queue = [...views];
  slice();
}

// Drawing everything at once would keep the browser from the next frame: what takes longer goes on in that one.
/** @type {any[]} */
let queue = [];
const BUDGET_MS = 4;
function slice() {
  const begun = performance.now();
  while (now && queue.length) {
    queue.shift().show(now);
    if (performance.now() - begun > BUDGET_MS) break;
  }
  if (queue.length) requestAnimationFrame(slice);
  else asleep = true;
}

// Dark or light: the system's choice, unless the person has made one.
const LOOKS = ["system", "light", "dark"];
const look = place("look");
function dress(/** @type {string} */ chosen) {
  mark(document.documentElement, "data-look", chosen === LOOKS[0] ? null : chosen);
  write(look, `Look: ${chosen}`);
  try { localStorage.setItem("look", chosen); } catch { /* private pages keep nothing */ }
}
let worn = LOOKS[0];
try { worn = LOOKS.find((each) => each === localStorage.getItem("look")) ?? LOOKS[0]; } catch { /* as above */ }
dress(worn);
look.addEventListener("click", () => { worn = LOOKS[(LOOKS.indexOf(worn) + 1) % LOOKS.length]; dress(worn); });
