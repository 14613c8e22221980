"""The record of one battery: what was declared, done, seen and said of it. The evidence for a hand-over or a claim.

Pure: gathers and words what ledger and history hold, judges nothing anew. JSON values in, the same values as a page out.
"""

from collections.abc import Iterable, Sequence
from html import escape
from itertools import groupby
from typing import Any, NamedTuple

from analytics.assessment import Assessment
from analytics.battery import Battery
from analytics.cautions import CAUTIONS
from analytics.reading import Note, by_people
from api.ports import Alert, AlertAct, Columns
from api.words import CHARGING, rfc3339

Json = dict[str, Any]
MOST = 200
"""Judgement: rows of one kind in a record that a person reads; the count of all is told beside them."""


class Stretch(NamedTuple):
    """A stretch of history: a low or a charge. Times in UTC ms; None where nothing was known."""

    from_ms: int
    to_ms: int
    lowest_pct: float | None
    lowest_v: float | None
    first_pct: float | None
    last_pct: float | None


def _column(columns: Columns, name: str, alternative: str) -> list[float | None]:
    found = columns.values.get(name)
    return columns.values.get(alternative, [None] * len(columns.time_ms)) if found is None else found


def _stretches(columns: Columns, inside: Sequence[bool]) -> list[Stretch]:
    """Runs of points that are inside. A gap ends a run: nobody knows what was in it."""
    pct = columns.values.get("state_of_charge_pct", [None] * len(columns.time_ms))
    low_pct = _column(columns, "state_of_charge_pct_min", "state_of_charge_pct")
    low_v = _column(columns, "voltage_v_min", "voltage_v")
    found = []
    for held, run in groupby(range(len(columns.time_ms)), key=lambda i: inside[i]):
        if not held:
            continue
        at = list(run)
        end_ms = columns.time_ms[at[-1]] + (columns.every_ms or 0)
        depths = [low_pct[i] for i in at if low_pct[i] is not None]
        volts = [low_v[i] for i in at if low_v[i] is not None]
        found.append(
            Stretch(columns.time_ms[at[0]], end_ms, min(depths, default=None), min(volts, default=None), pct[at[0]], pct[at[-1]])  # type: ignore[type-var]
        )
    return found


def lows(columns: Columns, limit_pct: float) -> list[Stretch]:
    """When it was believed to be below its limit, and how deep."""
    depth = _column(columns, "state_of_charge_pct_min", "state_of_charge_pct")
    return _stretches(columns, [pct is not None and pct < limit_pct for pct in depth])


def charges(columns: Columns) -> list[Stretch]:
    """When it was charged, and from where to where."""
    return _stretches(columns, [phase in CHARGING for phase in columns.phases])


def _stretch(s: Stretch) -> Json:
    values = {name: None if value is None else round(value, 2) for name, value in s._asdict().items() if not name.endswith("_ms")}
    return {"from": rfc3339(s.from_ms), "to": rfc3339(s.to_ms), "hours": round((s.to_ms - s.from_ms) / 3_600_000, 1), **values}


def _tail(rows: Sequence[Json]) -> Json:
    return {"count": len(rows), "rows": list(rows[-MOST:])}


def record(
    battery: Json,
    declared: Battery,
    declarations: Iterable[tuple[int, str, Json]],
    assessment: Assessment | None,
    notes: Iterable[Note],
    alerts: Iterable[tuple[Alert, Sequence[AlertAct]]],
    columns: Columns,
    now_ms: int,
) -> Json:
    """Everything as plain JSON values. `columns` is the whole life of the battery, joined."""
    told = [{"time": rfc3339(n.at_ms), "kind": n.kind, "value": n.value, "who": n.who} for n in by_people(notes)]
    heard = [t for t, v in zip(columns.time_ms, columns.values.get("voltage_v", []), strict=False) if v is not None]
    details = None if assessment is None else assessment.details
    return {
        "made": rfc3339(now_ms),
        "battery": battery,
        "declarations": [{"since": rfc3339(ms), "who": who, "battery": b} for ms, who, b in declarations],
        "heard_from": rfc3339(heard[0]) if heard else None,
        "heard_to": rfc3339(heard[-1]) if heard else None,
        "checks": _tail([n for n in told if n["kind"] == "check"]),
        "charges_reported": _tail([n for n in told if n["kind"] == "charged"]),
        "other_notes": _tail([n for n in told if n["kind"] not in ("check", "charged")]),
        "charges_seen": _tail([_stretch(s) for s in charges(columns)]),
        "lows": _tail([_stretch(s) for s in lows(columns, declared.limit_pct)]),
        "exposure": {} if details is None else dict(details.exposure),
        "ageing": {} if details is None else dict(details.ageing),
        "learned": [] if details is None else [x._asdict() for x in details.learned],
        "alerts": _tail([_alert(a, acts) for a, acts in sorted(alerts, key=lambda pair: pair[0].began_ms)]),
    }


def _alert(alert: Alert, acts: Sequence[AlertAct]) -> Json:
    return {
        "id": alert.id, "title": alert.finding.title, "priority": alert.priority, "began": rfc3339(alert.began_ms),
        "ended": None if alert.ended_ms is None else rfc3339(alert.ended_ms), "seen": alert.finding.seen,
        "acts": [{"time": rfc3339(a.at_ms), "kind": a.kind, "who": a.who, "text": a.text} for a in acts],
    }  # fmt: skip


# As a page ---------------------------------------------------------------------------------------------------------


def _when(text: str | None) -> str:
    return "" if text is None else escape(text[:16].replace("T", " "))


def _table(title: str, heads: Sequence[str], rows: Sequence[Sequence[object]], none: str, count: int | None = None) -> str:
    if not rows:
        return f"<section><h2>{escape(title)}</h2><p>{escape(none)}</p></section>"
    more = f"<p class='soft'>The last {len(rows)} of {count}.</p>" if count is not None and count > len(rows) else ""
    head = "".join(f"<th scope='col'>{escape(h)}</th>" for h in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape('' if c is None else str(c))}</td>" for c in row) + "</tr>" for row in rows)
    return f"<section><h2>{escape(title)}</h2>{more}<div class='scroll'><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div></section>"


def _list(title: str, values: Json) -> str:
    if not values:
        return ""
    items = "".join(f"<dt>{escape(_name(k))}</dt><dd>{_value(k, v)}</dd>" for k, v in values.items())
    return f"<section><h2>{escape(title)}</h2><dl>{items}</dl></section>"


UNITS = {
    "_ah": " (Ah)",
    "_pct": " (%)",
    "_h": " (h)",
    "_v": " (V)",
    "_a": " (A)",
    "_c": " (°C)",
    "_ohm": " (Ω)",
    "_k": " (K)",
    "_s": " (s)",
    "_ms": "",
}


def _name(key: str) -> str:
    """`rated_capacity_ah` as `rated capacity (Ah)`."""
    for ending, unit in UNITS.items():
        if key.endswith(ending) and "_than_" not in key:
            return key.removesuffix(ending).replace("_", " ") + unit
    return key.replace("_", " ")


def _value(key: str, value: object) -> str:
    if value is None:
        return "not known"
    if key.endswith("_ms") and isinstance(value, int):
        return _when(rfc3339(value))
    return escape(f"{value:.4g}" if isinstance(value, float) else str(value))


def _declared(battery: Json) -> Json:
    """What is worth reading of a declaration: no empty values, no nested ones."""
    return {k: v for k, v in battery.items() if v not in (None, "") and not isinstance(v, dict | list) and k != "chemistry_title"}


def as_page(r: Json) -> str:
    """The record as an HTML page that a browser prints well."""
    battery, name = r["battery"], r["battery"]["vehicle"] or r["battery"]["id"]
    learned = {x["name"]: f"{x['value']:.4g}, very likely {x['low']:.4g} to {x['high']:.4g}" for x in r["learned"]}
    heard = "No reading has come yet." if r["heard_from"] is None else f"Readings from {_when(r['heard_from'])} to {_when(r['heard_to'])}."
    changes = [
        (_when(d["since"]), d["who"], f"{d['battery']['chemistry']}, {d['battery']['rated_capacity_ah']:g} Ah") for d in r["declarations"]
    ]
    span = [(_when(s["from"]), s["hours"], s["first_pct"], s["last_pct"]) for s in r["charges_seen"]["rows"]]
    deep = [(_when(s["from"]), _when(s["to"]), s["hours"], s["lowest_pct"], s["lowest_v"]) for s in r["lows"]["rows"]]
    acted = [
        (_when(a["began"]), _when(a["ended"]) or "still holds", a["title"], a["seen"], "; ".join(_acted(x) for x in a["acts"]))
        for a in r["alerts"]["rows"]
    ]
    parts = [
        _list("As declared", _declared(battery)),
        _table("Declarations", ("since", "by", "what"), changes, "None."),
        _table("Checks by hand", ("when", "volts", "by"), [(_when(n["time"]), n["value"], n["who"]) for n in r["checks"]["rows"]],
               "No voltage was measured by hand.", r["checks"]["count"]),
        _table("Charges reported", ("when", "by"), [(_when(n["time"]), n["who"]) for n in r["charges_reported"]["rows"]],
               "Nobody reported a charge.", r["charges_reported"]["count"]),
        _table("Charges seen by the sensor", ("from", "hours", "from %", "to %"), span, "No charge was seen.", r["charges_seen"]["count"]),
        _table("Lows: below its limit", ("from", "to", "hours", "lowest %", "lowest V"), deep, "It was never seen below its limit.", r["lows"]["count"]),
        _list("Time spent low", r["exposure"]),
        _list("Cycles and age", r["ageing"]),
        _list("Learned from its readings", learned),
        _table("Alerts, and who acted", ("began", "ended", "what", "seen", "history"), acted, "No alert began.", r["alerts"]["count"]),
        _table("Other notes", ("when", "what", "value", "by"), [(_when(n["time"]), n["kind"], n["value"], n["who"]) for n in r["other_notes"]["rows"]],
               "None.", r["other_notes"]["count"]),
    ]  # fmt: skip
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<title>Record of {escape(name)}</title><link rel='icon' href='/static/icon.svg'><link rel='stylesheet' href='/static/page.css'></head>"
        f"<body><header><nav aria-label='Pages'><a href='/#/battery/{escape(battery['id'])}' id='home'>Restvolt</a></nav></header>"
        f"<main><h1>Record of {escape(name)}</h1><p>Made {_when(r['made'])}. {heard} All times are UTC.</p>{''.join(parts)}</main>"
        f"<footer><p>{escape(CAUTIONS['advice'])}</p></footer></body></html>"
    )


def _acted(act: Json) -> str:
    text = f"{act['kind']} {_when(act['time'])}"
    return text + (f" by {act['who']}" if act["who"] else "")
