"""The battery's rest voltage does not fit the declared chemistry or table: more off than such tables ever are."""

from analytics import estimate
from analytics.assessment import Finding
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

BEYOND_SD, BEYOND_PUBLISHED_SD = 2.5, 1.7
"""Judgement: rarer than one battery in a hundred, if the declaration is right. The spread of published tables is itself a generous guess."""

ONCE_S = 60 * 86_400
"""Judgement: a declaration does not heal and sicken with the season; what hovers about the limit is told once."""
SPARSE_MS = 1_800_000
UNCHARGED_MS = 86_400_000
"""Judgement: surface charge fades within a day of rest (trade advice for rest voltages: 12 to 24 hours)."""
LEAST_CELL_V = 0.025
"""Judgement: 0.15 V (six cells). An owner's table is off by up to 50 mV and a voltmeter by 10; a battery that is held full never loses its
surface charge and seems another tenth of a volt above its table. The estimate allows for all of that without a person."""


def judge(view: View, standing: bool) -> Judgement:
    if view.belief.filter is None:
        return None
    own = view.battery.rest_voltage_table is not None
    least_v = (BEYOND_SD if own else BEYOND_PUBLISHED_SD) * view.model.table_sd_v
    least_v = max(least_v, LEAST_CELL_V * view.battery.cells) * (0.7 if standing else 1.0)
    if abs(estimate.table_offset_v(view.belief)) < least_v:
        return None
    if estimate.table_offset_v(view.belief) > 0 and _kept_charged(view):
        return HOLD if standing else None
    learned = {value.name: value for value in estimate.learned(view.model, view.belief)}
    offset = learned["rest_voltage_offset_v"]
    nearer_v = max(offset.low, -offset.high)
    if nearer_v < least_v:
        return None
    said = "your rest-voltage table" if own else f"the table of {view.battery.kind.title} batteries"
    return Finding(
        "sensor_table",
        "low",
        "Its voltage does not fit what is declared",
        f"This battery stands {1000 * abs(offset.value):.0f} mV {'above' if offset.value > 0 else 'below'} {said} "
        f"({1000 * offset.low:+.0f} to {1000 * offset.high:+.0f} mV).",
        "Another chemistry than declared, a wrong number of cells, or a voltmeter that is off would explain it. The estimate allows for it.",
        "Compare the sensor with a good voltmeter, and check the declared chemistry and cells.",
        "",
        (("rest_voltage_offset_v", round(offset.value, 4)), ("rest_voltage_offset_low_v", round(offset.low, 4)),
         ("rest_voltage_offset_high_v", round(offset.high, 4)), ("expected_sd_v", round(view.model.table_sd_v, 4))),
        "judgement: beyond what such tables and voltmeters are off",
    )  # fmt: skip


def _kept_charged(view: View) -> bool:
    """Whether it was charged lately: then surface charge explains a voltage above the table."""
    session, span = view.charging.session, view.span
    if span is not None and span.gap_ms > SPARSE_MS:
        return True  # readings too far apart to see a charge
    return session is not None and view.now_ms - session.end_ms < UNCHARGED_MS


def over(view: View) -> str:
    return "Its voltage fits what is declared."


SENSOR_TABLE = Rule("sensor_table", 24 * 3600, ONCE_S, judge, over)
