// A form over a TOML file: what follows from it is reckoned while values change; what was not saved is not lost unasked.

import { part, place, say } from "./page.js";

const form = document.querySelector("form[data-reckon]");
const state = document.getElementById("state");
const text = document.getElementById("text");
let timer = 0;
let asked = 0;
let leaving = false;

async function reckon() {
  const mine = ++asked;
  const sent = new URLSearchParams(new FormData(form));
  sent.set("do", "reckon");
  try {
    const answer = await part(form.action, { method: "POST", body: sent });
    if (mine !== asked) return; // a later value is on its way
    place(answer.body);
    form.toggleAttribute("data-wrong", Boolean(document.querySelector("#answer [role=alert]")));
  } catch {
    say("The page is not answering; is it still running?");
  }
}

form.addEventListener("input", () => {
  form.setAttribute("data-changed", "");
  state.textContent = "Not saved yet.";
  clearTimeout(timer);
  timer = setTimeout(reckon, 250);
});
form.addEventListener("submit", () => {
  leaving = true;
  sessionStorage.setItem("unfolded", JSON.stringify([...form.querySelectorAll("details[open][id]")].map((one) => one.id)));
});
for (const id of JSON.parse(sessionStorage.getItem("unfolded") ?? "[]")) document.getElementById(id)?.setAttribute("open", "");
window.addEventListener("beforeunload", (event) => {
  if (form.hasAttribute("data-changed") && !leaving) event.preventDefault();
});

// What a link leads to is unfolded.
function unfold() { document.getElementById(decodeURIComponent(location.hash.slice(1)))?.closest("details")?.setAttribute("open", ""); }
window.addEventListener("hashchange", unfold);
unfold();

// Up and down nudge a number, with Shift by ten, where a number stands alone in its field.
form.addEventListener("keydown", (event) => {
  const step = { ArrowUp: 1, ArrowDown: -1 }[event.key];
  const field = event.target;
  if (!step || !field.matches("[data-number]") || event.altKey || event.ctrlKey || event.metaKey) return;
  const now = Number((field.value || field.placeholder || "0").replace("−", "-"));
  if (!Number.isFinite(now)) return;
  event.preventDefault();
  const digits = (field.value.split(".")[1] ?? "").length;
  field.value = (now + step * (event.shiftKey ? 10 : 1) * (digits ? 10 ** -digits : 1)).toFixed(digits);
  field.dispatchEvent(new Event("input", { bubbles: true }));
});

// An error names a line: go there.
const line = Number(text?.dataset.line);
if (line) {
  const rows = text.value.split("\n");
  const start = rows.slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
  text.setSelectionRange(start, start + rows[line - 1].length);
  text.scrollTop = Math.max(0, (line - 5) * (text.scrollHeight / rows.length));
}
