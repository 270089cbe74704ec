// The page in the browser: figures as they arrive, how old they are, the trace, sounds, and the key that stops.
//
// Nothing needs this script but what moves: every view, every request and the stop work without it. It writes text and
// attributes only, never HTML from the stream; parts of a view that changed are fetched again from the server, which
// alone decides what may be shown.

const STALE_MS = 1000;
const DRIFT = 200e-6; // fastest that two quartz clocks run apart
const LATE_RECONNECT_MS = 2000;
const SILENT_MS = 4000; // the server sends every half second, so a stream that is silent for so long is dead
const TRACE_S = 20;

const root = document.documentElement;
const body = document.body;
const byRig = new Map();
for (const section of document.querySelectorAll("[data-rig]")) byRig.set(section.dataset.rig, section);

root.classList.replace("no-script", "script");

let stream = null;
let retry = null;
let tried = 0;

// --- how old the data are --------------------------------------------------------------------------------------------

// The least difference between arrival here and the server's clock is what the way takes at its best; a message with a
// larger one was on the way for that much longer, so what it tells was older by that when it came.
const heard = { at: null, offset: null, late: 0 };
const about = new Map(); // rig -> { age, link, at }

function arrived(sentMs) {
  const now = performance.now();
  const offset = now - sentMs;
  heard.offset = heard.offset === null ? offset : Math.min(offset, heard.offset + DRIFT * (now - heard.at));
  heard.at = now;
  heard.late = offset - heard.offset;
  return now;
}

function ageMs(rig) {
  const known = about.get(rig);
  if (!known || known.age === null) return null;
  return known.age * 1000 + known.late + (performance.now() - known.at);
}

function words(ms) {
  const s = ms / 1000;
  if (s < 10) return `${s.toFixed(1)} s`;
  return s < 120 ? `${Math.round(s)} s` : `${Math.round(s / 60)} min`;
}

function say(text) {
  const said = document.getElementById("said");
  if (said && said.textContent !== text) said.textContent = text;
}

function judge() {
  if (!body.dataset.stream) return;
  // A network that dies says nothing: the browser would wait for ever on a connection that leads nowhere.
  if (stream && performance.now() - Math.max(heard.at ?? 0, tried) > SILENT_MS) connect();
  for (const [rig, section] of byRig) {
    const age = ageMs(rig);
    const old = age === null || age > STALE_MS;
    const was = section.classList.contains("stale");
    section.classList.toggle("stale", old);
    const line = section.querySelector("[data-age]");
    if (line) {
      line.classList.toggle("is-old", old);
      const link = about.get(rig)?.link ?? "waiting for data";
      text(line, !old ? "Current" : age === null ? `Nothing current is known: ${link}.`
        : `Old: the newest data came ${words(age)} ago. Do not rely on any figure here.`);
    }
    if (old !== was) say(old ? `The data of ${rig} are old.` : `The data of ${rig} are current.`);
  }
  const broker = document.querySelector("[data-broker]");
  if (broker && heard.at !== null) {
    const dead = performance.now() - heard.at > STALE_MS;
    broker.classList.toggle("is-old", dead);
    if (dead) text(broker, `No word from the page’s server for ${words(performance.now() - heard.at)}: nothing here is current.`);
  }
}

// --- figures ---------------------------------------------------------------------------------------------------------

function text(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

function splitText(element, value) {
  const at = value.lastIndexOf(" ");
  if (element.textContent === value) return;
  element.classList.toggle("word", at < 0);
  if (at < 0) { element.textContent = value; return; }
  const unit = document.createElement("small");
  unit.textContent = value.slice(at);
  element.replaceChildren(value.slice(0, at), unit);
}

function figures(section, told) {
  for (const element of section.querySelectorAll("[data-figure]")) {
    const value = told.figures[element.dataset.figure];
    if (value === undefined) continue;
    if ("split" in element.dataset) splitText(element, value); else text(element, value);
  }
  for (const element of section.querySelectorAll("[data-bar]")) {
    const part = told.bars[element.dataset.bar];
    if (part !== undefined) element.setAttribute("width", (part * 1000).toFixed(1));
  }
  for (const element of section.querySelectorAll("[data-at]")) {
    const part = told.bars[element.dataset.at];
    if (part !== undefined) element.setAttribute("x", (part * 1000).toFixed(1));
  }
}

// --- parts of the view that changed ----------------------------------------------------------------------------------

let fetching = false;
let again = false;

async function refresh() {
  if (fetching) { again = true; return; }
  fetching = true;
  try {
    do {
      again = false;
      const answer = await fetch(location.href, { redirect: "error", signal: AbortSignal.timeout(SILENT_MS) });
      if (!answer.ok) break;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const section of fresh.querySelectorAll("[data-rig]")) {
        const here = byRig.get(section.dataset.rig);
        if (!here) { if (document.querySelector(".room")) { location.reload(); return; } continue; }
        here.dataset.marker = section.dataset.marker;
        if ("done" in section.dataset) here.dataset.done = "";
        here.classList.toggle("at-work", section.classList.contains("at-work"));
      }
      for (const part of fresh.querySelectorAll("[data-part]")) {
        if (part.dataset.part === "room") continue;
        const here = document.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
        // What the person is at is left alone; it is compared as text, because most parts stay the same.
        if (!here || here.innerHTML === part.innerHTML || here.contains(document.activeElement) && here.querySelector("form")) continue;
        here.replaceChildren(...part.childNodes);
      }
    } while (again);
  } catch { /* The stream says soon enough whether the server is there. */ } finally { fetching = false; }
}

// --- trace -----------------------------------------------------------------------------------------------------------

const points = []; // [t, load, position, velocity], oldest first; never longer than the window

function extend(told) {
  if (told.whole) points.length = 0;
  for (const point of told.trace) {
    const last = points.length ? points[points.length - 1][0] : -Infinity;
    if (point[0] < last - 5) points.length = 0;
    else if (point[0] <= last) continue;
    points.push(point);
  }
  const newest = points.length ? points[points.length - 1][0] : 0;
  let old = 0;
  while (old < points.length && points[old][0] < newest - TRACE_S) old += 1;
  points.splice(0, old);
}

let drawing = false;

function draw() {
  drawing = false;
  const svg = document.getElementById("trace");
  if (!svg || !points.length) return;
  const newest = points[points.length - 1][0];
  const x = (t) => (1000 * (1 - (newest - t) / TRACE_S)).toFixed(1);
  const line = (column, low, high) => {
    const scale = 280 / Math.max(high - low, 1e-9);
    return points.filter((p) => p[column] !== null).map((p) => `${x(p[0])},${(290 - (p[column] - low) * scale).toFixed(1)}`);
  };
  const span = (column, least) => points.reduce(([a, b], p) => p[column] === null ? [a, b] : [Math.min(a, p[column]), Math.max(b, p[column])], [0, least]);
  const load = line(1, ...span(1, 1));
  svg.querySelector("polyline.load").setAttribute("points", load.join(" "));
  svg.querySelector("polygon.load-area").setAttribute("points", load.length ? `${x(points[0][0])},290 ${load.join(" ")} 1000,290` : "");
  svg.querySelector("polyline.position").setAttribute("points", line(2, ...span(2, 0.5)).join(" "));
}

// --- sounds ----------------------------------------------------------------------------------------------------------

// Who is under a load cannot look at a screen. A drop: two notes down. The end: three long notes down. The last seconds
// of a rest: a short note each.
let audio = null;
const before = { set: null, drops: 0, working: false, tick: 0 };

function note(hertz, begins, lasts) {
  const wave = audio.createOscillator();
  const level = audio.createGain();
  const at = audio.currentTime + begins;
  wave.type = "triangle";
  wave.frequency.value = hertz;
  level.gain.setValueAtTime(0.0001, at);
  level.gain.exponentialRampToValueAtTime(0.4, at + 0.02);
  level.gain.exponentialRampToValueAtTime(0.0001, at + lasts);
  wave.connect(level).connect(audio.destination);
  wave.start(at);
  wave.stop(at + lasts + 0.05);
}

function sound(told) {
  const same = before.set === told.set;
  if (audio && same && told.drops > before.drops) { note(660, 0, 0.25); note(440, 0.22, 0.4); }
  if (audio && same && before.working && !told.working) { note(520, 0, 0.5); note(390, 0.45, 0.5); note(260, 0.9, 0.9); }
  if (audio && told.tick && told.tick !== before.tick) note(880, 0, 0.12);
  Object.assign(before, told);
}

const sounds = document.getElementById("sounds");
sounds?.addEventListener("click", async () => {
  if (audio) { await audio.close(); audio = null; } else { audio = new AudioContext(); await audio.resume(); note(660, 0, 0.2); }
  sounds.setAttribute("aria-pressed", String(audio !== null));
  sounds.textContent = audio ? "Sounds on" : "Sounds off";
});

// --- the stream ------------------------------------------------------------------------------------------------------

const states = new Map(); // rig -> state, which is announced when it changes

function take(event) {
  const told = JSON.parse(event.data);
  if (told.run !== body.dataset.run) { location.reload(); return; }
  const at = arrived(told.t * 1000);
  const rigs = Object.entries(told.rigs);
  let changed = false;
  for (const [rig, one] of rigs) {
    const section = byRig.get(rig);
    if (!section) { changed = true; continue; }
    about.set(rig, { age: one.age, link: one.link, at, late: heard.late });
    figures(section, one);
    if (one.marker !== section.dataset.marker) changed = true;
    if (one.trace) { extend(one); if (!drawing) { drawing = true; requestAnimationFrame(draw); } }
    if (byRig.size === 1 && states.get(rig) !== one.figures.state) {
      if (states.has(rig)) say(`${rig}: ${one.figures.state}`);
      states.set(rig, one.figures.state);
    }
    if (sounds) sound(one.sounds);
  }
  const broker = document.querySelector("[data-broker]");
  if (broker) text(broker, rigs.every(([, one]) => one.link !== "no connection to the broker") ? "Connected to the broker." : "No connection to the broker: nothing here is current.");
  judge();
  if (changed) refresh();
  if (heard.late > LATE_RECONNECT_MS) connect();
}

// A browser opens only a few connections to one server at a time, and each stream holds one. So a view that nobody sees
// gives its stream back, unless it is to be heard, and the stop gives it back before it asks for a connection.
function pause() {
  clearTimeout(retry);
  stream?.close();
  stream = null;
}

function connect() {
  pause();
  tried = performance.now();
  stream = new EventSource(body.dataset.stream);
  stream.addEventListener("open", () => { heard.offset = null; });
  stream.addEventListener("message", take);
  stream.addEventListener("over", () => { pause(); location.assign("/login"); });
  stream.addEventListener("error", () => {
    // The browser connects again by itself after a broken connection, but not after a refusal.
    if (stream?.readyState === EventSource.CLOSED) retry = setTimeout(connect, 2000);
  });
}

if (body.dataset.stream) {
  connect();
  setInterval(judge, 100);
  document.addEventListener("visibilitychange", () => {
    judge();
    if (document.hidden && !audio) pause(); else if (!stream) connect();
  });
  window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
}

// The view of a stop follows it closely, until the load is off.
if (document.querySelector("[data-poll]")) {
  const poll = setInterval(() => {
    if ([...document.querySelectorAll("[data-poll]")].every((one) => "done" in one.dataset)) clearInterval(poll);
    else refresh();
  }, 400);
}

// --- the key that stops ----------------------------------------------------------------------------------------------

const stop = document.getElementById("stop");
if (stop) {
  stop.addEventListener("submit", pause);
  window.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || event.repeat) return;
    event.preventDefault();
    stop.requestSubmit();
  }, { capture: true });
}
