// Pictures: cells between their limits, temperatures, forecasts with their band.
const NS = "http://www.w3.org/2000/svg";

export function svg(name, attributes = {}, ...inside) {
  const node = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.append(...inside);
  return node;
}

export function el(name, attributes = {}, ...inside) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.append(...inside);
  return node;
}

export const scale = (from, to, a, b) => (x) => a + ((x - from) / (to - from || 1)) * (b - a);

export function lasting(seconds) {
  if (seconds === null) return "more than a day";
  const minutes = Math.round(seconds / 60);
  if (minutes < 120) return `${minutes} min`;
  const hours = Math.floor(minutes / 60), rest = minutes % 60;
  return hours < 10 && rest ? `${hours} h ${rest} min` : `${Math.round(minutes / 60)} h`;
}

const signed = (x, digits, unit) => (x === null ? "?" : `${x.toFixed(digits)} ${unit}`);

export function flows(amps) {
  if (amps === null) return "current not read";
  if (Math.abs(amps) < 0.05) return "at rest";
  return `${Math.abs(amps).toFixed(1)} A ${amps > 0 ? "charging" : "drawn"}`;
}

function packHead(pack, words) {
  const head = el("h3", {}, pack.name);
  for (const text of words) head.append(el("span", {}, text));
  return head;
}

function lostWords(pack) {
  if (pack.online) return [];
  const why = pack.trouble ? ` (${pack.trouble})` : "";
  if (pack.age_s === null) return [`never heard yet${why}`];
  return [`LOST: last heard ${Math.round(pack.age_s)} s ago${why}`];
}

export function cells(pack, limits) {
  const box = el("article", pack.online ? {} : { class: "lost" });
  const volts = pack.cells_v;
  const soc = pack.soc_pct === null ? [] : [`${pack.soc_pct.toFixed(0)} % by its own counter`];
  box.append(packHead(pack, [...lostWords(pack), signed(pack.voltage_v, 2, "V"), flows(pack.current_a), ...soc]));
  if (!volts.length) {
    box.append(el("p", {}, "No single cells are read."));
    return box;
  }
  const low = volts.indexOf(Math.min(...volts)), high = volts.indexOf(Math.max(...volts));
  const spread = Math.round((volts[high] - volts[low]) * 1000);
  const words = `Lowest cell ${low + 1}: ${volts[low].toFixed(3)} V. Highest cell ${high + 1}: ${volts[high].toFixed(3)} V. Spread ${spread} mV.`;
  box.append(el("p", {}, words));
  for (let from = 0; from < volts.length; from += 20)
    box.append(cellRow(volts, from, Math.min(from + 20, volts.length), limits, low, high, pack.name));
  const rows = volts.map((v, i) => el("tr", {}, el("th", { scope: "row" }, String(i + 1)), el("td", {}, v.toFixed(3))));
  const table = el("table", { class: "numbers" }, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Cell"), el("th", { scope: "col" }, "V"))), el("tbody", {}, ...rows));
  const detail = el("details", { "data-key": `cells ${pack.name}` }, el("summary", {}, "In numbers"), table,
    el("p", { class: "soft" }, limits.map((l) => `${l.name} ${l.at.toFixed(2)} V`).join(", ")));
  box.append(detail);
  return box;
}

function cellRow(volts, from, to, limits, low, high, name) {
  const wide = 340, tall = 170, left = 34, bottom = tall - 16;
  const ends = [...limits.map((l) => l.at), ...volts];
  const y = scale(Math.min(...ends) - 0.05, Math.max(...ends) + 0.05, bottom, 8);
  const x = scale(from - 0.7, from + Math.max(to - from, 8) - 0.3, left, wide);
  const drawing = svg("svg", { viewBox: `0 0 ${wide} ${tall}`, class: "draw", role: "img", "aria-label": `Cells ${from + 1} to ${to} of ${name} between their limits` });
  for (const limit of limits) {
    drawing.append(svg("line", { x1: left, x2: wide, y1: y(limit.at), y2: y(limit.at), class: limit.own ? "own" : "rule" }, svg("title", {}, `${limit.name} ${limit.at} V`)));
    if (limit.own) drawing.append(svg("text", { x: 0, y: y(limit.at) + 4 }, limit.at.toFixed(2)));
  }
  for (let i = from; i < to; i++) {
    const at = y(volts[i]), kind = i === low ? " is-low" : i === high ? " is-high" : "";
    drawing.append(
      svg("line", { x1: x(i), x2: x(i), y1: bottom, y2: at, class: "stem" }),
      svg("circle", { cx: x(i), cy: at, r: kind ? 4.5 : 3.8, class: `dot${kind}` }, svg("title", {}, `cell ${i + 1}: ${volts[i].toFixed(3)} V`)),
      svg("text", { x: x(i), y: tall - 3, "text-anchor": "middle", class: kind ? "worst" : "small" }, String(i + 1)));
    if (i === low) drawing.append(svg("text", { x: x(i), y: at + 17, "text-anchor": i - from > to - from - 3 ? "end" : "middle", class: "worst" }, volts[i].toFixed(3)));
  }
  return drawing;
}

export function warmth(pack, limits) {
  const box = el("article", pack.online ? {} : { class: "lost" });
  const temps = pack.temps_c;
  box.append(packHead(pack, lostWords(pack)));
  if (!temps.length) {
    box.append(el("p", {}, "No temperatures are read."));
    return box;
  }
  const coldest = Math.min(...temps), hottest = Math.max(...temps);
  const words = temps.length < 5 ? temps.map((t, i) => `sensor ${i + 1}: ${t.toFixed(1)} °C`).join(", ") : `${temps.length} sensors, from ${coldest.toFixed(1)} to ${hottest.toFixed(1)} °C`;
  box.append(el("p", {}, words));
  const wide = 340, ends = [...limits.map((l) => l.at), coldest, hottest];
  const x = scale(Math.min(...ends) - 3, Math.max(...ends) + 3, 8, wide - 8);
  const drawing = svg("svg", { viewBox: `0 0 ${wide} 62`, class: "draw", role: "img", "aria-label": `Temperatures of ${pack.name} between their limits` });
  drawing.append(svg("line", { x1: 0, x2: wide, y1: 30, y2: 30, class: "axis" }));
  let lastUp = -99, lastDown = -99;
  for (const limit of limits) {
    const at = x(limit.at);
    drawing.append(svg("line", { x1: at, x2: at, y1: 14, y2: 46, class: limit.own ? "own" : "rule" }, svg("title", {}, `${limit.name} ${limit.at} °C`)));
    if (at - lastDown > 26) { drawing.append(svg("text", { x: at, y: 58, "text-anchor": "middle", class: "small" }, `${limit.at.toFixed(0)}°`)); lastDown = at; }
  }
  for (const t of temps) {
    drawing.append(svg("circle", { cx: x(t), cy: 30, r: 5, class: "dot" }));
    if (x(t) - lastUp > 30 || t === hottest && lastUp < 0) { drawing.append(svg("text", { x: x(t), y: 10, "text-anchor": "middle", class: "worst" }, t.toFixed(1))); lastUp = x(t); }
  }
  box.append(drawing);
  return box;
}

const LIMITS = { low: "low cut-off", high: "a full cell", cold: "too cold to charge", hot: "too hot to charge", "hot-load": "too hot to give power" };
const DAY = 86400;

export function ahead(every) {
  const known = every.filter((f) => f.likely_s !== null), far = every.filter((f) => f.likely_s === null);
  const nodes = known.sort((a, b) => a.likely_s - b.likely_s).map(band);
  const reasons = new Map();
  for (const f of far) {
    const why = f.reason || "not foreseen within a day";
    reasons.set(why, [...(reasons.get(why) ?? []), `${LIMITS[f.limit] ?? f.limit} (${f.subject})`]);
  }
  for (const [why, which] of reasons)
    nodes.push(el("p", { class: "foretold" }, el("b", {}, why[0].toUpperCase() + why.slice(1)), `: ${which.join(", ")}.`));
  return nodes;
}

function band(f) {
  const wide = 340, x = (s) => scale(Math.log(60), Math.log(DAY), 4, wide - 4)(Math.log(Math.min(Math.max(s ?? DAY, 60), DAY)));
  const drawing = svg("svg", { viewBox: `0 0 ${wide} 44`, class: "draw", role: "img", "aria-label": `between ${lasting(f.early_s)} and ${lasting(f.late_s)}` });
  for (const [s, name] of [[60, "1 min"], [600, "10 min"], [3600, "1 h"], [21600, "6 h"], [DAY, "1 day"]])
    drawing.append(svg("line", { x1: x(s), x2: x(s), y1: 4, y2: 30, class: "grid" }), svg("text", { x: x(s), y: 42, class: "small", "text-anchor": s === 60 ? "start" : s === DAY ? "end" : "middle" }, name));
  drawing.append(
    svg("rect", { x: x(f.early_s), y: 9, width: Math.max(3, x(f.late_s) - x(f.early_s)), height: 16, class: "band" }),
    svg("line", { x1: x(f.likely_s), x2: x(f.likely_s), y1: 4, y2: 30, class: "notch" }));
  const words = `${LIMITS[f.limit] ?? f.limit}, ${f.subject}: likely in ${lasting(f.likely_s)}, between ${lasting(f.early_s)} and ${lasting(f.late_s)}`;
  return el("div", { class: "foretold" }, el("p", {}, words), drawing);
}
