// The take sheet: a moment is chosen on a trace, heard from there, looked at as a spectrum. Traces are asked for at
// the width they have on the screen.

import { again, drawingWidth, part, place, say } from "./page.js";

const tracks = document.getElementById("tracks");
const player = document.getElementById("player");
const take = encodeURIComponent(tracks.dataset.take);
let heard = null; // { track, what, button, from }

const lengthOf = (track) => Number(track.dataset.length);
const inputOf = (track) => track.querySelector("input[name=at_s]");

function clock(seconds) {
  const tenths = Math.round(seconds * 10);
  const rest = tenths % 600;
  return `${Math.floor(tenths / 600)}:${String(Math.floor(rest / 10)).padStart(2, "0")}.${rest % 10}`;
}

function stretchOf(track) {
  const { from, to } = track.querySelector(".trace").dataset;
  return [Number(from), Number(to)];
}

function hair(track, name, seconds) {
  const trace = track.querySelector(".trace");
  const svg = trace.querySelector("svg");
  let line = svg.querySelector(`.${name}`);
  if (seconds === null) { line?.remove(); return; }
  if (!line) {
    line = document.createElementNS("http://www.w3.org/2000/svg", "line");
    line.setAttribute("class", name);
    svg.append(line);
  }
  const { left, right, width } = trace.dataset;
  const box = svg.viewBox.baseVal;
  const [from, to] = stretchOf(track);
  if (seconds < from || seconds > to) { line.remove(); return; }
  const x = Number(left) + ((seconds - from) / Math.max(to - from, 1e-9)) * (Number(width) - left - right);
  for (const [key, value] of [["x1", x], ["x2", x], ["y1", 12], ["y2", box.height - 16]]) line.setAttribute(key, value);
}

function setMoment(track, seconds) {
  const at = Math.min(Math.max(seconds, 0), lengthOf(track));
  inputOf(track).value = at.toFixed(1);
  const trace = track.querySelector(".trace");
  trace.setAttribute("aria-valuenow", at.toFixed(1));
  trace.setAttribute("aria-valuetext", clock(at));
  const [from, to] = stretchOf(track);
  if (at < from || at > to) see(at - (to - from) / 2, at + (to - from) / 2);
  hair(track, "hair", at);
}

function momentOf(track) {
  return Math.min(Math.max(Number(inputOf(track).value) || 0, 0), lengthOf(track));
}

function stopListening() {
  player.pause();
  if (!heard) return;
  const track = document.getElementById(heard.track);
  if (track) {
    hair(track, "played", null);
    const button = track.querySelector(`[data-listen=${heard.what}]`);
    if (button) button.textContent = heard.words;
  }
  heard = null;
}

function listen(track, what) {
  const button = track.querySelector(`[data-listen=${what}]`);
  if (!button) return;
  const again = heard && heard.track === track.id && heard.what === what;
  stopListening();
  if (again) return;
  const state = track.querySelector("input[name=state]").value;
  const url = `listen?id=${take}&track=${track.dataset.track}&what=${what}&moves=${state}`;
  const at = momentOf(track);
  heard = { track: track.id, what, words: button.textContent };
  button.textContent = "Stop";
  if (player.dataset.url !== url) {
    player.dataset.url = url;
    player.src = url;
  }
  player.currentTime = at;
  player.play().catch((error) => {
    if (error.name === "AbortError") return;
    say("This cannot be heard; the mix or the file may be gone.");
    stopListening();
  });
}

player.addEventListener("timeupdate", () => {
  const track = heard && document.getElementById(heard.track);
  if (track) hair(track, "played", player.currentTime);
});
player.addEventListener("ended", stopListening);

async function spectrum(track) {
  const room = track.querySelector(".spectrum");
  const url = `spectrum?id=${take}&track=${track.dataset.track}&at_s=${momentOf(track)}&width=${Math.min(drawingWidth(track), 900)}`;
  const answer = await part(url);
  if (answer.ok) { room.innerHTML = answer.body; say(`Spectrum at ${clock(momentOf(track))}.`); } else say("No spectrum could be drawn there.");
}

tracks.addEventListener("click", (event) => {
  const track = event.target.closest("[data-track]");
  if (!track) return;
  const button = event.target.closest("button");
  if (button?.dataset.listen) listen(track, button.dataset.listen);
  else if (button && "spectrum" in button.dataset) spectrum(track);
});

// Which second of the take a pointer stands at.
function secondAt(track, clientX) {
  const trace = track.querySelector(".trace");
  const svg = trace.querySelector("svg").getBoundingClientRect();
  const { left, right, width } = trace.dataset;
  const scale = svg.width / Number(width);
  const share = (clientX - svg.left - left * scale) / (svg.width - (Number(left) + Number(right)) * scale);
  const [from, to] = stretchOf(track);
  return Math.min(Math.max(from + share * (to - from), from), to);
}

// A press chooses a moment; drawn along the trace it chooses the stretch to see.
let drag = null;
tracks.addEventListener("pointerdown", (event) => {
  const trace = event.target.closest(".trace");
  if (!trace || event.button) return;
  const track = trace.closest("[data-track]");
  const at = secondAt(track, event.clientX);
  setMoment(track, at);
  drag = { track, x: event.clientX, at, to: null };
});
window.addEventListener("pointermove", (event) => {
  if (!drag || Math.abs(event.clientX - drag.x) < 8) return;
  drag.to = secondAt(drag.track, event.clientX);
  const svg = drag.track.querySelector(".trace svg");
  let box = svg.querySelector(".chosen");
  if (!box) {
    box = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    box.setAttribute("class", "chosen");
    svg.append(box);
  }
  const { left, right, width } = drag.track.querySelector(".trace").dataset;
  const [from, to] = stretchOf(drag.track);
  const place = (second) => Number(left) + ((second - from) / Math.max(to - from, 1e-9)) * (Number(width) - left - right);
  const ends = [place(drag.at), place(drag.to)].sort((a, b) => a - b);
  for (const [key, value] of [["x", ends[0]], ["width", ends[1] - ends[0]], ["y", 12], ["height", svg.viewBox.baseVal.height - 28]]) box.setAttribute(key, value);
});
function letGo() {
  if (!drag) return;
  const { track, at, to } = drag;
  drag = null;
  track.querySelector(".trace .chosen")?.remove();
  if (to !== null && Math.abs(to - at) > 0.05) see(Math.min(at, to), Math.max(at, to));
}
window.addEventListener("pointerup", letGo);
window.addEventListener("pointercancel", () => { drag?.track.querySelector(".trace .chosen")?.remove(); drag = null; });
tracks.addEventListener("wheel", (event) => {
  const trace = event.target.closest(".trace");
  if (!trace || !(event.ctrlKey || event.metaKey)) return; // the wheel alone goes down the sheet
  event.preventDefault();
  const track = trace.closest("[data-track]");
  zoom(track, event.deltaY > 0 ? 1.5 : 1 / 1.5, secondAt(track, event.clientX));
}, { passive: false });

tracks.addEventListener("input", (event) => {
  if (event.target.name !== "at_s") return;
  const track = event.target.closest("[data-track]");
  hair(track, "hair", momentOf(track));
});

tracks.addEventListener("keydown", (event) => {
  if (!event.target.matches(".trace") || event.ctrlKey || event.metaKey || event.altKey) return;
  const track = event.target.closest("[data-track]");
  const far = event.shiftKey ? 10 : 1;
  const act = {
    ArrowLeft: () => setMoment(track, momentOf(track) - far),
    ArrowRight: () => setMoment(track, momentOf(track) + far),
    Home: () => setMoment(track, 0),
    End: () => setMoment(track, lengthOf(track)),
    l: () => listen(track, "raw"),
    k: () => listen(track, "levelled"),
    s: () => spectrum(track),
    "+": () => zoom(track, 0.5, momentOf(track)),
    "-": () => zoom(track, 2, momentOf(track)),
    0: () => see(0, lengthOf(track)),
    PageUp: () => turn(-0.5),
    PageDown: () => turn(0.5),
  }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!act) return;
  event.preventDefault();
  act();
});

tracks.addEventListener("placed", (event) => {
  const track = event.target;
  if (!track.matches("[data-track]")) return;
  if (momentOf(track)) setMoment(track, momentOf(track));
  if (heard?.track === track.id) {
    const button = track.querySelector(`[data-listen=${heard.what}]`);
    if (button) button.textContent = "Stop"; else stopListening();
  }
});

// The stretch all traces show. Drawings come at the width they are seen at, when they are seen.
const form = document.getElementById("stretch");
const whole = Math.max(...[...tracks.querySelectorAll("[data-track]")].map(lengthOf));
const LEAST_S = 0.5;
let shown = stretchOf(tracks.querySelector("[data-track]")); // the fields of the form are rounded
const seen = new Set();

const wholeTake = () => shown[0] <= 0 && shown[1] >= whole - 1e-3;
const ends = () => (wholeTake() ? "" : `&from_s=${shown[0].toFixed(3)}&to_s=${shown[1].toFixed(3)}`);

function see(from, to) {
  const length = Math.min(Math.max(to - from, LEAST_S), whole);
  const start = Math.min(Math.max((from + to - length) / 2, 0), whole - length);
  shown = [start, start + length];
  form.from_s.value = shown[0].toFixed(1);
  form.to_s.value = shown[1].toFixed(1);
  const [a, b] = shown.map((second) => (1000 * second) / Math.max(whole, 1e-3));
  form.querySelector(".part").setAttribute("d", `M${a},1v8M${a},5H${b}m0,-4v8`);
  const here = new URL(location.href);
  for (const name of ["from_s", "to_s", "zoom"]) here.searchParams.delete(name);
  if (!wholeTake()) { here.searchParams.set("from_s", shown[0].toFixed(3)); here.searchParams.set("to_s", shown[1].toFixed(3)); }
  history.replaceState(null, "", here);
  for (const track of seen) draw(track);
  for (const pair of document.querySelectorAll(".drawn-pair")) {
    pair.dataset.lazy = pair.dataset.lazy.replace(/&from_s=.*$/, "") + ends();
    if (pair.querySelector("svg")) again(pair);
  }
  say(wholeTake() ? "The whole take." : `${clock(shown[0])} to ${clock(shown[1])}.`);
}

function zoom(track, factor, about) {
  const [from, to] = shown;
  const share = about >= from && about <= to ? (about - from) / Math.max(to - from, 1e-9) : 0.5;
  const middle = about >= from && about <= to ? about : (from + to) / 2;
  const length = Math.min(Math.max((to - from) * factor, LEAST_S), whole);
  see(middle - share * length, middle + (1 - share) * length);
}

function turn(by) {
  const length = shown[1] - shown[0];
  const start = Math.min(Math.max(shown[0] + by * length, 0), whole - length);
  see(start, start + length);
}

async function draw(track) {
  const trace = track.querySelector(".trace");
  const width = drawingWidth(track);
  const wanted = `${shown.join()} ${track.dataset.show}`;
  const [from, to] = stretchOf(track);
  const fits = Math.abs(width - Number(trace.dataset.width)) < 60;
  if (fits && Math.abs(from - shown[0]) < 1e-3 && Math.abs(to - shown[1]) < 1e-3) return;
  if (trace.dataset.wanted === `${wanted} ${width}`) return;
  trace.dataset.wanted = `${wanted} ${width}`;
  const [a, b] = shown;
  const answer = await part(`trace?id=${take}&track=${track.dataset.track}&show=${track.dataset.show}&width=${width}${ends()}`);
  if (!answer.ok || trace.dataset.wanted !== `${wanted} ${width}`) return;
  trace.innerHTML = answer.body;
  Object.assign(trace.dataset, { from: a, to: b, width, wanted: "" });
  if (momentOf(track)) hair(track, "hair", momentOf(track));
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  const first = tracks.querySelector("[data-track]");
  const act = {
    closer: () => zoom(first, 0.5, momentOf(first) || -1),
    wider: () => zoom(first, 2, momentOf(first) || -1),
    earlier: () => turn(-0.5),
    later: () => turn(0.5),
    whole: () => see(0, whole),
  }[event.submitter?.value];
  if (act) act();
  else see(Number(form.from_s.value), Number(form.to_s.value));
});

const eye = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (entry.isIntersecting) { seen.add(entry.target); draw(entry.target); } else seen.delete(entry.target);
  }
}, { rootMargin: "400px" });
for (const track of tracks.querySelectorAll("[data-track]")) eye.observe(track);
tracks.addEventListener("placed", (event) => { if (event.target.matches("[data-track]")) eye.observe(event.target); });

// Any two tracks held against each other.
const hold = document.querySelector("form[data-hold]");
hold?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const held = document.getElementById("held");
  const answer = await part(`pair?id=${take}&track=${hold.track.value}&other=${hold.other.value}&width=${drawingWidth(held)}${ends()}`);
  if (answer.ok) held.innerHTML = answer.body;
  else say(new DOMParser().parseFromString(answer.body, "text/html").querySelector("[role=alert]")?.textContent ?? "They cannot be drawn.");
});
