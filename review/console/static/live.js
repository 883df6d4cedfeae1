// Keeps a page up to date: hears what changed, asks for the parts of this page that show it, and puts them in
// place without taking away what somebody is doing. Without it the page is as it was when it was asked for.
//
// <div data-live="NAME" id=...>  a part; the page's template has it in the block live_NAME
//   data-live-of="NF-03"    only this truck's changes matter
//   data-live-every="10"    least seconds between two askings (5 unless told)
//   data-live-keys          its elements with data-key="NF-03" are replaced one by one
//   data-live-say="..."     read out politely when it changed

const EVERY_S = 5;
const DOWN_AFTER_MS = 10_000;
const POLL_MS = 30_000;
const HIDDEN_MS = 60_000;
const said = document.getElementById("said");
const line = document.getElementById("line");
const zone = document.body.dataset.zone;
let mark = document.body.dataset.liveFrom;
let source = null;
let downSince = null;
let ended = false;
let waiting = new Map(); // part -> trucks that changed, null: all
const askedAt = new WeakMap();
const askingFor = new WeakSet();

const parts = () => [...document.querySelectorAll("[data-live]")];

function clock(date) {
  const how = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
  try {
    return date.toLocaleTimeString([], { ...how, timeZone: zone });
  } catch {
    return date.toLocaleTimeString([], how);
  }
}

function tell(text) {
  if (line.textContent === text) return;
  line.textContent = text;
  line.hidden = text === "";
}

function down() {
  downSince ??= new Date();
  setTimeout(() => {
    if (downSince) tell(`Not live since ${clock(downSince)}. What is shown may be older than it says.`);
  }, DOWN_AFTER_MS);
}

function up() {
  downSince = null;
  tell("");
}

function signedOut() {
  ended = true;
  source?.close();
  source = null;
  line.replaceChildren("You are signed out. ", Object.assign(document.createElement("a"), { href: "/sign-in", textContent: "Sign in" }));
  line.hidden = false;
}

function connect() {
  if (source || ended) return;
  source = new EventSource(`/live?from=${encodeURIComponent(mark)}`);
  source.addEventListener("open", up);
  source.addEventListener("change", (event) => {
    mark = event.lastEventId;
    note(JSON.parse(event.data).trucks);
  });
  source.addEventListener("ended", signedOut);
  source.addEventListener("error", () => {
    down();
    if (source?.readyState === EventSource.CLOSED) {
      source = null;
      refused();
    }
  });
}

// Too many listen, or nobody is signed in any more; which of them a stream does not tell.
async function refused() {
  const why = await fetch("/live", { method: "HEAD", cache: "no-store" }).catch(() => null);
  if (why?.status === 401) return signedOut();
  setTimeout(() => { note(null); if (!document.hidden) connect(); }, POLL_MS);
}

function note(trucks) {
  document.dispatchEvent(new CustomEvent("heatbook:change", { detail: { trucks } }));
  for (const part of parts()) {
    const of = part.dataset.liveOf;
    if (of && trucks && !trucks.includes(of)) continue;
    const before = waiting.get(part);
    waiting.set(part, trucks === null || before === null ? null : [...(before ?? []), ...trucks]);
  }
  ask();
}

function ask() {
  for (const [part, trucks] of waiting) {
    if (!part.isConnected) { waiting.delete(part); continue; }
    if (askingFor.has(part) || busy(part)) continue;
    const every = 1000 * (part.dataset.liveEvery ?? EVERY_S);
    if (performance.now() - (askedAt.get(part) ?? -Infinity) < every) continue;
    waiting.delete(part);
    askedAt.set(part, performance.now());
    askFor(part, trucks);
  }
}

// Somebody writes in it, or chooses: not now.
function busy(part) {
  const at = document.activeElement;
  return part.contains(at) && at.matches("input:not([type=hidden]), select, textarea");
}

async function askFor(part, trucks) {
  askingFor.add(part);
  try {
    const headers = { "Live-Part": part.dataset.live };
    if ("liveKeys" in part.dataset && trucks) {
      const shown = [...new Set(trucks)].filter((name) => keyed(part, name));
      if (shown.length === 0) return;
      headers["Live-Keys"] = shown.join(",");
    }
    const answer = await fetch(location.href, { headers, redirect: "manual", cache: "no-store" });
    if (answer.type === "opaqueredirect" || answer.status === 401) return signedOut();
    if (!answer.ok) throw new Error(String(answer.status));
    replace(part, await answer.text(), headers["Live-Keys"]?.split(","));
    if (!source) up();
  } catch {
    down();
  } finally {
    askingFor.delete(part);
  }
}

const keyed = (within, key) => within.querySelector(`[data-key="${CSS.escape(key)}"]`);

function replace(part, html, keys) {
  const held = document.createElement("template");
  held.innerHTML = html;
  if (keys) {
    for (const key of keys) {
      const old = keyed(part, key), fresh = keyed(held.content, key);
      if (old && fresh) exchange(old, fresh);
    }
    return;
  }
  const fresh = held.content.querySelector(`[data-live="${CSS.escape(part.dataset.live)}"]`);
  if (!fresh) return;
  const words = fresh.dataset.liveSay ?? "";
  if (words !== (part.dataset.liveSay ?? "")) said.textContent = words;
  exchange(part, fresh);
}

// Puts new content in place of old; focus stays where it was and what was opened stays open.
function exchange(old, fresh) {
  if (old.innerHTML === fresh.innerHTML) return;
  const at = old.contains(document.activeElement) ? path(old, document.activeElement) : null;
  const open = [...old.querySelectorAll("details[open][id]")].map((each) => each.id);
  for (const id of open) fresh.querySelector(`#${CSS.escape(id)}`)?.setAttribute("open", "");
  for (const { name, value } of fresh.attributes) old.setAttribute(name, value);
  old.replaceChildren(...fresh.childNodes);
  if (at) find(old, at)?.focus({ preventScroll: true });
}

function path(root, element) {
  if (element.id) return { id: element.id };
  const alike = [...root.querySelectorAll(element.localName)];
  return { name: element.localName, href: element.getAttribute("href"), place: alike.indexOf(element) };
}

function find(root, at) {
  if (at.id) return root.querySelector(`#${CSS.escape(at.id)}`);
  if (at.href) return root.querySelector(`${at.name}[href="${CSS.escape(at.href)}"]`);
  return root.querySelectorAll(at.name)[at.place];
}

let sleep = null;
document.addEventListener("visibilitychange", () => {
  clearTimeout(sleep);
  if (document.hidden) {
    // A browser has six connections to one server: a page nobody looks at gives its one back.
    sleep = setTimeout(() => { source?.close(); source = null; }, HIDDEN_MS);
  } else {
    connect();
  }
});
setInterval(ask, 1000);
connect();
