// The chart: draws columns of history with the bundled plotting script, which is loaded only when a chart is looked at.
// A gap stays a gap; the band is the 90 % interval; colours come from the stylesheet, words stand beside them.

let script = null;
const loaded = () => (script ??= new Promise((resolve, reject) => {
  const maps = document.createElement("meta"); // under this name the script would bring styles for maps, which nobody here draws and the policy refuses
  maps.id = "9f215cf04c5486422605d13261cb87401f4e7763b6296af81e98efbc0130da53";
  const tag = document.createElement("script");
  tag.src = "/plotly.js";
  tag.onload = resolve;
  tag.onerror = () => reject(new Error("The chart cannot be drawn: its script is missing. The table below says the same."));
  document.head.append(maps, tag);
}));

const PHASES = { resting: "at rest", discharging: "giving power", bulk: "charging, main part", absorption: "charging, topping up", float: "kept full", equalisation: "equalising", pulse: "pulses", charging: "charging", unknown: "not told" };
const TONE = { bulk: "--teal", absorption: "--ochre", float: "--plum", equalisation: "--ink", pulse: "--plum", charging: "--teal", discharging: "--soft", resting: "--line" };
const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** Stretches without a gap, as [first, last] indexes. */
function stretches(column) {
  const found = [];
  let begin = null;
  column.forEach((value, i) => {
    if (value !== null && begin === null) begin = i;
    if (value === null && begin !== null) { found.push([begin, i - 1]); begin = null; }
  });
  if (begin !== null) found.push([begin, column.length - 1]);
  return found;
}

/** A filled band between two columns, one closed shape for each stretch, so that it too shows the gaps. */
function band(times, low, high, axis, tone, name) {
  const x = [], y = [];
  for (const [a, b] of stretches(low)) {
    for (let i = a; i <= b; i++) { x.push(times[i]); y.push(low[i]); }
    for (let i = b; i >= a; i--) { x.push(times[i]); y.push(high[i]); }
    x.push(null); y.push(null);
  }
  return { x, y, yaxis: axis, fill: "toself", mode: "none", fillcolor: tone, hoverinfo: "skip", name, showlegend: false };
}

export function summary(history, asked) {
  const seen = (column) => (column ?? []).filter((v) => v !== null);
  const volts = seen(history.voltage_v), soc = seen(history.state_of_charge_pct);
  const day = (text) => new Date(text).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  const stretch = `From ${day(asked.from)} to ${day(asked.to)}`;
  if (!volts.length) return `${stretch}: nothing was heard.`;
  const low = Math.min(...seen(history.voltage_v_min), ...volts), high = Math.max(...seen(history.voltage_v_max), ...volts);
  const charge = soc.length ? ` The charge went from ${soc[0].toFixed(0)} to ${soc.at(-1).toFixed(0)} %, lowest ${Math.min(...soc).toFixed(0)} %.` : "";
  const gaps = stretches(history.voltage_v).length - 1;
  return `${stretch}: ${low.toFixed(2)} to ${high.toFixed(2)} V.${charge}${gaps > 0 ? ` Silent ${gaps === 1 ? "once" : `${gaps} times`}: the line is broken there.` : ""}`;
}

export function table(h, history, fahrenheit) {
  const warm = degrees(history.temperature_c, fahrenheit);
  const step = Math.max(1, Math.ceil(history.time_ms.length / 24));
  const cell = (column, i, digits) => h("td", {}, column?.[i] === null || column?.[i] === undefined ? "–" : column[i].toFixed(digits));
  const rows = [];
  for (let i = 0; i < history.time_ms.length; i += step) {
    rows.push(h("tr", {}, h("th", { scope: "row" }, new Date(history.time_ms[i]).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" })),
      cell(history.voltage_v, i, 2), cell(history.current_a, i, 2), cell(warm, i, 1), cell(history.state_of_charge_pct, i, 0),
      h("td", {}, PHASES[history.charge_phase[i]] ?? "silent")));
  }
  return h("table", {}, h("thead", {}, h("tr", {}, ["time", "V", "A", fahrenheit ? "°F" : "°C", "charge %", "doing"].map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, rows));
}

/** Runs of one phase, as [begin, end) in time; a gap (a row without phase) ends a run. */
function phaseStrips(history) {
  const strips = [];
  let before = null;
  history.charge_phase.forEach((phase, i) => {
    const at = history.time_ms[i];
    if (before !== null) strips.at(-1).end = at;
    if (phase !== null && phase !== "unknown" && phase !== before) strips.push({ phase, begin: at, end: at + (history.every_ms ?? 60000) });
    before = phase === "unknown" ? null : phase;
  });
  return strips;
}

const degrees = (column, fahrenheit) => (fahrenheit ? column?.map((c) => (c === null ? null : c * 1.8 + 32)) : column);

export async function plot(place, legend, h, history, alerts, declared, asked, fahrenheit, zoomed) {
  await loaded();
  const unit = fahrenheit ? "°F" : "°C";
  const [ink, soft, line, plum, ochre, wash, teal] = ["--ink", "--soft", "--line", "--plum", "--ochre", "--ochre-wash", "--teal"].map(colour);
  const iso = history.time_ms.map((t) => new Date(t));
  const curve = (column, axis, tone, name, unit, digits) => ({ x: iso, y: column === "temperature_c" ? degrees(history[column], fahrenheit) : history[column], yaxis: axis, mode: "lines", name, showlegend: false, connectgaps: false,
    line: { color: tone, width: 1.7 }, hovertemplate: `%{y:.${digits}f} ${unit}<extra>${name}</extra>` });
  const traces = [
    band(iso, history.state_of_charge_low_pct, history.state_of_charge_high_pct, "y", wash, "very likely"),
    curve("state_of_charge_pct", "y", ochre, "charge", "%", 0),
    ...(history.voltage_v_min ? [band(iso, history.voltage_v_min, history.voltage_v_max, "y2", line, "lowest to highest")] : []),
    curve("voltage_v", "y2", ink, "voltage", "V", 2), curve("current_a", "y3", plum, "current", "A", 2), curve("temperature_c", "y4", teal, "temperature", unit, 1),
  ];
  const strips = phaseStrips(history);
  const shapes = strips.map((s) => ({ type: "rect", xref: "x", yref: "paper", x0: new Date(s.begin), x1: new Date(s.end), y0: 0.705, y1: 0.722, fillcolor: colour(TONE[s.phase] ?? "--line"), line: { width: 0 }, layer: "above" }));
  shapes.push({ type: "line", xref: "paper", yref: "y", x0: 0, x1: 1, y0: declared.limit_pct, y1: declared.limit_pct, line: { color: plum, width: 1.2, dash: "dash" } });
  const marks = alerts.filter((a) => a.began >= asked.from && a.began < asked.to);
  const notes = marks.map((a, i) => ({ x: new Date(a.began), y: 1.0, xref: "x", yref: "paper", yanchor: "bottom", text: String(i + 1), showarrow: false, bordercolor: plum, borderpad: 2, font: { size: 11, color: plum }, hovertext: a.finding.title }));
  shapes.push(...marks.map((a) => ({ type: "line", xref: "x", yref: "paper", x0: new Date(a.began), x1: new Date(a.began), y0: 0, y1: 1, line: { color: plum, width: 1, dash: "dot" } })));
  const axis = (title, domain, more = {}) => ({ title: { text: title, font: { size: 12, color: soft }, standoff: 6 }, domain, fixedrange: true, gridcolor: line, zeroline: false, tickfont: { color: soft, size: 11 }, nticks: 5, automargin: true, ...more });
  const layout = {
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", font: { family: getComputedStyle(document.body).fontFamily, color: ink }, hovermode: "x unified", dragmode: "zoom",
    hoverlabel: { bgcolor: colour("--paper"), bordercolor: line, font: { color: ink } }, margin: { l: 46, r: 8, t: 22, b: 34 }, shapes, annotations: notes,
    xaxis: { type: "date", range: [asked.from, asked.to], gridcolor: line, tickfont: { color: soft, size: 11 }, nticks: innerWidth < 700 ? 5 : 9, anchor: "y4",
      tickformat: Date.parse(asked.to) - Date.parse(asked.from) < 2.5 * 864e5 ? "%H:%M\n%-d %b" : "%-d %b" },
    yaxis: axis("charge %", [0.75, 1], { range: [0, 102] }), yaxis2: axis("volts", [0.46, 0.675]), yaxis3: axis("amps in", [0.23, 0.42]), yaxis4: axis(unit, [0.0, 0.19]),
  };
  const amps = (history.current_a ?? []).filter((a) => a !== null), middle = (Math.min(...amps) + Math.max(...amps)) / 2;
  if (amps.length && Math.max(...amps) - Math.min(...amps) < 0.2) layout.yaxis3.range = [middle - 0.1, middle + 0.1]; // noise of milliamperes is no event
  place.setAttribute("aria-label", `Chart of charge, voltage, current and temperature. ${marks.length} alerts are marked.`);
  await window.Plotly.react(place, traces, layout, { displayModeBar: false, responsive: true, doubleClick: false });
  const used = [...new Set(strips.map((s) => s.phase))];
  legend.replaceChildren(...used.map((p) => { const s = h("span", {}, PHASES[p]); s.style.borderColor = colour(TONE[p] ?? "--line"); return s; }), ...marks.map((a, i) => h("span", { class: "mark" }, `${i + 1}: ${a.finding.title}`)));
  place.removeAllListeners?.("plotly_relayout");
  place.removeAllListeners?.("plotly_doubleclick");
  place.on("plotly_relayout", (change) => {
    const a = change["xaxis.range[0]"], b = change["xaxis.range[1]"];
    if (a !== undefined && b !== undefined) zoomed(new Date(a).getTime(), new Date(b).getTime());
  });
  place.on("plotly_doubleclick", () => { zoomed(null, null); });
}
