// One battery: how it is and why we believe it, what needs somebody, its care, its past, and what is known of it.

import { $, API, address, ask, begun, clock, doing, fahrenheit, h, may, moment, now, say, sentence, show, told, when } from "./tools.js";

let range = { from: null, to: null, name: "week" };
let alerted = null; // the answer on its alerts, as it was last asked for: the list shows them, the chart marks them
const LENGTHS = { day: 1, week: 7, season: 91 };

export async function battery(id) {
  const mine = begun();
  range = { name: "week", from: null, to: null };
  const path = address("batteries", id);
  const [declared, state] = await Promise.all([ask(path), ask(`${path}/state`)]);
  if (!mine()) return;
  clock(state.now);
  const name = declared.vehicle || declared.id;
  const subtitle = [declared.chemistry_title, `${declared.rated_capacity_ah} Ah at ${declared.rated_hours} h`, declared.site].filter(Boolean).join(", ");
  show(name,
    h("h1", {}, name), h("p", { class: "soft" }, subtitle),
    h("div", { class: "two" },
      h("div", {}, h("section", { id: "state", "aria-label": "How it is" }), h("section", { id: "alerts", "aria-label": "Alerts" }), h("section", { id: "care", "aria-label": "Care" })),
      h("div", {}, h("section", { id: "past", "aria-label": "What happened" }), h("section", { id: "more", "aria-label": "What is known of it" }))));
  paintState(declared, state);
  paintPast(declared);
  await Promise.all([paintAlerts(declared, state), paintCare(declared, state), paintMore(declared, state)].map((p) => p.catch((e) => say(e.message))));
}

export function paintState(declared, state) {
  const w = state.words;
  const measured = state.voltage_v === null ? null : [`${state.voltage_v.toFixed(2)} V`, state.current_a === null ? null : `${current(state.current_a)}`,
    state.temperature_c === null ? null : `${state.temperature_c.toFixed(0)} °C`].filter(Boolean).join(", ");
  $("state")?.replaceChildren(
    ...[w.silence ? h("p", { class: "quiet" }, w.silence) : null, h("p", { class: "answer" }, w.charge), ruler(state, declared.limit_pct),
      measured === null ? null : h("p", { class: "figures" }, h("strong", {}, measured), ` at ${moment(state.heard)}. ${w.doing}`),
      h("p", { class: "next" }, w.left ?? ""), h("p", {}, w.why ?? ""), h("p", {}, w.load ?? ""),
      state.sentences.length ? h("details", {}, h("summary", {}, "In more words"), ...state.sentences.map((s) => h("p", {}, s))) : null].filter(Boolean));
}

const current = (a) => `${Math.abs(a) < 0.9995 ? `${Math.abs(Math.round(a * 1000))} mA` : `${Math.abs(a).toFixed(1)} A`} ${a > 0 ? "in" : "out"}`;

/** A rule from empty to full: the band is where it very likely is, the stroke our best guess, the dashes its limit. */
function ruler(state, limit) {
  const x = (pct) => 10 + 3.2 * pct;
  const [pct, low, high] = [state.state_of_charge_pct, state.state_of_charge_low_pct, state.state_of_charge_high_pct];
  const label = pct === null ? `Not known yet; its limit is at ${limit} %` : `Between ${low.toFixed(0)} and ${high.toFixed(0)} %, best guess ${pct.toFixed(0)} %; its limit is at ${limit} %`;
  const ticks = [...Array(21).keys()].map((i) => h("line", { class: "scale", x1: x(5 * i), x2: x(5 * i), y1: 40, y2: i % 2 ? 36 : 31 }));
  const numbers = [0, 20, 40, 60, 80, 100].map((p) => h("text", { x: x(p), y: 53, "text-anchor": "middle" }, String(p)));
  const hatch = [...Array(Math.max(0, Math.floor(limit / 3))).keys()].map((i) => h("line", { class: "below", x1: x(3 * i), x2: x(Math.min(limit, 3 * i + 3)), y1: 30, y2: 22 }));
  return h("svg", { class: "rule", viewBox: "0 0 340 58", role: "img", "aria-label": label },
    hatch, pct === null ? [] : h("rect", { class: "band", x: x(low), width: Math.max(1.5, x(high) - x(low)), y: 17, height: 14, rx: 2 }),
    h("line", { class: "scale", x1: x(0), x2: x(100), y1: 40, y2: 40 }), ticks, numbers,
    h("line", { class: "limit", x1: x(limit), x2: x(limit), y1: 12, y2: 40 }), h("text", { class: "limitword", x: x(limit), y: 9, "text-anchor": "middle" }, "limit"),
    pct === null ? [] : h("line", { class: "here", x1: x(pct), x2: x(pct), y1: 13, y2: 40 }));
}

// ---- its alerts ---------------------------------------------------------------------------------------------------

/** `state`: as it was just asked for; asked for here where something has changed since. */
export async function paintAlerts(declared, state = null) {
  alerted = ask(`${API}/alerts?${new URLSearchParams({ battery_id: declared.id, limit: 100 })}`);
  const [{ alerts }, { findings }] = await Promise.all([alerted, state ?? ask(address("batteries", declared.id, "state"))]);
  const grave = { high: 0, medium: 1, low: 2 };
  const live = alerts.filter((a) => a.ended === null).sort((a, b) => (grave[a.priority] ?? 3) - (grave[b.priority] ?? 3)), over = alerts.filter((a) => a.ended !== null);
  const today = (a) => findings.find((f) => f.rule === a.rule) ?? a.finding; // "in 3 days" is not true any more a week later
  const said = new Set();
  $("alerts")?.replaceChildren(h("h2", {}, live.length ? "What needs you" : "Nothing needs you"), ...live.map((a) => alertArticle({ ...a, finding: today(a) }, declared, said)),
    ...(over.length ? [h("details", {}, h("summary", {}, `What is over (${over.length})`), ...over.map((a) => alertArticle(a, declared, new Set())))] : []));
}

/** The same caution is said in full once: whoever scrolls past it three times reads none. */
function caution(text, said) {
  if (!text) return null;
  if (said.has(text)) return h("p", { class: "care" }, h("strong", {}, "Take care"), " as is said above.");
  said.add(text);
  return h("p", { class: "care" }, h("strong", {}, "Take care. "), text);
}

function alertArticle(a, declared, said) {
  const f = a.finding;
  const standing = a.ended ? `Over since ${moment(a.ended)}.` : a.acknowledged ? `Taken on by ${a.acknowledged_by}, ${moment(a.acknowledged)}.` : "Nobody has taken it on yet.";
  const quiet = a.shelved_until && Date.parse(a.shelved_until) > now();
  const speak = doing(async () => { await ask(address("alerts", a.id, "shelve"), undefined, "DELETE"); await again(); }, "It is spoken of again.");
  const shelved = quiet ? ` Quiet until ${moment(a.shelved_until)} (${a.shelved_by}: ${a.shelved_reason}).` : "";
  const again = () => Promise.all([paintAlerts(declared)]);
  const take = doing(async () => { await ask(address("alerts", a.id, "acknowledge"), {}); await again(); }, "Taken on. It stays here until it is over.");
  const log = h("ul", { class: "log" });
  const unfold = async (event) => {
    if (!event.target.open || log.children.length) return;
    const { acts } = await ask(address("alerts", a.id));
    log.replaceChildren(...acts.map((act) => h("li", {}, when(act.time), " ", [act.kind, act.who && `by ${act.who}`, act.text && `(${act.text})`].filter(Boolean).join(" "))));
  };
  return h("article", { class: a.ended ? "alert over" : "alert" }, h("h3", {}, f.title),
    h("p", { class: "soft" }, `${{ high: "Grave", medium: "Important", low: "To know" }[f.priority] ?? f.priority}, since ${moment(a.began)}. ${standing}${shelved}`),
    h("p", {}, f.seen), h("p", {}, f.meaning), h("p", { class: "todo" }, f.advice), caution(f.caution, said),
    a.ended || !may("operate") ? null : h("div", { class: "buttons" }, a.acknowledged ? null : h("button", { type: "button", class: "main", onclick: take }, "I take this on"),
      quiet ? h("button", { type: "button", onclick: speak }, "Speak of it again") : shelveForm(a, again)),
    h("details", { ontoggle: unfold }, h("summary", {}, "Evidence and history"),
      h("dl", {}, facts_of(f.evidence), h("dt", {}, "threshold from"), h("dd", {}, f.source)), log));
}

function shelveForm(a, again) {
  const days = h("select", { id: `days-${a.id}` }, [[1, "a day"], [3, "three days"], [7, "a week"], [30, "a month"]].map(([n, word]) => h("option", { value: n }, word)));
  const reason = h("input", { id: `why-${a.id}`, required: true, maxlength: 500, placeholder: "such as: on the hook-up from noon" });
  const send = doing(async () => {
    await ask(address("alerts", a.id, "shelve"), { until: new Date(now() + days.value * 864e5).toISOString(), reason: reason.value });
    await again();
  }, "It will be quiet until then, and comes back by itself.");
  return h("details", {}, h("summary", {}, "Be quiet about it for a while"),
    h("form", { class: "line", onsubmit: send }, h("label", { for: days.id }, "For"), days, h("label", { for: reason.id }, "because"), reason, h("button", {}, "Be quiet")));
}

// ---- its past -----------------------------------------------------------------------------------------------------

function paintPast(declared) {
  const choose = (name) => () => { range = { name, from: null, to: null }; draw(declared); };
  const move = (factor, shift) => () => {
    const [from, to] = bounds(), middle = (from + to) / 2 + shift * (to - from), half = (factor * (to - from)) / 2;
    range = { name: null, from: middle - half, to: Math.min(now(), middle + half) };
    draw(declared);
  };
  $("past").replaceChildren(h("h2", {}, "What happened"),
    h("div", { class: "buttons tight", role: "group", "aria-label": "How much of it" },
      Object.keys(LENGTHS).map((name) => h("button", { type: "button", "data-range": name, onclick: choose(name) }, name[0].toUpperCase() + name.slice(1))),
      h("button", { type: "button", onclick: move(0.5, 0) }, "Closer"), h("button", { type: "button", onclick: move(2, 0) }, "Wider"),
      h("button", { type: "button", onclick: move(1, -0.5) }, "Earlier"), h("button", { type: "button", onclick: move(1, 0.5) }, "Later")),
    h("p", { id: "told", "aria-live": "polite" }), h("div", { id: "chart", role: "img", "aria-describedby": "told" }), h("p", { class: "phases soft", id: "phases" }),
    h("details", {}, h("summary", {}, "The same as a table"), h("div", { class: "scroll", id: "table", tabindex: "0", role: "region", "aria-label": "Readings" })),
    h("p", { class: "noprint" }, h("a", { id: "csv", download: "history.csv" }, "These readings as CSV")));
  for (const button of document.querySelectorAll("[data-range]")) button.setAttribute("aria-pressed", String(button.dataset.range === range.name));
  drawWhenNear(declared);
}

const bounds = () => (range.from === null ? [now() - LENGTHS[range.name] * 864e5, now()] : [range.from, range.to]);

/** The chart's script is large, so it is fetched once somebody comes near the chart. */
function drawWhenNear(declared) {
  const watch = new IntersectionObserver((seen) => { if (seen.some((s) => s.isIntersecting)) { watch.disconnect(); draw(declared); } }, { rootMargin: "200px" });
  watch.observe($("past"));
}

async function draw(declared) {
  const [from, to] = bounds();
  const asked = { from: new Date(from).toISOString(), to: new Date(to).toISOString() };
  const path = `${address("batteries", declared.id, "history")}?`;
  for (const button of document.querySelectorAll("[data-range]")) button.setAttribute("aria-pressed", String(button.dataset.range === range.name));
  try {
    const chart = import("/static/chart.js");
    const [history, { alerts }] = await Promise.all([ask(path + new URLSearchParams({ ...asked, points: innerWidth < 700 ? 300 : 700 })), alerted]);
    if (!$("chart")) return;
    $("csv").href = path + new URLSearchParams({ ...asked, points: 5000, format: "csv" });
    const { plot, summary, table } = await chart;
    $("told").textContent = summary(history, asked);
    $("table").replaceChildren(table(h, history, fahrenheit()));
    const empty = history.time_ms.length === 0;
    $("chart").hidden = $("phases").hidden = $("table").parentElement.hidden = empty;
    if (empty) return;
    await plot($("chart"), $("phases"), h, history, alerts, declared, asked, fahrenheit(), (a, b) => {
      range = a === null ? { name: "week", from: null, to: null } : { name: null, from: a, to: b };
      draw(declared);
    });
  } catch (error) { say(error.message); }
}

// ---- its care -----------------------------------------------------------------------------------------------------

const DID = { check: "measured", charged: "charged it", mode: "set its use to", replaced: "put in another battery", forget: "made it forget", coldest: "expects down to" };
const UNIT = { check: " V", coldest: " °C" };

async function paintCare(declared, state) {
  const path = address("batteries", declared.id, "care");
  const { notes } = await ask(path);
  const volts = h("input", { id: "volts", type: "text", inputmode: "decimal", required: true, size: 6, autocomplete: "off", "aria-describedby": "volts-hint" });
  const measured = doing(async () => {
    const value = Number(volts.value.replace(",", "."));
    if (volts.value.trim() === "" || Number.isNaN(value)) throw new Error("Type the voltage as a number, such as 12.62.");
    await ask(path, { kind: "check", value });
    await paintCare(declared, state);
  }, "Your measurement is in the log.");
  const charged = doing(async () => { await ask(path, { kind: "charged" }); await paintCare(declared, state); }, "Noted. It counts once the sensor has seen it.");
  $("care")?.replaceChildren(h("h2", {}, "Care"),
    ...(state.dues.length ? [h("ul", { class: "log" }, state.dues.map((d) => h("li", {}, h("strong", {}, d.text), " ", sentence(d.reason))))] : [h("p", {}, "Nothing is due.")]),
    ...(may("operate") ? [h("form", { class: "line", onsubmit: measured }, h("label", { for: "volts" }, "I measured"), volts, h("span", {}, "V"), h("button", { class: "main" }, "Write it down")),
      h("p", { class: "soft", id: "volts-hint" }, "At rest: hours after charging, nothing switched on, across the battery's own terminals."),
      h("div", { class: "buttons" }, h("button", { type: "button", onclick: charged }, "I charged it"))] : []),
    ...(notes.length ? [h("h3", {}, "The log"), h("ul", { class: "log", id: "log" }, notes.slice(0, 20).map((n) =>
      h("li", {}, when(n.time), " ", `${n.who || "Somebody"} ${DID[n.kind] ?? n.kind}${n.value === null ? "" : ` ${n.value}`}${UNIT[n.kind] ?? ""}`)))] : []));
}

// ---- what is known of it ------------------------------------------------------------------------------------------

const UNITS = { mv_per_k_and_cell: "mV per K and cell", pct: "%", pct_h: "% h", ah: "Ah", v: "V", a: "A", ma: "mA", ohm: "Ω", c: "°C", k: "K", h: "h", s: "s", years: "years", days: "days" };

/** `usable_capacity_ah`, 95.51 as a name and `95.5 Ah`; times become dates; what is not known is left out. */
function facts_of(values) {
  return Object.entries(values).filter(([, value]) => value !== null).flatMap(([key, value]) => {
    const unit = key.includes("_than_") ? undefined : Object.keys(UNITS).filter((u) => key.endsWith(`_${u}`)).sort((a, b) => b.length - a.length)[0];
    if (key.endsWith("_ms")) return [h("dt", {}, key.slice(0, -3).replaceAll("_", " ")), h("dd", {}, moment(value))];
    return [h("dt", {}, (unit ? key.slice(0, -unit.length - 1) : key).replaceAll("_", " ").replace("25 c", "25 °C")), h("dd", {}, `${number(value)}${unit && typeof value === "number" ? ` ${UNITS[unit]}` : ""}`)];
  });
}
const number = (value) => (typeof value === "number" ? Number(value.toPrecision(3)).toLocaleString("en-GB", { maximumFractionDigits: 6 }) : String(value));

async function paintMore(declared, state) {
  const blocks = [["Its charging", state.session], ["Time spent low", state.exposure], ["Its age", state.ageing]].filter(([, values]) => Object.keys(values).length);
  const parts = blocks.map(([title, values]) => [h("details", {}, h("summary", {}, title), h("dl", {}, facts_of(values)))]);
  if (state.learned.length) {
    parts.push([h("details", {}, h("summary", {}, "Learned from its readings"), h("dl", {}, state.learned.flatMap((x) => { const [name, value] = facts_of({ [x.name]: x.value }); value.append(`, very likely ${number(x.low)} to ${number(x.high)}`); return [name, value]; })))]);
  }
  const { deliveries } = await ask(`${API}/deliveries?${new URLSearchParams({ battery_id: declared.id, limit: 20 })}`).catch(() => ({ deliveries: [] }));
  if (deliveries.length) {
    parts.push([h("details", {}, h("summary", {}, `Who was told (${deliveries.length})`), h("ul", { class: "log" }, deliveries.map(told)))]);
  }
  parts.push(h("p", { class: "noprint" }, h("a", { href: `${address("batteries", declared.id, "record")}?format=html` }, "The battery's record, to print or hand over")));
  $("more")?.replaceChildren(h("h2", {}, "What is known of it"), ...parts.flat());
}
