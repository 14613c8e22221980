// The rounds: one row a vehicle with one action, as the service ranks them.

import { $, API, address, ask, begun, clock, day, doing, h, may, moment, now, sentence, show } from "./tools.js";

const COUNT = ["No vehicle needs", "One vehicle needs", "Two vehicles need", "Three vehicles need", "Four vehicles need", "Five vehicles need", "Six vehicles need", "Seven vehicles need", "Eight vehicles need", "Nine vehicles need"];

function group(row) {
  if (row.sort === "done") return "Done, and proven";
  if (row.sort === "fine") return "Nothing to do";
  if (row.earliest_damage === null) return "No date of damage";
  const days = (Date.parse(row.earliest_damage) - now()) / 864e5;
  return days < 1 ? "Today" : days < 7 ? "Within a week" : "Later";
}

export async function rounds() {
  const mine = begun();
  const asked = new URLSearchParams(location.hash.split("?")[1] ?? "");
  const query = new URLSearchParams({ ...(asked.get("site") ? { site: asked.get("site") } : {}), ...(asked.get("all") ? { fine: "true" } : {}) });
  const sheet = await ask(`${API}/rounds?${query}`);
  if (!mine()) return;
  clock(sheet.now);
  const need = sheet.rows.filter((row) => !["done", "fine"].includes(row.sort)).length;
  const sites = h("select", { id: "site", onchange: (e) => { location.hash = `#/rounds?${new URLSearchParams({ site: e.target.value })}`; } },
    h("option", { value: "" }, "every site"), sheet.sites.map((s) => h("option", { value: s, selected: s === asked.get("site") }, s)));
  query.set("format", "csv");
  const parts = [h("h1", {}, "Rounds"),
    h("p", { class: "next" }, `${day(sheet.now)}. ${COUNT[need] ?? `${need} vehicles need`} you${sheet.fine ? `; ${sheet.fine === 1 ? "one is" : `${sheet.fine} are`} fine` : ""}.`),
    h("div", { class: "filters" }, sheet.sites.length > 1 ? [h("label", { for: "site" }, "Show"), sites] : [],
      h("button", { type: "button", onclick: () => print() }, "Print the sheet"),
      h("a", { href: `${API}/rounds?${query}`, download: "rounds.csv" }, "As CSV"),
      h("a", { href: `#/rounds?${new URLSearchParams({ ...(asked.get("site") ? { site: asked.get("site") } : {}), ...(asked.get("all") ? {} : { all: "1" }) })}` },
        asked.get("all") ? "Only those that need something" : "Also those that are fine"))];
  if (sheet.batteries === 0) parts.push(h("p", {}, asked.get("site") ? "No battery lives at this site." : "No battery is declared yet. Each is a [[battery]] in the settings file, or is declared over the API."));
  let heading = null, list = null;
  for (const row of sheet.rows) {
    if (group(row) !== heading) {
      heading = group(row);
      list = h("ol", { class: "rounds" });
      parts.push(h("section", { "aria-label": heading }, h("h2", {}, heading), list));
    }
    list.append(task(row));
  }
  list = 1;
  show("Rounds", ...parts);
  for (const ol of document.querySelectorAll("ol.rounds")) { ol.setAttribute("start", list); ol.style.counterReset = `row ${list - 1}`; list += ol.children.length; }
}

/** `North yard. Damage from Thursday 4 December; next hire Friday 12 December. For Ines.` */
function facts(row) {
  const dates = [row.earliest_damage && `damage from ${day(row.earliest_damage)}`, row.next_hire && `next hire ${day(row.next_hire)}`].filter(Boolean).join("; ");
  return [row.site, dates, row.owner && `for ${row.owner}`].filter(Boolean).map((text) => `${text[0].toUpperCase()}${text.slice(1)}.`).join(" ");
}

function task(row) {
  const taken = row.acknowledged ? `Taken on by ${row.acknowledged_by}, ${moment(row.acknowledged)}.` : "";
  const take = doing(async () => { await ask(address("alerts", row.alert_id, "acknowledge"), {}); await rounds(); }, `Taken on: ${row.vehicle}.`);
  return h("li", { id: `row-${row.battery_id}` },
    h("div", {}, h("h3", {}, h("a", { href: `#/battery/${encodeURIComponent(row.battery_id)}` }, row.vehicle), ": ", row.action),
      h("p", {}, `${sentence(row.why)} ${row.proof ? "" : row.stands}`.trim()), // a proof says itself how it stands
      h("p", { class: "facts" }, facts(row)),
      taken || row.proof ? h("p", { class: "proof" }, `${taken} ${row.proof}`.trim()) : null),
    h("div", { class: "buttons" }, row.alert_id && !row.acknowledged && row.sort !== "done" && may("operate") ? h("button", { type: "button", onclick: take, "aria-label": `I take on ${row.vehicle}` }, "I take this on") : null),
    row.sort === "done" ? null : h("div", { class: "tick", "aria-hidden": "true" }, "☐ done   ______ V"));
}
