// What every view uses: elements, words, asking the service. Views import from here and not from each other.

export const API = "/api/v1";
export const $ = (id) => document.getElementById(id);
/** Who is signed in (null: nobody), and what to do when the service says that nobody is. */
export const session = { me: null, lost: () => {} };
let turn = 0;
/** Counts views, so that a late answer does not paint over the next one: `const mine = begun(); … if (!mine()) return;` */
export const begun = () => { const mine = ++turn; return () => mine === turn; };

/** Degrees as the person who looks wants them; the service always says Celsius. */
export const fahrenheit = () => session.me?.temperature_unit === "F";
const units = (text) => (fahrenheit() ? text.replace(/([-−]?\d+(?:\.\d+)?)(\s?)°C/g, (_, n, gap) => `${Math.round(Number(n.replace("−", "-")) * 1.8 + 32)}${gap}°F`) : text);

/** A number and its unit stay on one line. */
const together = (text) => text.replace(/(\d) (?=(%|V|A|mA|Ah|Wh|°C|°F|K|h)(?![\wé]))/g, "$1\u00a0");

/** An element: h("p", {class: "soft"}, "text", child). Text only ever as text: nothing from outside becomes markup. */
export function h(tag, attributes = {}, ...children) {
  const svg = ["svg", "line", "rect", "text", "path"].includes(tag);
  const element = svg ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (value !== null && value !== undefined && value !== false) element.setAttribute(key, value === true ? "" : value);
  }
  const given = children.flat().filter((child) => child !== null && child !== undefined && child !== "");
  element.append(...given.map((child) => (typeof child === "string" ? together(units(child)) : child)));
  return element;
}

export const sentence = (text) => (text ? text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".") : "");
export const say = (text) => { $("status").textContent = units(text); };
export const day = (text) => new Date(text).toLocaleDateString("en-GB", { weekday: "long", day: "numeric", month: "long" });
export const moment = (text) => new Date(text).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
export const when = (text) => h("time", { datetime: text }, moment(text));
export const may = (role) => session.me !== null && session.me.may.includes(role);
export const address = (...parts) => API + "/" + parts.map(encodeURIComponent).join("/");

let served = { theirs: 0, ours: 0 }; // the service's time when it last told, and ours then: a browser's clock may be wrong
export const now = () => served.theirs + Date.now() - served.ours;
export const clock = (text) => { served = { theirs: Date.parse(text), ours: Date.now() }; };

class Refused extends Error {
  constructor(problem) {
    super(problem.errors ? problem.errors.map((e) => e.says).join("; ") : `${problem.detail} ${problem.what_to_do}`);
    this.status = problem.status;
  }
}

export async function ask(path, body, method = body === undefined ? "GET" : "POST") {
  let answer;
  try {
    answer = await fetch(path, {
      method,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch {
    throw new Error("The service cannot be reached. What stands here is as of before.");
  }
  if (answer.ok) return answer.status === 204 ? null : answer.json();
  const problem = await answer.json().catch(() => ({ status: answer.status, detail: `The service answered ${answer.status}.`, what_to_do: "" }));
  if (answer.status === 401 && method === "GET") session.lost();
  throw new Refused(problem);
}

/** Runs what a button does: disabled meanwhile, and what went wrong is said. */
export function doing(action, done) {
  return async (event) => {
    event.preventDefault();
    const button = event.submitter ?? event.currentTarget;
    button.disabled = true;
    try { await action(event); say(done); } catch (error) { say(error.message); } finally { button.disabled = false; }
  };
}

export function show(title, ...children) {
  document.title = title === "Restvolt" ? title : `${title} · Restvolt`;
  $("content").replaceChildren(...children);
}

/** One message that was sent or waits, in words. */
export function told(d) {
  const tries = d.tries === 1 ? "one try" : `${d.tries} tries`;
  const state = d.state === "sent" ? `Sent to ${d.person}.` : d.state === "waiting"
    ? (d.tries ? `Not taken after ${tries} for ${d.person}: ${sentence(d.last_error)} Next try ${moment(d.next_try)}.` : `Waits for ${d.person} until ${moment(d.next_try)}.`)
    : `Not sent to ${d.person}: ${sentence(d.last_error)}`;
  return h("li", {}, h("p", { class: "soft" }, when(d.done ?? d.made), " ", d.state === "sent" ? state : ""), h("details", {}, h("summary", {}, d.title), h("p", { class: "told" }, d.text)),
    d.state === "sent" ? null : h("p", { class: d.tries ? "quiet" : "soft" }, state));
}
