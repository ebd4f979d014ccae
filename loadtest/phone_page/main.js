// The steps of the check, one after the other; the first that fails names the cause.

import { holdCause, joinCause } from "/phone-check/causes.js";
import { isAddress, origin, reach } from "/phone-check/reach.js";
import { Visit } from "/phone-check/visit.js";

const JOIN_MS = 8000;
const token = location.hash.slice(1);
const asked = Number(new URLSearchParams(location.search).get("seconds") ?? 120);
const seconds = Math.min(600, Math.max(2, Number.isFinite(asked) ? asked : 120));
const seen = { hidden: 0, offline: 0, mobile: false, away: false, where: "", moved: false };
let config, visit, wake, ended = false, began = 0;

const element = (id) => document.getElementById(id);

function step(id, state, text = "") {
  element(id).dataset.state = state;
  element(id).querySelector("span").textContent = text;
}

function figures() {
  element("acknowledged").textContent = visit ? visit.next : 0;
  element("reconnects").textContent = visit ? visit.reconnects : 0;
  element("silence").textContent = visit && visit.next ? `${(visit.silence / 1000).toFixed(1)} s` : "–";
  element("hidden").textContent = seen.hidden;
  element("left").textContent = began
    ? `${Math.max(0, Math.ceil(seconds - (performance.now() - began) / 1000))} s` : "–";
}

async function where() {
  try {
    const answer = await fetch("/phone-check/where", { cache: "no-store", signal: AbortSignal.timeout(4000) });
    return (await answer.json()).where;
  } catch {
    return "";
  }
}

/** Which network carries the phone now; told only where the browser tells. */
function carrier() {
  seen.mobile ||= navigator.connection?.type === "cellular";
}

async function finish(cause, at, detail = "") {
  if (ended) return;
  ended = true;
  visit?.end();
  wake?.release().catch(() => {});
  figures();
  const verdict = element("verdict");
  const known = config?.causes[cause] ?? { what: "The page could not ask its own server", todo: "Open it again" };
  if (cause) {
    step(at, "fails", [known.what, detail].filter(Boolean).join(": "));
    element("result").dataset.state = "fails";
    verdict.textContent = known.what;
    element("todo").textContent = known.todo;
  } else {
    const secure = config.relay.tls;
    step("hold", "ok", `${seconds} s without a break`);
    element("result").dataset.state = secure ? "ok" : "look";
    verdict.textContent = "This phone holds.";
    element("todo").textContent = secure ? "" : "The way is not encrypted: enough for sensor apps, not for a sensor page in a browser.";
  }
  element("again").hidden = false;
  await report(cause);
}

function body(cause) {
  return JSON.stringify({
    cause, seconds: began ? Math.round((performance.now() - began) / 1000) : 0, reconnects: visit?.reconnects ?? 0,
    silence_s: (visit?.silence ?? 0) / 1000, hidden: seen.hidden, secure: Boolean(config?.relay.tls),
  });
}

/** The terminal hears of it too, as soon as the phone can reach it. */
async function report(cause) {
  for (let turn = 0; turn < 20; turn += 1) {
    try {
      await fetch("/phone-check/result", {
        method: "POST", headers: { Authorization: `Bearer ${token}` }, body: body(cause), keepalive: true,
      });
      return;
    } catch {
      await new Promise((done) => setTimeout(done, 3000));
    }
  }
}

/** While the house is away: is the page's own server still there? That tells a lost network from a lost relay. */
async function lookAround() {
  const now = await where();
  if (!now) seen.away = true;
  seen.moved ||= now !== "" && seen.where !== "" && now !== seen.where;
}

async function join(host) {
  step("join", "runs");
  visit = new Visit(`${origin("ws", config.relay, host)}${config.relay.path}`, token, figures);
  const end = performance.now() + JOIN_MS;
  while (!visit.next) {
    if (performance.now() > end || visit.code >= 4000) return finish(joinCause(visit), "join", visit.error);
    await new Promise((done) => setTimeout(done, 50));
  }
  step("join", "ok", "joined as test, sent, acknowledged");
  visit.connections = 1; // what it took to come in is not a drop
  return hold();
}

async function hold() {
  step("hold", "runs", "sends four packets a second");
  began = performance.now();
  let broken = false;
  while (performance.now() - began < seconds * 1000 && !ended) {
    await new Promise((done) => setTimeout(done, 200));
    figures();
    if (visit.code === 4005) return finish("second", "hold");
    if (visit.live === broken) {
      broken = !broken;
      lookAround();
    }
    carrier();
    if (broken) step("hold", "runs", "cut off; trying to come back");
    else if (visit.reconnects) step("hold", "runs", "came back");
  }
  if (!visit.live) await lookAround();
  return finish(holdCause(visit, seen), "hold");
}

async function stayAwake() {
  try {
    wake = await navigator.wakeLock?.request("screen");
  } catch { /* a phone may refuse: the page says so below */ }
  return Boolean(wake);
}

async function run() {
  step("reached", "ok", location.host);
  config = await (await fetch("/phone-check/config", { cache: "no-store" })).json();
  if (!token) return finish("token", "reached");
  seen.where = await where();
  const host = config.relay.host || location.hostname;
  step("resolve", "runs", host);
  const found = await reach(config, host);
  if (found.cause) {
    const at = { certificate: "certificate", mixed: "certificate" }[found.cause] ?? "resolve";
    return finish(found.cause, at, found.found);
  }
  step("resolve", "ok", found.found);
  const awake = await stayAwake();
  const lock = awake ? "the screen stays on" : "this browser may lock the screen: touch it now and then";
  if (config.relay.tls) step("certificate", "ok", `accepted; ${lock}`);
  else step("certificate", "look", `none: ${isAddress(host) ? "an address" : "this name"} without encryption; ${lock}`);
  return join(host);
}

document.addEventListener("visibilitychange", () => {
  if (document.hidden && !ended) seen.hidden += 1;
  else if (!ended) stayAwake();
  figures();
});
addEventListener("offline", () => { if (!ended) seen.offline += 1; });
navigator.connection?.addEventListener?.("change", carrier);
addEventListener("pagehide", () => { if (!ended && visit) { ended = true; report("left"); } });
element("again").addEventListener("click", () => location.reload());
run().catch(() => finish("way", "resolve"));
