// What was: plots with zoom to any hour, the journal, the records of tests.
import { get, onTold } from "./page.js";
import { el, scale, svg } from "./draw.js";

const HOUR = 3600e3, WHAT = { cell: "Cells", current: "Current", voltage: "Voltage", soc: "Charge by its own counter", temp: "Temperatures", "allowed-charge": "Charge the cold allows" };
const SPANS = [["1 h", HOUR], ["6 h", 6 * HOUR], ["1 day", 24 * HOUR], ["1 week", 168 * HOUR], ["All", 0]];
const box = (id) => document.querySelector(`#${id} .late`);
const day = (ms) => new Date(ms).toLocaleString([], { dateStyle: "short", timeStyle: "medium" });
const hour = (ms) => new Date(ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
let kept = null, view = null, drawn = null, wide = 700;

function option(value, words) { return el("option", { value }, words); }
function button(words, what, more = {}) {
  const made = el("button", { type: "button", ...more }, words);
  made.addEventListener("click", what);
  return made;
}

async function past() {
  try { kept = await get("/api/history"); } catch (error) { return box("past").replaceChildren(el("p", {}, `No history: ${error.message}.`)); }
  if (kept.to_ms === null) return box("past").replaceChildren(el("p", {}, "Nothing is kept yet; look again in some minutes."), button("Look again", past));
  const packs = Object.keys(kept.names);
  const pack = el("select", { id: "p-pack" }, ...packs.map((name) => option(name, name)));
  const kinds = Object.keys(WHAT).filter((kind) => packs.some((name) => kept.names[name].some((each) => each.split("/")[0] === kind)));
  const what = el("select", { id: "p-what" }, ...kinds.map((kind) => option(kind, WHAT[kind])));
  const when = el("input", { id: "p-when", type: "datetime-local" });
  const spans = SPANS.map(([words, ms]) => button(words, () => look(kept.to_ms - (ms || kept.to_ms - kept.from_ms), kept.to_ms), { "data-span": ms }));
  const step = (words, a, b) => button(words, () => { const wide = view.to - view.from; look(view.from + a * wide, view.to + b * wide); });
  const plot = svg("svg", { id: "plot", class: "draw", viewBox: "0 0 700 260", role: "img", "aria-labelledby": "plot-said" });
  box("past").replaceChildren(
    el("p", { class: "doing" }, el("label", {}, "Pack ", pack), el("label", {}, "Value ", what), el("label", {}, "Hour of ", when)),
    el("p", { class: "doing" }, ...spans),
    plot, el("p", { id: "plot-said", "aria-live": "polite" }),
    el("p", { class: "doing" }, step("Earlier", -0.5, -0.5), step("Later", 0.5, 0.5), step("Closer", 0.25, -0.25), step("Wider", -0.5, 0.5)),
    el("p", { class: "key" }, "Drag over the plot to see that part alone. The shade reaches from the least to the largest value."));
  for (const select of [pack, what]) select.addEventListener("change", () => look(view.from, view.to));
  when.addEventListener("change", () => { const at = new Date(when.value).getTime(); if (at) look(at, at + HOUR); });
  drag(plot);
  look(Math.max(kept.from_ms, kept.to_ms - 6 * HOUR), kept.to_ms);
}

async function look(from, to) {
  if (to - from < 60e3) { const middle = (from + to) / 2; from = middle - 30e3; to = middle + 30e3; }
  view = { from: Math.max(0, Math.round(from)), to: Math.round(to) };
  const asked = view, pack = document.getElementById("p-pack").value, kind = document.getElementById("p-what").value;
  const names = kept.names[pack].filter((name) => name.split("/")[0] === kind).slice(0, 64);
  const points = names.length > 4 ? 120 : 300;
  const said = document.getElementById("plot-said");
  if (!names.length) { said.textContent = `${pack} has no ${WHAT[kind].toLowerCase()}.`; return; }
  try {
    const path = `/api/plot?pack=${encodeURIComponent(pack)}&values=${names.map(encodeURIComponent).join(",")}&from_ms=${view.from}&to_ms=${view.to}&points=${points}`;
    const { series } = await get(path);
    if (asked === view) draw(series.filter((one) => one.points.length), `${pack}: ${WHAT[kind]}`);
  } catch (error) { said.textContent = `Nothing to draw: ${error.message}.`; }
}

function draw(series, title) {
  const plot = document.getElementById("plot"), said = document.getElementById("plot-said");
  wide = Math.min(Math.max(plot.clientWidth || 700, 300), 1000);
  plot.setAttribute("viewBox", `0 0 ${wide} 260`);
  const every = series.flatMap((one) => one.points), unit = series[0]?.unit === "degC" ? "°C" : series[0]?.unit ?? "";
  const span = `${day(view.from)} to ${day(view.to)}`;
  if (!every.length) { plot.replaceChildren(svg("text", { x: wide / 2, y: 130, "text-anchor": "middle" }, "Nothing is kept of that time.")); said.textContent = `${title}, ${span}: nothing.`; return; }
  const least = Math.min(...every.map((p) => p[1])), most = Math.max(...every.map((p) => p[3])), flat = most === least ? 0.05 : 0;
  const low = least - flat, high = most + flat, room = (high - low) * 0.06;
  const x = scale(view.from / 1000, view.to / 1000, 52, wide - 10), y = scale(low - room, high + room, 226, 8);
  drawn = x;
  const nodes = [], digits = high - low < 2 ? 3 : 1;
  const ticks = wide < 520 ? 2 : 4;
  for (let i = 0; i <= 4; i++) {
    const v = low + ((high - low) * i) / 4, t = view.from + ((view.to - view.from) * i) / 4, at = x(t / 1000);
    nodes.push(svg("line", { x1: 52, x2: wide - 10, y1: y(v), y2: y(v), class: "grid" }), svg("text", { x: 48, y: y(v) + 4, "text-anchor": "end" }, v.toFixed(digits)));
    if ((i * ticks) % 4) continue;
    const words = view.to - view.from > 36 * HOUR ? new Date(t).toLocaleDateString([], { day: "numeric", month: "short" }) : hour(t);
    nodes.push(svg("line", { x1: at, x2: at, y1: 226, y2: 231, class: "axis" }), svg("text", { x: at, y: 246, "text-anchor": i === 0 ? "start" : i === 4 ? "end" : "middle" }, words));
  }
  const lows = series.map((one) => Math.min(...one.points.map((p) => p[1]))), worst = lows.indexOf(Math.min(...lows));
  series.forEach((one, i) => {
    for (const run of runs(one)) {
      const line = run.map((p) => `${x(p[0]).toFixed(1)},${y(p[2]).toFixed(1)}`);
      if (series.length < 3) nodes.push(svg("polygon", { class: "reach", points: [...run.map((p) => `${x(p[0]).toFixed(1)},${y(p[3]).toFixed(1)}`), ...run.map((p) => `${x(p[0]).toFixed(1)},${y(p[1]).toFixed(1)}`).reverse()].join(" ") }));
      nodes.push(run.length > 1 ? svg("polyline", { class: `trace${i === worst ? "" : " other"}`, points: line.join(" ") }, svg("title", {}, one.name)) : svg("circle", { cx: x(run[0][0]), cy: y(run[0][2]), r: 2, class: "dot" }));
    }
  });
  plot.replaceChildren(...nodes);
  const which = series.length > 1 ? `; lowest is ${series[worst].name.replace("/", " ")}` : "";
  said.textContent = `${title}, ${span}: from ${least.toFixed(digits)} to ${most.toFixed(digits)} ${unit}${which}.`;
}

function runs(one) {
  const pieces = [[]];
  one.points.forEach((p, i) => {
    if (i && p[0] - one.points[i - 1][0] > one.gap_s) pieces.push([]);
    pieces.at(-1).push(p);
  });
  return pieces;
}

function drag(plot) {
  let from = null, mark = null;
  const at = (event) => { const r = plot.getBoundingClientRect(); return Math.min(wide - 10, Math.max(52, ((event.clientX - r.left) / r.width) * wide)); };
  plot.addEventListener("pointerdown", (event) => { if (!drawn) return; from = at(event); mark = svg("rect", { x: from, y: 8, width: 0, height: 218, class: "pick" }); plot.append(mark); plot.setPointerCapture(event.pointerId); });
  plot.addEventListener("pointermove", (event) => { if (from === null) return; const to = at(event); mark.setAttribute("x", Math.min(from, to)); mark.setAttribute("width", Math.abs(to - from)); });
  const end = (event) => {
    if (from === null) return;
    const ends = [from, at(event)].sort((a, b) => a - b).map((px) => view.from + ((px - 52) / (wide - 62)) * (view.to - view.from));
    from = null;
    mark.remove();
    if (event.type === "pointerup" && ends[1] - ends[0] > (view.to - view.from) / 60) look(...ends);
  };
  plot.addEventListener("pointerup", end);
  plot.addEventListener("pointercancel", end);
}

// --- the journal ------------------------------------------------------------------
const KINDS = { "": "Everything", alarm: "Alarms", output: "Outputs", source: "Packs", command: "People", note: "Notes" };
const rows = [];

async function journal() {
  const kind = el("select", { id: "j-kind" }, ...Object.entries(KINDS).map(([value, words]) => option(value, words)));
  const body = el("tbody"), said = el("p", { role: "status" });
  const heads = ["When", "What"].map((words) => el("th", { scope: "col" }, words));
  const older = button("Older", () => load(rows.at(-1)?.at_ms));
  async function load(until) {
    try {
      const more = until === undefined ? "" : `&until_ms=${until}`;
      const fresh = (await get(`/api/journal?last=30${kind.value && `&kind=${kind.value}`}${more}`)).rows;
      if (until === undefined) rows.length = 0;
      const known = new Set(rows.map((row) => row.id));
      rows.push(...fresh.filter((row) => !known.has(row.id)));
      older.hidden = fresh.length < 30;
      said.textContent = rows.length ? "" : "Nothing.";
      body.replaceChildren(...rows.map((row) => el("tr", row.priority ? { "data-priority": row.priority } : {}, el("td", { class: "when" }, el("time", { datetime: row.at }, day(row.at_ms))), el("td", {}, row.words))));
    } catch (error) { said.textContent = `No journal: ${error.message}.`; }
  }
  kind.addEventListener("change", () => load());
  let waiting = null;
  onTold(() => { if (!waiting && rows.length <= 30) waiting = setTimeout(() => { waiting = null; load(); }, 1000); });
  box("journal").replaceChildren(el("p", { class: "doing" }, el("label", {}, "Show ", kind)), el("div", { class: "wide" }, el("table", {}, el("thead", {}, el("tr", {}, ...heads)), body)), said, older);
  await load();
}

async function tests() {
  try {
    const { records } = await get("/api/records");
    const words = (r) => r.trouble || `${r.is_rehearsal ? "rehearsal, " : ""}${r.verdict}: ${r.counts.pass} passed, ${r.counts.fail} failed, ${r.counts.untested} untested${r.person ? `; by ${r.person}` : ""}; next due ${r.next_due?.slice(0, 10) ?? "unknown"}`;
    box("tests").replaceChildren(...(records.length ? [el("ul", {}, ...records.map((r) => el("li", {}, el("b", {}, r.ended?.slice(0, 10) ?? r.name), ` ${words(r)} `, ...(r.trouble ? [] : [el("a", { href: `/record?name=${encodeURIComponent(r.name)}`, target: "_blank", rel: "noopener" }, `Read or print the record of ${r.ended.slice(0, 10)}`)]))))] : [el("p", {}, "No record yet: the outputs were never proved here. Prove each of them before you trust it.")]));
  } catch (error) { box("tests").replaceChildren(el("p", {}, `No records: ${error.message}.`)); }
}

past();
journal();
tests();
