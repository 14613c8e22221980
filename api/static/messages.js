// Messages: whether this browser is told, who else is, and what became of each message.

import { $, API, address, ask, begun, doing, h, may, moment, say, show, told } from "./tools.js";

const MINE = "restvolt-subscription"; // under this name the browser remembers which subscription is its own

export async function messages() {
  const mine = begun();
  const push = await ask(`${API}/push`);
  if (!mine()) return;
  show("Messages", h("h1", {}, "Messages"), h("p", { class: "next" }, "Who is told when something happens, and what became of each message."),
    h("div", { class: "two" },
      h("div", {}, h("section", { id: "browser", "aria-label": "This browser" }), h("section", { id: "people", "aria-label": "Who is told" })),
      h("div", {}, h("section", { id: "sent", "aria-label": "What was sent" }))));
  paintBrowser(push);
  paintPeople(push);
  await paintSent("");
}

// ---- this browser -------------------------------------------------------------------------------------------------

const bytes = (text) => Uint8Array.from(atob(text.replaceAll("-", "+").replaceAll("_", "/")), (c) => c.charCodeAt(0));

/** Why this browser cannot be told, in words; null if it can. */
function hindrance(push) {
  if (push.why_not) return push.why_not;
  if (!isSecureContext) return "Browsers take messages only for a page that comes over https, or from the machine itself. Put the service behind TLS, or give this phone an address in the settings instead.";
  if (!("serviceWorker" in navigator) || !("PushManager" in window)) return "This browser takes no messages from pages. On some phones it does once the page is added to the home screen.";
  return null;
}

async function subscribe(push, person, device) {
  if (await Notification.requestPermission() !== "granted") throw new Error("The browser was not allowed to show messages. Allow it in the browser's own settings for this page, then try again.");
  await navigator.serviceWorker.register("/service-worker.js");
  const worker = await navigator.serviceWorker.ready;
  const made = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(push.public_key) })
    .catch((error) => { throw new Error(`The browser could not reach its push service: ${error.message}`); });
  const { id } = await ask(`${API}/push/subscriptions`, { ...made.toJSON(), person, device });
  localStorage.setItem(MINE, id);
}

async function unsubscribe(id) {
  if (id === localStorage.getItem(MINE)) {
    const worker = await navigator.serviceWorker?.getRegistration();
    await (await worker?.pushManager.getSubscription())?.unsubscribe();
    localStorage.removeItem(MINE);
  }
  await ask(address("push", "subscriptions", id), undefined, "DELETE");
}

function paintBrowser(push) {
  const here = push.subscriptions.find((s) => s.id === localStorage.getItem(MINE)), why = hindrance(push);
  const away = (s) => h("button", { type: "button", "aria-label": `No longer tell ${s.device} of ${s.person}`, onclick: doing(async () => { await unsubscribe(s.id); await messages(); }, `${s.device} is no longer told.`) }, "No longer tell it");
  const others = push.subscriptions.filter((s) => s !== here);
  $("browser")?.replaceChildren(h("h2", {}, "This browser"),
    ...(here ? [h("p", {}, `It is told as ${here.person}, since ${moment(here.made)}.`), h("div", { class: "buttons" }, away(here))] : why ? [h("p", {}, why)] : [subscribeForm(push)]),
    ...(others.length ? [h("h3", {}, "Other browsers"), h("ul", { class: "log" }, others.map((s) => h("li", {}, `${s.device}, as ${s.person}, since ${moment(s.made)}`, h("div", { class: "buttons" }, away(s)))))] : []));
}

function subscribeForm(push) {
  const as = h("select", { id: "as" }, push.may_be.map((name) => h("option", {}, name)));
  const device = h("input", { id: "device", required: true, maxlength: 80, value: /Mobi/.test(navigator.userAgent) ? "phone" : "computer" });
  const send = doing(async () => { await subscribe(push, as.value, device.value); await messages(); }, "This browser is told from now on. Send a test to see it.");
  return h("form", { class: "line", onsubmit: send }, push.may_be.length > 1 ? [h("label", { for: "as" }, "Tell"), as] : [],
    h("label", { for: "device" }, push.may_be.length > 1 ? "on my" : "On my"), device, h("button", { class: "main" }, "Tell me here"));
}

// ---- who is told --------------------------------------------------------------------------------------------------

const LEAST = { low: "of everything", medium: "of what is important or grave", high: "only of what is grave" };

function paintPeople(push) {
  const test = (p) => doing(async () => {
    await ask(`${API}/push/test`, { person: p.name });
    for (const after of [1000, 6000]) setTimeout(() => paintSent("").catch((e) => say(e.message)), after);
  }, `A test is on its way to ${p.name}.`);
  const line = (p) => h("li", {}, h("strong", {}, p.name), ` is told ${LEAST[p.priority]}${p.sites.length ? ` at ${p.sites.join(", ")}` : ""}, `,
    p.ways === 0 ? "but has no way to be reached yet." : p.ways === 1 ? "in one way." : `in ${p.ways} ways.`,
    may("operate") && p.ways ? h("div", { class: "buttons" }, h("button", { type: "button", "aria-label": `Send ${p.name} a test`, onclick: test(p) }, "Send a test")) : null);
  $("people")?.replaceChildren(h("h2", {}, "Who is told"),
    push.people.length ? h("ul", { class: "log" }, push.people.map(line)) : h("p", {}, "Nobody is told of anything. Name people under [[push.people]] in the settings, or let this browser be told."));
}

// ---- what was sent ------------------------------------------------------------------------------------------------

const WHICH = { "": "all messages", failed: "those that were not taken", waiting: "those that wait" };

async function paintSent(state) {
  const which = h("select", { id: "which", onchange: (e) => paintSent(e.target.value).catch((error) => say(error.message)) },
    Object.entries(WHICH).map(([value, words]) => h("option", { value, selected: value === state }, words)));
  const list = h("ul", { class: "log", id: "deliveries" });
  const older = h("button", { type: "button" }, "Older ones");
  const more = async (path) => {
    const page = await ask(path);
    list.append(...page.deliveries.map(told));
    older.hidden = page.next === null;
    older.onclick = doing(() => more(page.next), "");
    return page.deliveries.length;
  };
  const found = await more(`${API}/deliveries?${new URLSearchParams({ limit: 25, ...(state ? { state } : {}) })}`);
  $("sent")?.replaceChildren(h("h2", {}, "What was sent"), h("div", { class: "filters" }, h("label", { for: "which" }, "Show"), which),
    found ? list : h("p", {}, state ? "There are none of these." : "Nothing was sent yet."), older);
}
