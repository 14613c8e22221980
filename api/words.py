"""How a battery stands, in sentences a person can read aloud. The same on page, sheet and API; no markup, no units without numbers.

Pure: the time is handed in. A 90 % interval is called "very likely": the IPCC's calibrated language uses these words for
90 to 100 % (guidance note on uncertainty for the fifth assessment report, 2010, table 1; from memory).
"""

from datetime import UTC, datetime, timedelta

from analytics.assessment import Anchor, Assessment, Forecast, Load
from analytics.battery import Battery

MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000

PHASES = {
    "resting": "At rest.",
    "discharging": "Giving power.",
    "bulk": "Charging, main part (bulk).",
    "absorption": "Charging, topping up (absorption).",
    "float": "Kept full by a charger (float).",
    "equalisation": "Equalising charge.",
    "pulse": "Kept full by short pulses.",
    "charging": "Charging.",
    "unknown": "What it is doing now cannot be told yet.",
}

CHARGING = frozenset({"bulk", "absorption", "float", "equalisation", "pulse", "charging"})

ANCHORS = {
    "rest": "its voltage was read at rest",
    "full": "it was charged full",
    "empty": "it was drained to its end",
    "gap": "its voltage was read after a silence",
    "declared": "its owner declared it",
    "check": "a person measured its voltage",
}


def rfc3339(at_ms: int) -> str:
    """UTC, whole milliseconds, `Z`. Beyond what a date can be (year 1 to 9999) it is the nearest that can be."""
    at_ms = min(max(at_ms, -62_135_596_800_000), 253_402_300_799_999)
    when = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)
    text = when.isoformat(timespec="milliseconds" if at_ms % 1000 else "seconds")
    return text.replace("+00:00", "Z")


def day(at_ms: int) -> str:
    """`Friday 4 December`, in UTC: what a sheet shows."""
    when = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)
    return f"{when:%A} {when.day} {when:%B}"


def since(ms: int) -> str:
    """A length of time in its natural unit: `40 minutes`, `9 days`."""
    if ms < 90_000:
        return "a minute"
    if ms < 90 * MINUTE_MS:
        return f"{round(ms / MINUTE_MS)} minutes"
    if ms < 36 * HOUR_MS:
        return f"{round(ms / HOUR_MS)} hours"
    return f"{round(ms / DAY_MS)} days"


def span(early_ms: int, late_ms: int | None) -> str:
    """A range of lengths of time in the unit of its early end: `6 to 9 days`."""
    early_ms = max(0, early_ms)
    unit_ms, unit = (HOUR_MS, "hours") if early_ms < 36 * HOUR_MS else (DAY_MS, "days")
    first = int(early_ms / unit_ms)
    if late_ms is None:
        return f"{first} {unit} or more"
    if unit_ms == HOUR_MS and late_ms >= 48 * HOUR_MS:
        return f"{first} hours to {round(late_ms / DAY_MS)} days"
    last = max(first, round(late_ms / unit_ms))
    if last == first:
        return f"about {first} {unit}" if first else f"less than {'an hour' if unit == 'hours' else 'a day'}"
    return f"{first} to {last} {unit}"


UNTOLD_PCT = 60
"""Judgement: such a range decides nothing, a number in its middle would only pretend to."""


def charge(assessment: Assessment) -> str:
    """`About 72 %, very likely between 66 and 78 %.`"""
    pct, low, high = assessment.state_of_charge_pct, assessment.state_of_charge_low_pct, assessment.state_of_charge_high_pct
    if pct is None or low is None or high is None:
        return "How full it is cannot be told yet."
    if high - low > UNTOLD_PCT:
        return f"How full it is can hardly be told: anything between {low:.0f} and {high:.0f} %."
    return f"About {pct:.0f} %, very likely between {low:.0f} and {high:.0f} %."


def briefly(assessment: Assessment | None, heard_ms: int | None, now_ms: int) -> str:
    """How it stood when it was last heard, in one line of a sheet: `About 58 % (50 to 66 %), 12.41 V, 3 minutes ago.`"""
    if heard_ms is None or assessment is None:
        return "Nothing heard yet."
    pct, low, high = assessment.state_of_charge_pct, assessment.state_of_charge_low_pct, assessment.state_of_charge_high_pct
    parts = [] if assessment.voltage_v is None else [f"{assessment.voltage_v:.2f} V"]
    if pct is not None and low is not None and high is not None:
        wide = high - low > UNTOLD_PCT
        parts.insert(0, f"between {low:.0f} and {high:.0f} %" if wide else f"about {pct:.0f} % ({low:.0f} to {high:.0f} %)")
    text = ", ".join([*parts, f"{since(max(0, now_ms - heard_ms))} ago."])
    return text[0].upper() + text[1:]


def why(anchor: Anchor | None, now_ms: int) -> str:
    """Why we believe it: the last anchor."""
    if anchor is None:
        return "This is an estimate without a firm point so far: a full charge or a long rest will give one."
    cause = ANCHORS.get(anchor.kind, anchor.kind)
    return f"Last made sure {since(max(0, now_ms - anchor.at_ms))} ago, when {cause} and that showed {anchor.after_pct:.0f} %; counted from there."


def left(forecast: Forecast | None, now_ms: int, phase: str = "unknown", pct: float | None = None) -> str:
    """Time until the safe limit as a range. While it is being charged no forecast holds. `pct`: its charge, where that is told."""
    if phase in CHARGING:
        return "It is being charged: when it needs the next charge shows once it is left alone."
    if forecast is None:
        return "When it will need a charge cannot be told yet."
    if forecast.basis.startswith("cannot judge"):
        return f"When it will need a charge cannot be told: {forecast.basis.partition(':')[2].strip() or 'too little was seen'}."
    if forecast.earliest_ms is None and pct is not None and pct < forecast.limit_pct:
        return f"It is most likely below its limit of {forecast.limit_pct:.0f} %: charge it now."
    if forecast.earliest_ms is None:
        return f"It is not on its way to its limit of {forecast.limit_pct:.0f} %."
    if forecast.latest_ms is not None and forecast.latest_ms <= now_ms:
        return f"It is at or below its limit of {forecast.limit_pct:.0f} %: charge it now."
    late_ms = None if forecast.latest_ms is None else forecast.latest_ms - now_ms
    if forecast.earliest_ms - now_ms < HOUR_MS:
        last = "" if late_ms is None else f", and will within {since(late_ms)}"
        return f"It may reach its limit of {forecast.limit_pct:.0f} % at any time now{last}, if nothing changes."
    return f"Reaches its limit of {forecast.limit_pct:.0f} % in {span(forecast.earliest_ms - now_ms, late_ms)}, if nothing changes."


def current(current_a: float) -> str:
    """Without its sign, in the unit that is read most easily: `60 mA`, `6.0 A`."""
    return f"{1000 * abs(current_a):.0f} mA" if abs(current_a) < 0.9995 else f"{abs(current_a):.1f} A"


def standing(load: Load | None) -> str:
    """What drains it while nothing is switched on."""
    if load is None:
        return "The standing load has not been measured yet: it shows while the battery rests."
    if load.high_a <= 0.001:
        return "Nothing drains it while it rests."
    if load.low_a <= 0:
        return f"At most {current(load.high_a)} drain it while it rests; it may be nothing at all."
    return f"About {current(load.current_a)} drain it while it rests, very likely between {current(load.low_a)} and {current(load.high_a)}."


CARE = {
    "check": "check its voltage",
    "refresh": "give it its three-monthly charge",
    "charge_before_storage": "charge it before storage",
    "check_before_use": "check it before the trip",
    "check_after_use": "check it after the trip",
}


def by(what: str, due_ms: int, now_ms: int) -> str:
    """`charge by Friday 4 December`; a date gone by or within the day is `today`."""
    return f"{what} today" if due_ms - now_ms < DAY_MS else f"{what} by {day(due_ms)}"


def due(what: str, due_ms: int, now_ms: int) -> str:
    """`Check its voltage by Sunday 7 December.`"""
    text = by(CARE.get(what, what.replace("_", " ")), due_ms, now_ms)
    return text[0].upper() + text[1:] + "."


def silence(last_ms: int | None, now_ms: int, interval_s: float | None = None) -> str | None:
    """A sentence if nothing came for long; None if it speaks as it should. Judgement: an hour, or three of its own intervals."""
    if last_ms is None:
        return "Nothing has been heard of this battery yet."
    quiet_ms = now_ms - last_ms
    if quiet_ms <= max(HOUR_MS, 3000 * (interval_s or 0)):
        return None
    return f"Silent for {since(quiet_ms)}: all that stands here is as of then."


def words(battery: Battery, assessment: Assessment | None, now_ms: int, heard_ms: int | None) -> dict[str, str | None]:
    """All sentences of a battery's state."""
    quiet = silence(heard_ms, now_ms, battery.reading_interval_s)
    if assessment is None:
        return {"charge": "How full it is cannot be told yet.", "why": None, "left": None, "load": None, "doing": None, "silence": quiet}
    details, low, high = assessment.details, assessment.state_of_charge_low_pct, assessment.state_of_charge_high_pct
    pct = None if low is None or high is None or high - low > UNTOLD_PCT else assessment.state_of_charge_pct
    return {
        "charge": charge(assessment),
        "why": why(assessment.anchor, now_ms),
        "left": left(details.forecast, now_ms, assessment.charge_phase, pct),
        "load": standing(details.standing_load),
        "doing": PHASES.get(assessment.charge_phase, assessment.charge_phase),
        "silence": quiet,
    }
