"""The battery's rest voltage does not fit the declared chemistry or table: more off than such tables ever are."""

from analytics import estimate
from analytics.assessment import Finding
from analytics.chemistries import CHEMISTRIES
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

BEYOND_SD, BEYOND_PUBLISHED_SD = 2.5, 1.4
"""Judgement: rarer than one battery in a hundred, if the declaration is right. The spread of published tables is itself a generous guess."""

ONCE_S = 60 * 86_400
"""Judgement: a declaration does not heal and sicken with the season; what hovers about the limit is told once."""
SPARSE_MS = 1_800_000
UNCHARGED_MS = 86_400_000
"""Judgement: surface charge fades within a day of rest (trade advice for rest voltages: 12 to 24 hours)."""
NEARER = 0.6
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
        f"At rest this battery stands about {abs(offset.value):.2f} V {'above' if offset.value > 0 else 'below'} {said} "
        f"({offset.low:+.2f} to {offset.high:+.2f} V).",
        f"{_others(view, offset.value)} Or the number of cells is wrong, or the voltmeter is off. The estimate allows for it.",
        "Compare the sensor with a good voltmeter, and check on the battery's label which kind it is and how many cells it has.",
        "",
        (("rest_voltage_offset_v", round(offset.value, 4)), ("rest_voltage_offset_low_v", round(offset.low, 4)),
         ("rest_voltage_offset_high_v", round(offset.high, 4)), ("expected_sd_v", round(view.model.table_sd_v, 4))),
        "judgement: beyond what such tables and voltmeters are off",
    )  # fmt: skip


def _others(view: View, offset_v: float) -> str:
    """The kinds whose rest voltages are nearer to what is seen than those of the declared one. It names no kind by an owner's own table."""
    if view.battery.rest_voltage_table is not None or not view.model.lead:
        return "It may be another kind of battery than declared, or another table belongs to it."
    cells, full_v = view.battery.cells, view.model.top_v + offset_v
    tops = {kind.title: abs(kind.rest_voltage.rows[-1][1] * cells - full_v) for kind in CHEMISTRIES.values() if kind.lead_acid}
    nearer = [title for title, off in tops.items() if off < NEARER * abs(offset_v)]
    if not nearer:
        return "No kind of lead-acid battery stands there."
    return f"It may be another kind than declared: {' or '.join(nearer)} would fit better."


def _kept_charged(view: View) -> bool:
    """Whether it was charged lately: then surface charge explains a voltage above the table."""
    session, span = view.charging.session, view.span
    if span is not None and span.gap_ms > SPARSE_MS:
        return True  # readings too far apart to see a charge
    return session is not None and view.now_ms - session.end_ms < UNCHARGED_MS


def over(view: View) -> str:
    return "Its voltage fits what is declared."


SENSOR_TABLE = Rule("sensor_table", 24 * 3600, ONCE_S, judge, over)
