// The take sheet: a moment is chosen on a trace, heard from there, looked at as a spectrum. Traces are asked for at
// the width they have on the screen.

import { drawingWidth, part, place, say } from "./page.js";

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
  const x = Number(left) + (seconds / Math.max(lengthOf(track), 1e-9)) * (Number(width) - left - right);
  for (const [key, value] of [["x1", x], ["x2", x], ["y1", 12], ["y2", box.height - 16]]) line.setAttribute(key, value);
}

function setMoment(track, seconds) {
  const at = Math.min(Math.max(seconds, 0), lengthOf(track));
  inputOf(track).value = at.toFixed(1);
  const trace = track.querySelector(".trace");
  trace.setAttribute("aria-valuenow", at.toFixed(1));
  trace.setAttribute("aria-valuetext", clock(at));
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

tracks.addEventListener("pointerdown", (event) => {
  const trace = event.target.closest(".trace");
  if (!trace) return;
  const track = trace.closest("[data-track]");
  const svg = trace.querySelector("svg").getBoundingClientRect();
  const { left, right, width } = trace.dataset;
  const scale = svg.width / Number(width);
  const share = (event.clientX - svg.left - left * scale) / (svg.width - (Number(left) + Number(right)) * scale);
  setMoment(track, share * lengthOf(track));
});

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

// Drawings at the width they are seen at.
const eye = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (!entry.isIntersecting) continue;
    eye.unobserve(entry.target);
    const track = entry.target;
    const width = drawingWidth(track);
    if (Math.abs(width - Number(track.querySelector(".trace").dataset.width)) < 60) continue;
    part(`track?id=${take}&track=${track.dataset.track}&show=${track.dataset.show}&width=${width}`)
      .then((answer) => { if (answer.ok) place(answer.body); });
  }
}, { rootMargin: "400px" });
for (const track of tracks.querySelectorAll("[data-track]")) eye.observe(track);
