// Words and tables beside the drawings. Text is set as text, never as markup.
import { colour } from "./ramp.js";

const OLD_OUTPUT_S = 3; // the heartbeat leaves each second: longer means that this target gets nothing

const $ = (id) => document.getElementById(id);

export function put(id, text) {
  const node = $(id);
  if (node.textContent !== text) node.textContent = text;
}

export function number(value) {
  return value.toFixed(2);
}

export function plain(count) {
  return count.toLocaleString("en").replaceAll(",", "\u202f");
}

function amount(value, unit) {
  if (unit !== "bytes") return `${plain(value)} ${unit}`;
  return value < 1e5 ? `${(value / 1e3).toFixed(1)} kB` : `${(value / 1e6).toFixed(1)} MB`;
}

export function ago(seconds) {
  if (seconds === null) return "never";
  if (seconds < 2) return "now";
  if (seconds < 120) return `${Math.round(seconds)} s ago`;
  return `${Math.round(seconds / 60)} min ago`;
}

export function showHouse(house, seats) {
  const known = house.confidence > 0;
  put("value", known ? number(house.arousal) : "–");
  $("value").style.color = known ? colour(house.arousal) : "";
  put("words", known ? words(house) : "nobody counted");
  put("confidence", number(house.confidence));
  put("counted", `${plain(house.counted)} of ${plain(seats)}`);
  put("spread", known ? `${number(house.p10)} – ${number(house.p90)}` : "–");
  put("synchrony", house.synchrony_confidence > 0 ? number(house.synchrony) : "not yet known");
}

// 0.62 is one robust deviation above rest, 0.73 two: the words change there.
function words(house) {
  const away = Math.abs(house.arousal - 0.5);
  const side = house.arousal > 0.5 ? "above" : "below";
  const level = away < 0.04 ? "at rest" : `${away < 0.12 ? "a little " : away < 0.23 ? "" : "far "}${side} rest`;
  const trend = house.slope > 0.01 ? ", rising" : house.slope < -0.01 ? ", falling" : "";
  return level + trend;
}

const GLYPHS = ["dot", "disc", "disc", "disc", "ring", "ring", "ring", "cross", "bar"];

export function makeStates(names) {
  $("states").replaceChildren(
    ...names.map((name, i) => {
      const row = document.createElement("li");
      const glyph = document.createElement("i");
      glyph.className = GLYPHS[i] + (i === 6 ? " grey" : "");
      const [text, count] = [document.createElement("span"), document.createElement("b")];
      text.textContent = name;
      row.append(glyph, count, text);
      return row;
    }),
  );
}

export function showStates(counts) {
  [...$("states").children].forEach((row, i) => {
    row.querySelector("b").textContent = plain(counts[i]);
    row.classList.toggle("none", counts[i] === 0);
  });
}

// Rewrite a table's cells in place, so that focus and selection survive; a cell is text or [text, class].
function fill(id, rows) {
  const body = $(id);
  while (body.rows.length > rows.length) body.deleteRow(-1);
  rows.forEach((cells, i) => {
    const row = body.rows[i] ?? body.insertRow();
    cells.forEach((cell, j) => {
      const [text, kind] = Array.isArray(cell) ? cell : [cell, ""];
      const at = row.cells[j] ?? row.insertCell();
      if (at.textContent !== text) at.textContent = text;
      if (at.className !== kind) at.className = kind;
    });
  });
}

export function showSections(plan, sections) {
  const rows = plan.sections.filter((s) => sections[s.key]).map((s) => [s.title, sections[s.key]]);
  fill(
    "sections",
    rows.map(([title, e]) => [title, [e.confidence > 0 ? number(e.arousal) : "–", "away"], number(e.confidence), plain(e.counted)]),
  );
  rows.forEach(([, e], i) => bar($("sections").rows[i].cells[1], e));
}

// A bar from rest, as long as the value is away from it.
function bar(cell, estimate) {
  const known = estimate.confidence > 0;
  cell.style.setProperty("--from", `${100 * Math.min(estimate.arousal, 0.5)}%`);
  cell.style.setProperty("--to", `${known ? 100 * Math.max(estimate.arousal, 0.5) : 50}%`);
  cell.style.setProperty("--level", colour(estimate.arousal));
}

export function showPerformers(performers) {
  $("performers-part").hidden = performers.length === 0;
  fill("performers", performers.map((p) => [p.name, number(p.arousal), number(p.confidence)]));
}

// A seat's linkage in words: the largest correlation, its lag, and what is left of it without the house's response.
export function alike(links, seat) {
  const known = links.filter((p) => p.value[seat] !== 0);
  const said = known.map((p) => {
    const [value, lag, beyond] = [number(p.value[seat]), p.lag_s[seat].toFixed(1), number(p.beyond[seat])];
    return `alike with ${p.name} ${value}, ${lag} s after, ${beyond} beyond the house`;
  });
  return said.join(" · ") || "not yet known to be alike with anybody";
}

export function showOutputs(outputs) {
  const rows = outputs.map((o) => {
    const failing = o.note || o.age_s === null || o.age_s > OLD_OUTPUT_S;
    const state = failing ? [`✕ ${o.note || "nothing leaves"}`, "fault"] : ["● sending", ""];
    return [`${o.name}`, state, ago(o.age_s), ...[o.sent, o.refused, o.dropped, o.unreachable].map(plain)];
  });
  fill("outputs", rows.length ? rows : [["No output is set.", "", "", "", "", "", ""]]);
}

export function showQueues(queues) {
  const rows = queues.map((q) => {
    const full = q.bound > 0 ? q.fill / q.bound : 0;
    const fullness = `${amount(q.fill, q.unit)}${full >= 0.8 ? " ▲ nearly full" : ""}`;
    return [q.name, [fullness, full >= 0.8 ? "fault" : ""], amount(q.bound, q.unit), plain(q.lost), q.policy];
  });
  fill("queues", rows);
}

export function showNotices(notices) {
  const list = $("notices");
  list.hidden = notices.length === 0;
  lines(list, notices);
}

export function showLeftOut(said) {
  lines($("out"), said.length ? said : ["Every signal in use can be measured."]);
}

// Rewrite a list only when it says something new, so that a screen reader is not disturbed.
function lines(list, said) {
  if (list.dataset.said === said.join("\n")) return;
  list.dataset.said = said.join("\n");
  list.replaceChildren(
    ...said.map((text) => {
      const row = document.createElement("li");
      row.textContent = text;
      return row;
    }),
  );
}

export function clock(ms) {
  return new Date(ms).toLocaleTimeString("en-GB");
}
