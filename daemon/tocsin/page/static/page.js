// The page: listens to the daemon, shows what it says, and says so when it falls silent.
import { ahead, cells, el, svg, warmth } from "./draw.js";

const STALE_MS = 4000, REOPEN_MS = 8000;
const $ = (id) => document.getElementById(id);
const picture = {};
let heard = performance.now(), opened = heard, isStale = true, wasHeard = false, source = null, key = null, canSignIn = true, later = null;
const listeners = [];

export const clock = (when) => new Date(when).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
export const onTold = (what) => listeners.push(what);
export async function get(path) {
  const answer = await fetch(path, { headers: { Accept: "application/json" } });
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.why ?? `the daemon says ${answer.status}`);
  return told;
}

// --- the stream -------------------------------------------------------------------
function open() {
  source?.close();
  opened = performance.now();
  source = new EventSource("/api/stream");
  source.addEventListener("whole", (event) => take(JSON.parse(event.data)));
  source.addEventListener("parts", (event) => take(JSON.parse(event.data)));
}

function take(parts) {
  heard = performance.now();
  wasHeard = true;
  const told = picture.told;
  Object.assign(picture, parts);
  for (const [name, draw] of Object.entries(DRAW))
    if (name in parts || (name !== "at" && "site" in parts)) draw(picture[name]);
  watch();
  if (told !== picture.told) listeners.forEach((what) => what());
}

function watch() {
  const now = performance.now(), silent = now - heard, old = !wasHeard || silent > STALE_MS;
  if (old !== isStale) {
    isStale = old;
    document.body.classList.toggle("stale", old);
    if (!old) { $("stale").replaceChildren(); who(); }
  }
  if (old) {
    const words = wasHeard ? `No word from the daemon since ${clock(Date.now() - silent)}. Everything below is old.` : "Waiting for the daemon. Nothing is known yet.";
    const said = $("stale").firstElementChild;
    if (!said) $("stale").append(el("p", {}, words));
    else if (said.textContent !== words) said.textContent = words;
    if (now - opened > REOPEN_MS || source.readyState === EventSource.CLOSED && now - opened > 2000) open();
  }
}

// --- the first screen -------------------------------------------------------------
const SIGNS = {
  well: ["M24 4a20 20 0 1 0 .1 0z", "M14 25l7 7 13-15"],
  look: ["M24 5L45 42H3z", "M24 18v11", "M24 35v.5"],
  act: ["M15 3h18l12 12v18L33 45H15L3 33V15z", "M24 12v16", "M24 35v.5"],
  blind: ["M4 4h40v40H4z", "M17 18c0-10 15-9 14 0-1 5-7 5-7 11", "M24 36v.5"],
};

function answer(verdict) {
  const { level, headline, time, steps, todo } = verdict;
  $("answer").dataset.level = level;
  $("sign").replaceChildren(...SIGNS[level].map((d) => svg("path", { d })));
  text($("headline"), headline);
  text($("big"), time.big);
  text($("small"), time.small);
  document.title = `${headline}: ${picture.site.name}`;
  const items = steps.map((s) => el("li", s.in_s === null ? { class: "is-now" } : {}, el("b", {}, s.in_s === null ? "now" : `in ${s.in}`), s.what));
  $("steps").replaceChildren(...(items.length ? items : [el("li", { class: "alone" }, "Nothing has to happen.")]));
  $("todo").replaceChildren(...(todo.length ? todo : ["Nothing."]).map((what) => el("li", {}, what)));
}

function text(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

// --- alarms -----------------------------------------------------------------------
const MARKS = { high: "▲ HIGH", medium: "◆ MEDIUM", low: "● LOW" };
const VERBS = { acknowledge: "Acknowledge", reset: "Reset", shelve: "Shelve", unshelve: "Unshelve", return: "Back to service" };
const shown = new Map();

function alarms(every) {
  const rank = (a) => (a.sounding ? 0 : 10) + ["high", "medium", "low"].indexOf(a.priority);
  const sorted = [...every].sort((a, b) => rank(a) - rank(b));
  const keys = new Set(sorted.map(keyOf));
  for (const [name, item] of shown) if (!keys.has(name)) { item.remove(); shown.delete(name); }
  sorted.forEach((alarm, i) => {
    const item = shown.get(keyOf(alarm)) ?? made(alarm);
    fill(item, alarm);
    const here = $("alarm-list").children[i];
    if (here !== item) $("alarm-list").insertBefore(item, here ?? null);
  });
  $("no-alarms").hidden = every.length > 0;
  $("ack-all").hidden = every.filter((a) => a.verbs.includes("acknowledge")).length < 2;
}
const keyOf = (alarm) => `${alarm.alarm} ${alarm.of}`;

function made(alarm) {
  const item = el("li", {}, el("p", {}, el("span", { class: "mark" }), " ", el("b"), " ", el("span", { class: "soft" })), el("p", { class: "message" }), el("p", { class: "doing" }),
    el("details", {}, el("summary", {}, `Why, and what comes of it: ${alarm.alarm}, ${alarm.of}`), el("p"), el("p")));
  shown.set(keyOf(alarm), item);
  return item;
}

function fill(item, alarm) {
  item.dataset.priority = alarm.priority;
  item.toggleAttribute("data-loud", alarm.active && !["shelved", "suppressed by design", "out of service"].includes(alarm.state));
  text(item.querySelector(".mark"), MARKS[alarm.priority]);
  text(item.querySelector("b"), `${alarm.alarm}, ${alarm.subject}`);
  text(item.querySelector(".soft"), `${alarm.proving ? "PROOF TEST, not real: " : ""}${alarm.state} since ${clock(alarm.since)}`);
  text(item.querySelector(".message"), alarm.message);
  const [cause, consequence] = item.querySelectorAll("details p");
  text(cause, alarm.cause);
  text(consequence, alarm.consequence);
  if (item.dataset.verbs === String(alarm.verbs)) return;
  item.dataset.verbs = String(alarm.verbs);
  item.querySelector(".doing").replaceChildren(...alarm.verbs.map((verb) => {
    const button = el("button", { type: "button", "data-verb": verb, "aria-label": `${VERBS[verb]} ${alarm.alarm}, ${alarm.of}` }, VERBS[verb]);
    button.addEventListener("click", () => (verb === "shelve" ? shelve(alarm) : act({ do: verb, alarm: alarm.alarm, subject: alarm.of })));
    return button;
  }));
}

// --- the rest ---------------------------------------------------------------------
const ROLES = { "charge-permit": "charge permit", "load-permit": "load permit", horn: "horn", beacon: "beacon", "generator-call": "generator call", "heater-call": "heater call", "generator-load": "generator load", heartbeat: "heartbeat" };

function outputs(every) {
  $("silence").hidden = !every.some((o) => o.role === "horn" && o.energised);
  $("output-list").replaceChildren(...every.map((o) => {
    const permit = o.role.endsWith("permit"), acts = !["heartbeat", "generator-load"].includes(o.role) && permit !== o.energised;
    const word = permit ? (o.energised ? "allowed" : "held back") : o.role === "heartbeat" ? (o.energised ? "beats" : "still") : o.energised ? "called" : "quiet";
    const why = o.why.length ? `: ${o.why.join(", ")}` : "";
    const sign = svg("svg", { viewBox: "0 0 24 24", "aria-hidden": "true" }, svg("path", { d: permit ? "M4 4h16v16H4z" : "M12 3a9 9 0 1 0 .1 0z" }));
    return el("li", { class: `${o.energised ? "on" : "off"}${acts ? " acts" : ""}` }, sign, el("div", {}, el("b", {}, o.output), ` ${ROLES[o.role] ?? o.role}, `, el("b", {}, word), `${why} `, el("span", { class: "soft" }, o.energised ? "(energised)" : "(de-energised)")));
  }));
}

const LEVELS = { acknowledge: ["pressed", "free"], silence: ["pressed", "free"], maintenance: ["ON: someone works here", "off"], "generator-lockout": ["ON: the set must not start", "off"], "generator-running": ["runs", "at rest"], "read-back": ["closed", "open"] };

function inputs(every) {
  $("inputs").hidden = every.length === 0;
  $("input-list").replaceChildren(...every.map((i) => {
    const word = i.active === null ? "not known" : LEVELS[i.role][i.active ? 0 : 1];
    const told = i.trouble ? ` (${i.trouble})` : i.active === null ? "" : ` since ${clock(i.since)}`;
    return el("li", i.active === null ? { class: "acts" } : {}, el("b", {}, i.input), ` ${i.role.replace("-", " ")}, `, el("b", {}, word), el("span", { class: "soft" }, told));
  }));
}

function replace(box, nodes) {
  const isOpen = new Set([...box.querySelectorAll("details[open]")].map((d) => d.dataset.key));
  const focused = document.activeElement?.closest?.("details")?.dataset.key;
  box.replaceChildren(...nodes);
  for (const detail of box.querySelectorAll("details")) {
    detail.open = isOpen.has(detail.dataset.key);
    if (focused && detail.dataset.key === focused) detail.querySelector("summary").focus({ preventScroll: true });
  }
}

const DRAW = {
  site: (site) => text($("place"), site.name),
  at: (at) => { text($("at"), clock(at)); $("at").dateTime = at; },
  verdict: answer,
  alarms,
  packs: (packs) => {
    replace($("cell-packs"), packs.map((pack) => cells(pack, picture.site.limits.cell_v)));
    replace($("warm-packs"), packs.map((pack) => warmth(pack, picture.site.limits.temp_c)));
  },
  outputs,
  inputs,
  forecasts: (every) => $("ahead-list").replaceChildren(...ahead(every)),
};

// --- acting -----------------------------------------------------------------------
async function post(path, body, withKey) {
  const headers = { "Content-Type": "application/json" };
  if (withKey) headers["X-Tocsin-Key"] = withKey;
  const answer = await fetch(path, { method: "POST", headers, body: JSON.stringify(body) });
  return [answer, await answer.json()];
}

async function who() {
  try {
    const told = await get("/api/session");
    [key, canSignIn] = [told.key, told.can_sign_in];
  } catch { return; }
  $("who").textContent = key ? "You are signed in." : canSignIn ? "You can read. To acknowledge, silence or shelve, sign in." : "You can read. Nobody can act here: the daemon has no token.";
  $("sign-in").textContent = key ? "Sign out" : "Sign in";
  $("sign-in").hidden = !canSignIn;
}

async function act(wish) {
  if (!key) { later = wish; $("door-said").textContent = ""; $("door").showModal(); return; }
  try {
    const [answer, told] = await post("/api/act", wish, key);
    $("said").textContent = answer.ok ? `Done: ${wish.do}, ${told.why}.` : `Not done: ${told.why}.`;
    if (answer.status === 401) await who();
  } catch { $("said").textContent = "Not done: the daemon does not answer."; }
}

function shelve(alarm) {
  $("shelf-what").textContent = `${alarm.alarm}, ${alarm.of}, for at most ${alarm.max_shelve_min} min. Outputs still act on it.`;
  $("shelf-min").max = Math.min(alarm.max_shelve_min, 1440);
  $("shelf-min").value = Math.min(60, alarm.max_shelve_min);
  $("shelf").onsubmit = () => act({ do: "shelve", alarm: alarm.alarm, subject: alarm.of, reason: $("shelf-why").value, for_min: Number($("shelf-min").value) });
  $("shelf").showModal();
}

$("door").addEventListener("submit", async (event) => {
  event.preventDefault();
  const token = $("token").value;
  $("token").value = "";
  try {
    const [answer, told] = await post("/api/sign-in", { token });
    if (!answer.ok) { $("door-said").textContent = `No: ${told.why}.`; return; }
  } catch { $("door-said").textContent = "The daemon does not answer."; return; }
  $("door").close();
  await who();
  if (later) { const wish = later; later = null; await act(wish); }
});
for (const button of document.querySelectorAll("dialog .off")) button.addEventListener("click", () => { later = null; button.closest("dialog").close(); });
$("door").addEventListener("cancel", () => { later = null; });
$("sign-in").addEventListener("click", async () => {
  if (key) { await post("/api/sign-out", {}, key); await who(); } else { later = null; $("door-said").textContent = ""; $("door").showModal(); }
});
$("ack-all").addEventListener("click", () => act({ do: "acknowledge" }));
$("silence").addEventListener("click", () => act({ do: "silence", for_min: 10 }));

// --- the past comes when somebody looks for it ------------------------------------
const sight = new IntersectionObserver((entries) => {
  if (!entries.some((entry) => entry.isIntersecting)) return;
  sight.disconnect();
  import("./past.js").catch(() => {});
}, { rootMargin: "300px" });
for (const id of ["past", "journal", "tests"]) sight.observe($(id));

open();
who();
setInterval(watch, 400);
document.addEventListener("visibilitychange", watch);
