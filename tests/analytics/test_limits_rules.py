"""Rules exactly at their limits, and the figures of their findings: just enough is enough, what must be exceeded is not by its equal."""

from collections.abc import Callable
from typing import Any

import pytest

from analytics import estimate
from analytics.ageing import AgeingMemory, Life
from analytics.ageing.memory import Swap
from analytics.assessment import Finding
from analytics.battery import Battery, ChargeWindow, Sensor
from analytics.care import CareMemory
from analytics.charging import ChargingMemory, Session, window
from analytics.charging.sessions import margin_v
from analytics.estimate.belief import OFFSET, TABLE
from analytics.estimate.filtering import replaced
from analytics.reading import Reading
from analytics.sensors import SensorMemory, WrongClock
from analytics.trend.memory import TrendMemory
from analytics.use import UseMemory
from analytics.view import View
from tests.analytics.lives import NOON_MS, agm
from tests.analytics.test_thresholds import AGM, BY_ID, DAY, FLOAT_V, HOUR, LITHIUM, LOW_V, MINUTE, TOP_V, after, grave, speaks, with_

USUAL, STRONGEST, MILDEST = window.compensation_v_per_k(AGM)
HIGH_V, MARGIN_V = window.absorption_high_v(AGM), margin_v(AGM)
WARM_V, WARM_USUAL_V = HIGH_V + STRONGEST * 8.0 + MARGIN_V, window.raised_v(AGM, HIGH_V, 33.0) + MARGIN_V
COLD_V = LOW_V + MILDEST * -20.0 + 1.5 * USUAL - MARGIN_V
FLOODED = Battery("heron", "flooded", 100.0)
OWN = agm(rest_voltage_table=((0.0, 11.6), (50.0, 12.25), (100.0, 12.9)))
STRICT = agm(charge_window=ChargeWindow(max_charge_current_a=20.0), sensor=AGM.sensor)
COARSE = agm(charge_window=ChargeWindow(max_charge_current_a=20.0), sensor=Sensor(current_gain_pct=2.0))
PERFECT = agm(sensor=Sensor(current_offset_a=0.0))
"""Its maker states no offset at all, which none keeps: 2 mA are taken for it."""
SPREAD: dict[str, Any] = {"cool_c": 10.0, "warm_c": 25.0, "cool_v": 14.4, "warm_v": 14.4}
HEAT_C = AGM.kind.charge_highest_c.high


def absorbed(volts: float = 14.55, celsius: float | None = 25.0, battery: Battery = AGM, **more: Any) -> tuple[View, bool]:
    return after(battery, **{"absorption_v": volts, "absorption_c": celsius, "absorption_ms": 30 * MINUTE, **more})


def above(volts: float, battery: Battery = AGM, **more: Any) -> tuple[View, bool]:
    """A higher set-point after the absorption."""
    known = {"absorption_v": 14.4, "absorption_ms": 10 * MINUTE, "equalisation_ms": 15 * MINUTE, "equalisation_v": volts}
    return after(battery, **{**known, **more})


def aged(battery: Battery = AGM, **life: Any) -> View:
    return with_(battery, ageing=AgeingMemory(NOON_MS, 0.0, 0.0, Life(**{"begun_ms": 0, "at_ms": NOON_MS, **life})))


def trend_of(**trend: Any) -> View:
    return with_(trend=TrendMemory(**trend))


def partly(partial: int, days: float, battery: Battery = AGM, **more: Any) -> tuple[View, bool]:
    """So many charges in so many days that did not fill it, and the last of them."""
    last = Session(NOON_MS - HOUR, NOON_MS, **more)
    return with_(battery, charging=ChargingMemory(partial=partial, partial_since_ms=NOON_MS - round(days * DAY), session=last)), False


def shifted(
    offset_a: float, variance: float, *, standing: bool = False, charged_h: float = 0.0, battery: Battery = AGM
) -> tuple[View, bool]:
    """The estimate has learned an offset of the current sensor."""
    seen = with_(battery, care=CareMemory(lately_h=charged_h))
    belief = estimate.advance(seen.model, estimate.fresh(seen.model), Reading("heron", NOON_MS, 12.6, 0.0, 20.0))
    assert belief.filter is not None
    seen.belief = belief._replace(filter=replaced(belief.filter, OFFSET, offset_a, variance))
    return seen, standing


def beside(
    part: float, variance: float = 0.0, *, standing: bool = False, gap_ms: int = 0, charged_ms: int | None = None, battery: Battery = AGM
) -> tuple[View, bool]:
    """The estimate has learned that it stands beside its table, by a part of the least that is told."""
    seen = with_(battery, charging=ChargingMemory(session=None if charged_ms is None else Session(0, NOON_MS - charged_ms, over=True)))
    belief = estimate.advance(seen.model, estimate.fresh(seen.model), Reading("heron", NOON_MS, 12.6, 0.0, 20.0))
    assert belief.filter is not None
    assert seen.span is not None
    seen.belief = belief._replace(filter=replaced(belief.filter, TABLE, part * max(1.4 * seen.model.table_sd_v, 0.025 * 6), variance))
    seen.span = seen.span._replace(gap_ms=gap_ms)
    return seen, standing


def emptied(
    since_ms: int, current_a: float | None = None, pct: tuple[float, float, float] | None = (60.0, 55.0, 65.0)
) -> tuple[View, bool]:
    """The voltage has stood below the end of discharge for so long."""
    seen = with_(pct=pct, trend=TrendMemory(eod_ms=NOON_MS - since_ms))
    assert seen.span is not None
    seen.span = seen.span._replace(current_a=current_a)
    return seen, False


CASES: list[tuple[str, str, Callable[[], tuple[View, bool]]]] = [
    ("charge_compensation", "speaks", lambda: absorbed(WARM_USUAL_V, 33.0)),
    ("charge_compensation", "silent", lambda: absorbed(WARM_V, 33.0)),
    ("charge_compensation", "silent", lambda: absorbed(WARM_USUAL_V, 32.9)),
    ("charge_compensation", "speaks", lambda: absorbed(LOW_V - 0.05, 5.0)),
    ("charge_compensation", "silent", lambda: absorbed(LOW_V - 0.051, 5.0)),
    ("charge_compensation", "silent", lambda: absorbed(LOW_V - 0.05, 5.1)),
    ("charge_compensation", "silent", lambda: absorbed(COLD_V, 5.0)),
    ("charge_compensation", "speaks", lambda: absorbed(COLD_V - 0.001, 5.0)),
    ("charge_compensation", "silent", lambda: absorbed(COLD_V - 0.001, 5.0, charge_ah=4.9)),
    ("charge_compensation", "speaks", lambda: absorbed(**SPREAD, breaks=1)),
    ("charge_compensation", "silent", lambda: absorbed(**SPREAD, breaks=2)),
    ("charge_compensation", "silent", lambda: absorbed(**{**SPREAD, "warm_c": 24.9})),
    ("charge_compensation", "silent", lambda: absorbed(**{**SPREAD, "warm_c": None})),
    ("charge_compensation", "silent", lambda: absorbed(**SPREAD, begin_ms=NOON_MS - 30 * HOUR - 1)),
    ("charge_compensation", "silent", lambda: absorbed(**SPREAD, absorption_ms=30 * MINUTE - 1)),
    ("charge_compensation", "holds", lambda: absorbed(**SPREAD, absorption_ms=30 * MINUTE - 1, standing=True)),
    ("charge_compensation", "silent", lambda: absorbed(battery=LITHIUM, **SPREAD)),
    ("charge_compensation", "speaks", lambda: absorbed(**{**SPREAD, "warm_v": 14.4 + 15 * 0.21 * USUAL / 1.06})),
    ("charge_compensation", "silent", lambda: absorbed(**{**SPREAD, "warm_v": 14.4 + 15 * USUAL})),
    ("charge_compensation", "speaks", lambda: absorbed(**{**SPREAD, "warm_v": 14.4 + 15 * 2.01 * STRONGEST})),
    ("charge_equalisation", "speaks", lambda: above(14.4 + 0.181)),
    ("charge_equalisation", "silent", lambda: above(14.4 + 0.03 * 6)),
    ("charge_equalisation", "silent", lambda: above(14.6, absorption_ms=10 * MINUTE - 1)),
    ("charge_equalisation", "silent", lambda: above(14.6, equalisation_ms=15 * MINUTE - 1)),
    ("charge_equalisation", "silent", lambda: above(15.5, FLOODED, equalisation_ms=8 * HOUR)),
    ("charge_equalisation", "speaks", lambda: above(15.5, FLOODED, equalisation_ms=8 * HOUR + 1)),
    ("charge_equalisation", "holds", lambda: after(standing=True)),
    ("charge_equalisation", "silent", lambda: after(standing=True, float_ms=1)),
    ("charge_equalisation", "silent", lambda: after(standing=True, over=True, absorption_ms=1)),
    ("charge_over_voltage", "silent", lambda: after(high_v=TOP_V + 0.6, high_c=25.0, high_ms=2 * MINUTE)),
    ("charge_over_voltage", "silent", lambda: after(float_v=FLOAT_V + 0.02 * 6 + MARGIN_V, float_c=25.0, float_ms=4 * HOUR)),
    ("charge_current_high", "silent", lambda: after(STRICT, peak_a=20.0 * 1.05 * (1 + 1.5 * AGM.sensor.current_gain_pct / 100))),
    ("charge_current_high", "silent", lambda: after(COARSE, peak_a=20.0 * 1.05 * 1.03 - 0.001)),
    ("charge_current_high", "speaks", lambda: after(COARSE, peak_a=20.0 * 1.05 * 1.03 + 0.001)),
    ("charge_runaway", "speaks", lambda: after(rising_ms=20 * MINUTE, rising_from_a=9.0, rising_to_a=9.5, hottest_c=HEAT_C, rising_from_c=18.0)),
    ("maintainer", "speaks", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS - DAY)), False)),
    ("maintainer", "silent", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS - DAY + 1)), False)),
    ("maintainer", "holds", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS - DAY), ticked=True), False)),
    ("maintainer", "speaks", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS, charging_h=96.0, held_pct=89.9)), False)),
    ("maintainer", "silent", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS, charging_h=96.0, held_pct=90.0)), False)),
    ("maintainer", "silent", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS, charging_h=95.9, held_pct=89.9)), False)),
    ("charge_never_full", "speaks", lambda: partly(5, 7, tail_a=2.2, charge_ah=9.0)),
    ("charge_never_full", "speaks", lambda: partly(12, 61.5, LITHIUM)),
    ("charge_pulsed", "speaks", lambda: after(LITHIUM, pulses=3, high_v=15.0)),
    ("charge_pulsed", "silent", lambda: after(LITHIUM, pulses=2, high_v=15.0)),
    ("charge_pulsed", "silent", lambda: after(pulses=3, high_v=15.0)),
    ("charge_pulsed", "silent", lambda: after(LITHIUM, pulses=3)),
    ("charge_lithium_cold", "speaks", lambda: after(LITHIUM, cold_ms=2 * HOUR, coldest_c=-3.0, cold_ah=0.41, charge_ah=0.41)),
    ("sensor_offset", "speaks", lambda: shifted(0.126, 0.0)),
    ("sensor_offset", "silent", lambda: shifted(0.124, 0.0)),
    ("sensor_offset", "speaks", lambda: shifted(-0.126, 0.0)),
    ("sensor_offset", "speaks", lambda: shifted(0.088, 0.0, standing=True)),
    ("sensor_offset", "silent", lambda: shifted(0.087, 0.0, standing=True)),
    ("sensor_offset", "silent", lambda: shifted(0.126, 1e-4)),
    ("sensor_offset", "speaks", lambda: shifted(0.126 + 0.01645, 1e-4)),
    ("sensor_offset", "silent", lambda: shifted(0.224, 0.0, charged_h=6.0)),
    ("sensor_offset", "speaks", lambda: shifted(0.226, 0.0, charged_h=6.0)),
    ("sensor_offset", "speaks", lambda: shifted(0.126, 0.0, charged_h=5.9)),
    ("sensor_offset", "speaks", lambda: shifted(0.0051, 0.0, battery=PERFECT)),
    ("sensor_offset", "silent", lambda: shifted(0.0049, 0.0, battery=PERFECT)),
    ("sensor_table", "speaks", lambda: beside(1.0)),
    ("sensor_table", "silent", lambda: beside(0.999)),
    ("sensor_table", "speaks", lambda: beside(-1.0)),
    ("sensor_table", "silent", lambda: beside(1.1, 0.01)),
    ("sensor_table", "speaks", lambda: beside(0.701, standing=True)),
    ("sensor_table", "silent", lambda: beside(0.699, standing=True)),
    ("sensor_table", "speaks", lambda: beside(1.0, gap_ms=30 * MINUTE)),
    ("sensor_table", "silent", lambda: beside(1.0, gap_ms=30 * MINUTE + 1)),
    ("sensor_table", "holds", lambda: beside(1.0, gap_ms=30 * MINUTE + 1, standing=True)),
    ("sensor_table", "speaks", lambda: beside(-1.0, gap_ms=30 * MINUTE + 1)),
    ("sensor_table", "speaks", lambda: beside(1.0, charged_ms=DAY)),
    ("sensor_table", "silent", lambda: beside(1.0, charged_ms=DAY - 1)),
    ("sensor_clock", "speaks", lambda: (with_(sensors=SensorMemory(clock=WrongClock(90 * DAY, NOON_MS - DAY, "mqtt:van"))), False)),
    ("sensor_clock", "speaks", lambda: (with_(sensors=SensorMemory(clock=WrongClock(-36 * HOUR, NOON_MS - DAY, "mqtt:van"))), False)),
    ("sensor_clock", "silent", lambda: (with_(), False)),
    ("deep_discharge", "speaks", lambda: emptied(0, -3.0)),
    ("deep_discharge", "speaks", lambda: emptied(5 * MINUTE)),
    ("deep_discharge", "silent", lambda: emptied(5 * MINUTE - 1)),
    ("deep_discharge", "holds", lambda: emptied(5 * MINUTE - 1, None, None)),
    ("sensor_stuck_voltage", "speaks", lambda: (with_(sensors=SensorMemory(same_v=12.5, same_v_ms=NOON_MS - 3 * HOUR, last_ms=NOON_MS, same_v_out_ah=4.0)), False)),
    ("standing_load", "silent", lambda: (with_(use=UseMemory(mode="stored")), False)),
    ("returned_low", "speaks", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - 14 * DAY, returned_pct=84.9)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - 14 * DAY - 1, returned_pct=84.9)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=85.0)), False)),
    ("returned_low", "speaks", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=80.0, charge_ms=NOON_MS - DAY)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=80.0, charge_ms=NOON_MS - DAY + 1)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=80.0, charging_h=0.1)), False)),
    ("unexplained_rise", "speaks", lambda: (trend_of(changed_ms=NOON_MS - 14 * DAY), False)),
    ("unexplained_rise", "silent", lambda: (trend_of(changed_ms=NOON_MS - 14 * DAY - 1), False)),
    ("another_battery", "speaks", lambda: (aged(swap=Swap(0, NOON_MS - 14 * DAY, 60.0, 90.0, 0.0, True)), False)),
    ("another_battery", "silent", lambda: (aged(swap=Swap(0, NOON_MS - 14 * DAY - 1, 60.0, 90.0, 0.0, True)), False)),
    ("another_battery", "silent", lambda: (aged(swap=Swap(0, NOON_MS - DAY, 60.0, 90.0, 0.0, False)), False)),
    ("ageing_cycles", "speaks", lambda: (aged(damage=0.8), False)),
    ("ageing_cycles", "silent", lambda: (aged(damage=0.79), False)),
    ("ageing_resistance", "speaks", lambda: (aged(resistance_ohm=0.016, resistance_new_ohm=0.01, begun_ms=NOON_MS - 30 * DAY), False)),
    ("ageing_resistance", "silent", lambda: (aged(resistance_ohm=0.016, resistance_new_ohm=0.01, begun_ms=NOON_MS - 30 * DAY + 1), False)),
    ("ageing_resistance", "silent", lambda: (aged(resistance_ohm=0.0159, resistance_new_ohm=0.01), False)),
    ("ageing_resistance", "speaks", lambda: (aged(resistance_ohm=0.014, resistance_new_ohm=0.01), True)),
    ("ageing_resistance", "silent", lambda: (aged(resistance_ohm=0.0139, resistance_new_ohm=0.01), True)),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "says", "made"), CASES, ids=lambda x: x if isinstance(x, str) else "")
def test_a_rule_at_its_limit(rule: str, says: str, made: Callable[[], tuple[View, bool]]) -> None:
    """Just enough is enough, and what must be exceeded is not exceeded by its equal."""
    assert speaks(rule, *made()) == says


def test_what_a_finding_says_turns_with_its_figures() -> None:
    """A step up asks for a charger and one down for a load; five hundredths of a volt a cell make over-voltage grave; so does lithium. Beside its
    owner's own table no other kind is named: the table may be another battery's."""
    for battery, word in (
        (AGM, "No kind of lead-acid"),
        (FLOODED, "may be another kind than declared: "),
        (OWN, "or another table belongs to it"),
    ):
        judged = BY_ID["sensor_table"].judge(*beside(2.0, battery=battery))
        assert isinstance(judged, Finding)
        assert word in judged.meaning
    for after_pct, word in ((90.0, "a charger that"), (30.0, "a load that"), (60.0, "a load that")):
        judged = BY_ID["another_battery"].judge(aged(swap=Swap(NOON_MS - 2 * DAY, NOON_MS - DAY, 60.0, after_pct, 0.0, True)), False)
        assert isinstance(judged, Finding)
        assert word in judged.advice
    assert grave("charge_equalisation", above(14.6)[0])[0] == "high"
    assert grave("charge_equalisation", above(15.5, FLOODED, equalisation_ms=9 * HOUR)[0])[0] == "medium"
    cold = grave("charge_compensation", absorbed(LOW_V - 0.05, 5.0)[0])
    warm = grave("charge_compensation", absorbed(WARM_USUAL_V, 33.0)[0])
    for (priority, figures), celsius, limit_v in ((cold, 5.0, COLD_V), (warm, 33.0, WARM_V)):
        assert priority == ("low" if celsius == 5.0 else "medium")
        assert figures["limit_v"] == round(limit_v, 2)
        assert figures["expected_v"] == round((LOW_V + HIGH_V) / 2 + USUAL * (celsius - 25), 2)
    _, measured = grave("charge_compensation", absorbed(**{**SPREAD, "warm_v": 14.7})[0])
    assert measured["measured_mv_per_k_and_cell"] == round(1000 * 0.3 / 15 / 6, 1)
