// The page: shows what the API says, and sends back what a person did. It judges nothing itself; sentences come from the service.
// Here: which view is shown, signing in, what comes in live, and saying so when the service is silent.

import { battery, paintAlerts, paintState } from "./battery.js";
import { messages } from "./messages.js";
import { rounds } from "./rounds.js";
import { $, API, address, ask, clock, doing, h, moment, now, say, session, show } from "./tools.js";

const LOOK_EVERY_MS = 20000; // whether the service still answers; a broken line of a phone is not always told to the page
const ANEW_MS = 300000; // a list that hangs on the clock is asked anew, though nothing happened
let stream = null;
let painted = 0;

// ---- signing in ---------------------------------------------------------------------------------------------------

function signIn() {
  session.me = null;
  stream?.close();
  $("whoami").replaceChildren();
  $("views").hidden = true;
  const field = h("input", { id: "token", type: "password", autocomplete: "current-password", required: true, size: 34 });
  const send = doing(async () => { session.me = await ask(`${API}/session`, { token: field.value }); await start(); }, "You are signed in.");
  show("Sign in", h("h1", {}, "Sign in"),
    h("p", {}, "Whoever runs this service makes a token for you with ", h("code", {}, "restvolt token new"), "."),
    h("form", { class: "line", onsubmit: send }, h("label", { for: "token" }, "Your token"), field, h("button", { class: "main" }, "Sign in")));
  field.focus();
}

async function signOut() {
  await ask(`${API}/session`, undefined, "DELETE");
  signIn();
}

// ---- live ---------------------------------------------------------------------------------------------------------

/** What is told live: of the battery that is shown, or (null) of every alert. */
function listen(id) {
  stream?.close();
  stream = new EventSource(`${API}/stream?${new URLSearchParams(id === null ? { only: "alert" } : { battery_id: id })}`);
  let late = null;
  const soon = () => { late ??= setTimeout(() => { late = null; if (id === null) rounds().catch((e) => say(e.message)); }, 2000); };
  stream.addEventListener("state", async (event) => {
    if (id === null) return;
    const state = JSON.parse(event.data);
    clock(state.now);
    if (state.battery_id === id) paintState(await declaredOf(id), state);
  });
  stream.addEventListener("alert", async (event) => { const e = JSON.parse(event.data); say(`${e.title}: ${e.kind}.`); if (id === null) soon(); else paintAlerts(await declaredOf(id)); });
  stream.addEventListener("error", look);
}

const known = new Map();
async function declaredOf(id) { if (!known.has(id)) known.set(id, await ask(address("batteries", id))); return known.get(id); }

/** Does the service still answer? If not, the page says since when its figures are old; once it does again, all is asked anew. */
async function look() {
  const answers = await fetch("/healthz", { cache: "no-store", signal: AbortSignal.timeout(10000) }).then((a) => a.ok, () => false);
  const stale = $("stale");
  if (answers && !stale.hidden) { stale.hidden = true; stale.textContent = ""; await go(); }
  if (!answers && stale.hidden) {
    stale.hidden = false;
    stale.textContent = `The service has not answered since ${moment(now())}. What stands here is as of then; it is asked again every ${LOOK_EVERY_MS / 1000} seconds.`;
  }
}

function awake() {
  if (document.hidden || session.me === null) return;
  look();
  if (Date.now() - painted > ANEW_MS && document.activeElement?.tagName !== "INPUT" && location.hash.startsWith("#/rounds")) go();
}

// ---- going about --------------------------------------------------------------------------------------------------

async function go() {
  const [, kind, id] = location.hash.split("?")[0].split("/");
  let view = "rounds";
  painted = Date.now();
  try {
    if (kind === "battery") { view = kind; await battery(decodeURIComponent(id)); listen(decodeURIComponent(id)); }
    else if (kind === "messages") { view = kind; stream?.close(); await messages(); }
    else if (kind === undefined || kind === "") {
      const { batteries } = await ask(`${API}/batteries?limit=2`);
      if (batteries.length === 1) { view = "battery"; await battery(batteries[0].battery.id); listen(batteries[0].battery.id); }
      else { await rounds(); listen(null); }
    } else { await rounds(); listen(null); }
  } catch (error) { if (error.status !== 401) { show("Restvolt", h("h1", {}, "This did not work"), h("p", {}, error.message), h("p", {}, h("a", { href: "#/" }, "Back to the beginning"))); } }
  for (const link of document.querySelectorAll("#views a")) link.toggleAttribute("aria-current", link.hash === `#/${view}`);
}

async function start() {
  session.lost = signIn;
  try { session.me = await ask(`${API}/session`); } catch (error) { if (error.status !== 401) { say(error.message); look(); } return; }
  $("views").hidden = false;
  $("whoami").replaceChildren(session.me.name === "this machine" ? "" : h("span", {}, `${session.me.name} `, h("button", { type: "button", class: "plain", onclick: doing(signOut, "You are signed out.") }, "Sign out")));
  await go();
}

$("skip").addEventListener("click", (event) => { event.preventDefault(); $("content").focus(); });
addEventListener("hashchange", async () => { say(""); await go(); $("content").focus(); scrollTo(0, 0); });
addEventListener("visibilitychange", awake);
setInterval(awake, LOOK_EVERY_MS);
clock(new Date().toISOString());
start();
