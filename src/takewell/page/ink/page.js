// The small hypermedia script: parts that come when they are looked at, forms that replace the part they change,
// work that tells how far it is. Everything also works without it.

const said = document.getElementById("said");
let saidTimer = 0;

export function say(words) {
  said.textContent = words;
  clearTimeout(saidTimer);
  saidTimer = setTimeout(() => { said.textContent = ""; }, 6000);
}

export async function part(url, options = {}) {
  const answer = await fetch(url, { ...options, headers: { "X-Fragment": "1", ...(options.headers ?? {}) } });
  const body = await answer.text();
  return { ok: answer.ok, status: answer.status, body, moved: answer.redirected ? answer.url : "" };
}

// Replaces every element of the page that the answer brings anew, by its id; keeps the keyboard where it was.
export function place(body) {
  const brought = new DOMParser().parseFromString(body, "text/html");
  const focused = document.activeElement?.id;
  let placed = 0;
  for (const fresh of [...brought.body.children]) {
    const old = fresh.id && document.getElementById(fresh.id);
    if (!old) continue;
    const kept = old.querySelector("input[name=at_s]")?.value;
    old.replaceWith(fresh);
    const at = fresh.querySelector("input[name=at_s]");
    if (at && kept !== undefined) at.value = kept;
    fresh.dispatchEvent(new CustomEvent("placed", { bubbles: true }));
    placed += 1;
  }
  if (focused && !document.activeElement?.id) document.getElementById(focused)?.focus({ preventScroll: true });
  return placed;
}

function firstSentence(body) {
  return new DOMParser().parseFromString(body, "text/html").querySelector("[role=alert]")?.textContent ?? "That was not done.";
}

// Parts that come when they are looked at.
const waiting = [];
let running = 0;
function next() {
  while (running < 4 && waiting.length) {
    const target = waiting.shift();
    running += 1;
    const wide = "wide" in target.dataset ? `&width=${drawingWidth(target)}` : "";
    part(target.dataset.lazy + wide).then(
      (answer) => { target.innerHTML = answer.ok ? answer.body : ""; },
      () => { target.textContent = "The page is not answering."; },
    ).finally(() => { running -= 1; next(); });
  }
}
const eye = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (!entry.isIntersecting) continue;
    eye.unobserve(entry.target);
    waiting.push(entry.target);
  }
  next();
}, { rootMargin: "600px" });
for (const target of document.querySelectorAll("[data-lazy]")) eye.observe(target);
export function again(target) { waiting.push(target); next(); }
window.addEventListener("beforeprint", () => {
  for (const target of document.querySelectorAll("[data-lazy]")) { eye.unobserve(target); if (!target.querySelector(".strip, svg[role=img]")) waiting.push(target); }
  next();
});

// Forms that replace what they change.
document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("form[data-swap]")) return;
  event.preventDefault();
  if (form.getAttribute("aria-busy")) return; // Enter says "changed" and "submit" at once
  const button = event.submitter;
  const sent = new URLSearchParams(new FormData(form));
  if (button?.name) sent.set(button.name, button.value);
  if (button?.dataset.by) sent.set("by_db", button.dataset.by);
  if (!sent.has("do")) sent.set("do", "gain");
  const track = form.closest("[data-track]");
  const url = new URL(form.action);
  if (track) {
    url.searchParams.set("show", track.dataset.show);
    url.searchParams.set("width", drawingWidth(track));
    const { from, to } = track.querySelector(".trace").dataset;
    if (Number(from) > 0 || Number(to) < Number(track.dataset.length) - 1e-3) { url.searchParams.set("from_s", from); url.searchParams.set("to_s", to); }
  }
  form.setAttribute("aria-busy", "true");
  try {
    const answer = await part(url, { method: "POST", body: sent });
    if (!place(answer.body)) say(firstSentence(answer.body));
    else say(answer.ok ? "Saved to moves.csv." : "Changed elsewhere meanwhile; nothing was written.");
  } catch {
    say("The page is not answering; is it still running?");
  } finally {
    form.removeAttribute("aria-busy");
  }
});
document.addEventListener("change", (event) => {
  if (event.target.matches("form[data-swap] input[name=gain_db]") && event.target.closest(".gain")) {
    event.target.form.requestSubmit(event.target.form.querySelector("button[value=gain]"));
  }
});

export function drawingWidth(track) {
  // Words in a drawing grow with the words around it: on a large screen it is drawn narrower and shown larger.
  const larger = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
  const room = (track.querySelector(".trace")?.clientWidth ?? (track.clientWidth || 1110)) / Math.max(larger, 1);
  return Math.min(Math.max(Math.round(room), 320), 4000);
}

// Finding takes as one types, and walking through them with the arrow keys.
const filter = document.querySelector("form[data-filter]");
if (filter) {
  const rows = [...document.querySelectorAll("#day tbody tr")];
  const counted = document.getElementById("count");
  const words = rows.map((row) => row.textContent.toLowerCase());
  const show = () => {
    const parts = filter.q.value.toLowerCase().split(/\s+/).filter(Boolean);
    const verdict = filter.verdict.value;
    let left = 0;
    rows.forEach((row, k) => {
      const meant = parts.every((one) => words[k].includes(one))
        && (!verdict || (verdict === "circled" ? row.hasAttribute("data-c") : row.dataset.v === verdict));
      row.hidden = !meant;
      left += meant ? 1 : 0;
    });
    counted.textContent = `${left === rows.length ? "" : `${left} of `}${rows.length} take${rows.length === 1 ? "" : "s"}`;
  };
  if (!new URLSearchParams(location.search).toString()) {
    filter.addEventListener("input", show);
    filter.addEventListener("submit", (event) => { event.preventDefault(); show(); });
  }
  document.getElementById("day").addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    const row = event.target.closest("tr");
    if (!step || !row) return;
    const seen = rows.filter((one) => !one.hidden);
    seen[seen.indexOf(row) + step]?.querySelector("a")?.focus();
    event.preventDefault();
  });
}

// Work that tells how far it is.
const card = document.querySelector("[data-events]");
if (card) {
  const events = new EventSource(card.dataset.events);
  events.addEventListener("card", (event) => { card.innerHTML = event.data; });
  events.addEventListener("end", (event) => {
    events.close();
    card.innerHTML = event.data;
    document.getElementById("stop")?.remove();
    say(card.querySelector(".notice, .problem")?.textContent ?? "It has ended.");
  });
}
