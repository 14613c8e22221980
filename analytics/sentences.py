"""How a battery stands in plain sentences, said for whoever reads from the values of its newest assessment.

So they agree with the numbers beside them, and nobody makes or keeps words that are never read. Nothing is judged here.
"""

from analytics.ageing import telling as ageing_telling
from analytics.assessment import Assessment, Details, Due
from analytics.battery import Battery
from analytics.rules.wording import ahead, amperes, charge_in_words, lasting, on_day
from analytics.trend.freezing import freezing_point_c
from analytics.trend.level import WIDE_PCT

BY_REST = "state_of_charge_by_rest_voltage_pct"
"""Name of the learned value that tells the charge where the estimate does not (analytics.trend.level)."""
FAR_K = 15
"""Judgement: farther from freezing than the coldest night is from the day, frost is no danger."""

Charge = tuple[float, float, float]


def sentences_of(battery: Battery, assessment: Assessment, now_ms: int) -> tuple[str, ...]:
    """How it stands at `now_ms`, most important first; none before the first judgement."""
    details, charge = assessment.details, charge_now(assessment)
    if details.at_ms == 0:
        return ()
    used = "in storage" if details.mode == "stored" else "in use"
    return (
        f"The battery is {charge_in_words(charge)}, {used}.",
        _forecast(details, charge, now_ms),
        *_load(battery, assessment),
        *_cold(battery, assessment, charge),
        *(_due(due, now_ms) for due in details.dues[:1]),
        *ageing_telling.sentences_of(battery, details.ageing),
    )


def charge_now(assessment: Assessment) -> Charge | None:
    """State of charge with its 90 % interval, percent; None where neither estimate nor rest voltages tell."""
    for value in assessment.details.learned:
        if value.name == BY_REST:
            return value.value, value.low, value.high
    pct, low, high = assessment.state_of_charge_pct, assessment.state_of_charge_low_pct, assessment.state_of_charge_high_pct
    return None if pct is None or low is None or high is None or high - low > WIDE_PCT else (pct, low, high)


def _forecast(details: Details, charge: Charge | None, now_ms: int) -> str:
    forecast = details.forecast
    if forecast is None:
        return "Where it is heading cannot be judged yet."
    if forecast.basis.startswith("cannot judge"):
        return f"Where it is heading cannot be judged: {forecast.basis.partition(': ')[2]}."
    if charge is not None and charge[0 if forecast.earliest_ms is None else 2] < forecast.limit_pct:
        return f"It is below its limit of {forecast.limit_pct:.0f} %."
    if forecast.earliest_ms is None:
        return "It does not fall towards its limit."
    if forecast.earliest_ms <= now_ms:
        return f"It may be below its limit of {forecast.limit_pct:.0f} % already."
    return f"It reaches its limit of {forecast.limit_pct:.0f} % {ahead(forecast.earliest_ms, now_ms)} at the earliest."


def _load(battery: Battery, assessment: Assessment) -> tuple[str, ...]:
    load = assessment.details.standing_load
    if load is None:
        return ()
    said = f"About {amperes(load.current_a)} ({amperes(load.low_a)} to {amperes(load.high_a)}) is always taken from it, since {on_day(load.since_ms)}."
    if load.basis == "rest voltage slope" and assessment.current_a is not None:
        error_a = 1.645 * battery.sensor.current_offset_a
        said += f" The current sensor's own error (up to {amperes(error_a)}) hides it; the fall of the rest voltage shows it."
    return (said,)


def _cold(battery: Battery, assessment: Assessment, charge: Charge | None) -> tuple[str, ...]:
    """The margin at the lower of the coldest temperature that the details go by and the newest."""
    exposure, kind = dict(assessment.details.exposure), battery.kind
    point_c, margin_k = exposure.get("freezing_point_c"), exposure.get("freezing_margin_k")
    if kind.freezing is None:
        return ()
    if isinstance(point_c, float) and isinstance(margin_k, float) and charge is not None:
        coldest_c = min(t for t in (point_c + margin_k, assessment.temperature_c) if t is not None)
        freezes_c = freezing_point_c(kind, (charge[0] + charge[1]) / 2) or point_c
        left_k = coldest_c - freezes_c
        if left_k <= 0:
            return (f"At {coldest_c:.0f} °C it may freeze: acid this weak does at about {freezes_c:.0f} °C.",)
        return (f"Freezing is {left_k:.0f} K away." if left_k < FAR_K else "Frost is no danger to it now.",)
    if assessment.temperature_c is None:
        return ("Whether it may freeze cannot be judged: no temperature is measured and no coldest night is noted.",)
    return ()


def _due(due: Due, now_ms: int) -> str:
    names = {
        "check": "The monthly check",
        "refresh": "The storage charge",
        "charge_before_storage": "A charge before storage",
        "check_before_use": "A check before the next use",
        "check_after_use": "A check after use",
    }
    left_h = (due.due_ms - now_ms) / 3_600_000
    when = f"is overdue by {lasting(-left_h)}" if left_h < 0 else f"is due {ahead(due.due_ms, now_ms)}"
    return f"{names[due.what]} {when}: {due.reason}."
