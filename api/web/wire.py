"""What travels out: our values as plain JSON values, for orjson. The schemas that describe them stand in api.web.schemas."""

from typing import Any

from analytics.assessment import Anchor, Assessment, Evidence, Finding
from analytics.battery import Battery
from analytics.reading import Note
from analytics.sentences import sentences_of
from api.declaration import as_dict
from api.ports import Alert, AlertAct, Columns, Delivery, Subscription
from api.web.schemas import State
from api.words import due as due_words
from api.words import rfc3339, words

Json = dict[str, Any]


def _time(at_ms: int | None) -> str | None:
    return None if at_ms is None else rfc3339(at_ms)


def evidence(pairs: Evidence) -> Json:
    return dict(pairs)


def finding(f: Finding) -> Json:
    return {**f._asdict(), "evidence": evidence(f.evidence)}


def anchor(a: Anchor | None) -> Json | None:
    if a is None:
        return None
    return {"kind": a.kind, "time": rfc3339(a.at_ms), "before_pct": a.before_pct, "after_pct": a.after_pct, "surprise": a.surprise}


def state(battery: Battery, a: Assessment | None, now_ms: int, heard_ms: int | None) -> Json:
    """What is believed of a battery, as numbers and as sentences. Before anything was heard all numbers are null.

    `now` is cut to the minute, so that the same belief is the same answer for so long.
    """
    out: Json = {
        "battery_id": battery.id,
        "now": rfc3339(now_ms // 60_000 * 60_000),
        "time": None,
        "heard": _time(heard_ms),
        "words": words(battery, a, now_ms, heard_ms),
    }
    if a is None:
        empty = {name: None for name in State.model_fields if name not in out}
        return {**out, **empty, "charge_phase": "unknown", "dues": [], "learned": [], "findings": [], "sentences": [],
                "exposure": {}, "session": {}, "ageing": {}}  # fmt: skip
    d = a.details
    forecast, load = d.forecast, d.standing_load
    out["time"] = rfc3339(a.at_ms)
    for name in (
        "voltage_v",
        "current_a",
        "temperature_c",
        "state_of_charge_pct",
        "state_of_charge_low_pct",
        "state_of_charge_high_pct",
        "charge_phase",
    ):
        value = getattr(a, name)
        out[name] = _rounded(name, value) if isinstance(value, float) else value
    out["anchor"] = anchor(a.anchor)
    out["mode"] = d.mode
    out["forecast"] = None if forecast is None else {
        "limit_pct": forecast.limit_pct, "earliest": _time(forecast.earliest_ms), "latest": _time(forecast.latest_ms), "basis": forecast.basis,
    }  # fmt: skip
    out["standing_load"] = None if load is None else {
        "current_a": load.current_a, "low_a": load.low_a, "high_a": load.high_a, "since": rfc3339(load.since_ms), "basis": load.basis,
    }  # fmt: skip
    out["dues"] = [
        {"what": x.what, "text": due_words(x.what, x.due_ms, now_ms), "due": rfc3339(x.due_ms), "reason": x.reason} for x in d.dues
    ]
    out["learned"] = [x._asdict() for x in d.learned]
    out["findings"] = [finding(f) for f in d.findings]
    out |= {"exposure": evidence(d.exposure), "session": evidence(d.session), "ageing": evidence(d.ageing)}
    out["sentences"] = list(sentences_of(battery, a, now_ms))
    return out


def battery(b: Battery) -> Json:
    return {**as_dict(b), "limit_pct": b.limit_pct, "chemistry_title": b.kind.title}


def alert(a: Alert) -> Json:
    return {
        "id": a.id, "battery_id": a.battery_id, "rule": a.rule, "priority": a.priority, "state": a.state,
        "began": rfc3339(a.began_ms), "ended": _time(a.ended_ms), "finding": finding(a.finding),
        "acknowledged": _time(a.acknowledged_ms), "acknowledged_by": a.acknowledged_by,
        "shelved_until": _time(a.shelved_until_ms), "shelved_by": a.shelved_by, "shelved_reason": a.shelved_reason,
        "out_of_service_until": _time(a.out_of_service_until_ms), "out_of_service_by": a.out_of_service_by,
        "out_of_service_reason": a.out_of_service_reason,
        "out_of_service": a.out_of_service,
    }  # fmt: skip


def act(a: AlertAct) -> Json:
    return {"time": rfc3339(a.at_ms), "kind": a.kind, "who": a.who, "text": a.text}


def note(n: Note) -> Json:
    return {"time": rfc3339(n.at_ms), "kind": n.kind, "value": n.value, "who": n.who}


def delivery(d: Delivery) -> Json:
    return {
        "id": d.id, "channel": d.channel, "person": d.channel.partition("/")[0], "kind": d.kind, "title": d.message.title,
        "text": d.message.text, "priority": d.message.priority, "alert_id": d.message.alert_id, "battery_id": d.message.battery_id,
        "made": rfc3339(d.made_ms), "done": _time(d.done_ms), "next_try": rfc3339(d.due_ms) if d.state == "waiting" else None,
        "tries": d.tries, "state": d.state, "last_error": d.last_error,
    }  # fmt: skip


def subscription(s: Subscription) -> Json:
    return {"id": s.id, "person": s.person, "device": s.device, "made": rfc3339(s.made_ms)}


DIGITS = {"temperature_c": 1, "state_of_charge_pct": 2, "state_of_charge_low_pct": 2, "state_of_charge_high_pct": 2}
"""Decimals that mean something; all others have three (1 mV, 1 mA)."""


def _rounded(name: str, value: float | None) -> float | None:
    return None if value is None else round(value, DIGITS.get(name.removesuffix("_min").removesuffix("_max"), 3))


def columns(c: Columns) -> Json:
    values = {name: [_rounded(name, value) for value in column] for name, column in c.values.items()}
    return {"time_ms": c.time_ms, "every_ms": c.every_ms, **values, "charge_phase": c.phases}
