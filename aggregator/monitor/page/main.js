// The monitor page: wires the live socket to the drawings and the words.
import { Live } from "./live.js";
import { STEPS } from "./ramp.js";
import { SeatMap } from "./seatmap.js";
import { Timeline } from "./timeline.js";
import { PartButtons } from "./parts.js";
import * as panels from "./panels.js";

const STALE_MS = 2000; // no snapshot for this long: the whole page greys
const SMOOTHING = 0.35; // share of the way a seat's colour goes at each message: about 0.6 s
const CALM_SMOOTHING = 0.08; // where less motion is asked for: about 3 s
const LINKS_EVERY_MS = 10000; // as often as the service looks
const CALM_EVERY = 4; // and drawn once a second

const $ = (id) => document.getElementById(id);
const calm = window.matchMedia("(prefers-reduced-motion: reduce)");

// The share of its way that a seat's colour goes at each message.
export function smoothing() {
  return calm.matches ? CALM_SMOOTHING : SMOOTHING;
}

const timeline = new Timeline($("timeline"));
const map = new SeatMap($("seats"), $("ring"));
const parts = new PartButtons();
let plan = null;
let live = null;
let newest = null;
let messages = 0;
let marked = -1;
let links = []; // by performer: name and lists by seat
let linksAt = -LINKS_EVERY_MS;

async function json(path) {
  const answer = await fetch(path);
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  return answer.json();
}

async function loadPlan() {
  plan = await json("api/plan");
  panels.put("title", plan.title);
  panels.makeStates(plan.states);
  parts.make(plan.parts);
  map.load(plan);
}

// At each (re)connection: the plan may be another one, and history has gone on.
async function opened() {
  try {
    await loadPlan();
    const { history, labels } = await json("api/state");
    timeline.load(history, labels);
  } catch (error) {
    console.warn("the page could not read its history", error);
  }
  if (newest) message(newest);
}

function message(decoded) {
  newest = decoded;
  const { header } = decoded;
  panels.put("service", header.role === "lead" ? header.state : `${header.role}, ${header.state}`);
  panels.showNotices(header.notices);
  panels.showOutputs(header.outputs);
  panels.showQueues(header.queues);
  if (header.house && plan) showSnapshot(decoded);
  showAge();
}

function showSnapshot(decoded) {
  const { header } = decoded;
  const { house } = header;
  panels.put("part", header.part);
  panels.put("clock", panels.clock(header.cut_ms));
  panels.put("about", `ripieno ${header.version} · epoch ${header.epoch} · plan ${plan.revision} · snapshot ${header.sequence}`);
  panels.showHouse(house, plan.x.length);
  panels.showStates(header.states);
  panels.showLeftOut(header.left_out);
  for (const id of ["alike", "alike-hint"]) $(id).hidden = !header.linked.length;
  panels.showSections(plan, header.sections);
  panels.showPerformers(header.performers);
  parts.show(header.part);
  $("closed").hidden = plan.parts.find((p) => p.name === header.part)?.open ?? false;
  timeline.add([header.cut_ms, house.arousal, house.confidence, house.low, house.high], header.labels ?? []);
  map.update(decoded, smoothing());
  if (!calm.matches || messages % CALM_EVERY === 0) draw();
  messages++;
  if (marked >= 0) readOut(marked);
}

function draw() {
  timeline.draw();
  map.draw();
}

// A stale display is the worst failure: say how old the values are and what to check.
function showAge() {
  const age = live.age();
  const stale = age === null || age > STALE_MS;
  document.body.classList.toggle("stale", stale);
  $("stale").hidden = !stale;
  if (!stale) {
    document.title = `${$("value").textContent} · ${$("part").textContent} · ripieno`;
    return;
  }
  document.title = "old values · ripieno";
  panels.put("age", howOld(age));
  panels.put("check", whatToCheck());
}

function howOld(age) {
  if (age === null) return "No values yet.";
  const seconds = Math.round(age / 1000);
  return seconds < 120 ? `These values are ${seconds} seconds old.` : `These values are ${Math.round(seconds / 60)} minutes old.`;
}

function whatToCheck() {
  if (!live.connected) {
    return "This page has lost the service. Check that ripieno runs, and this device's network; the page connects by itself.";
  }
  return "The service answers but makes no new snapshot. Check the notices, the queues and its log.";
}

// Spoken only when the seat changes, else a screen reader would never come to an end.
function moveTo(seat) {
  readOut(seat);
  if (seat >= 0) panels.put("spoken", [$("readout"), $("alike")].map((p) => p.textContent).join(" "));
}

function readOut(seat) {
  marked = seat;
  map.mark(seat);
  if (seat < 0 || !newest || !map.state) return;
  const state = plan.states[newest.state[seat]];
  const values = `arousal ${panels.number(newest.level[seat] / 255)} · confidence ${panels.number(newest.confidence[seat] / 255)}`;
  const shown = state === "absent" ? "" : ` · ${values}`;
  panels.put("readout", `Seat ${plan.labels[seat]} · ${plan.sections[plan.section[seat]].title} · ${state}${shown}`);
  if (!newest.header.linked?.length) return;
  panels.put("alike", panels.alike(links, seat));
  readLinks();
}

// Which seat moves alike with which performer: asked for while somebody looks at a seat.
async function readLinks() {
  if (performance.now() - linksAt < LINKS_EVERY_MS) return;
  linksAt = performance.now();
  try {
    links = (await json("api/linkage")).performers;
    if (marked >= 0) readOut(marked);
  } catch (error) {
    console.warn("the page could not read the linkage", error);
  }
}

function wireMap() {
  const canvas = $("seats");
  const keys = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  canvas.addEventListener("pointermove", (e) => plan && readOut(map.seatAt(e.clientX, e.clientY)));
  canvas.addEventListener("pointerleave", () => readOut(document.activeElement === canvas ? marked : -1));
  canvas.addEventListener("focus", () => plan && moveTo(Math.max(marked, 0)));
  canvas.addEventListener("blur", () => readOut(-1));
  canvas.addEventListener("keydown", (e) => {
    if (!plan) return;
    const to = { Home: 0, End: map.seats - 1 }[e.key];
    if (to !== undefined) moveTo(to);
    else if (e.key in keys) moveTo(map.next(Math.max(marked, 0), ...keys[e.key]));
    else return;
    e.preventDefault();
  });
}

function wireSpans() {
  const buttons = [...document.querySelectorAll("[data-minutes]")];
  const choose = (minutes) => {
    timeline.minutes = minutes;
    buttons.forEach((b) => b.setAttribute("aria-pressed", String(Number(b.dataset.minutes) === minutes)));
    timeline.draw();
  };
  buttons.forEach((b) => b.addEventListener("click", () => choose(Number(b.dataset.minutes))));
  choose(timeline.minutes);
}

$("ramp").append(...STEPS.map((step) => Object.assign(document.createElement("i"), { style: `background:${step}` })));
wireMap();
wireSpans();
new ResizeObserver(() => {
  if (plan) {
    map.lay();
    draw();
    map.mark(marked);
  }
}).observe(document.querySelector(".hall"));
live = new Live({ opened, message });
showAge();
setInterval(showAge, 500);
