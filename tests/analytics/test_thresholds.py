"""Each rule's figures from both sides: it speaks at its threshold and not just short of it, and holds on where it has spoken."""

from collections.abc import Callable
from typing import Any

import pytest

from analytics.assessment import Anchor, Forecast, Load
from analytics.battery import Battery, ChargeWindow, Sensor
from analytics.care import CareMemory
from analytics.charging import ChargingMemory, Session
from analytics.charging.window import capped_v, raised_v
from analytics.fold import silence
from analytics.rules import RULES
from analytics.rules.rule import HOLD, finding_of
from analytics.sensors import SensorMemory
from analytics.trend.memory import Exposure, Hour, TrendMemory
from analytics.use import UseMemory
from analytics.view import View
from tests.analytics.lives import NOON_MS, agm, view

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
AGM = agm(sensor=Sensor(current_offset_a=0.05, voltage_offset_v=0.01, current_gain_pct=0.0))
LITHIUM = Battery("heron", "lifepo4", 100.0, cells=4, sensor=Sensor(current_offset_a=0.05))
LIMIT = AGM.limit_pct
BY_ID = {rule.name: rule for rule in RULES}


def speaks(rule: str, seen: View, standing: bool = False) -> str:
    """What a rule says of this: speaks, holds or silent."""
    judged = BY_ID[rule].judge(seen, standing)
    return "silent" if judged is None else "holds" if judged is HOLD else "speaks"


def after(battery: Battery = AGM, phase: str = "resting", standing: bool = False, **figures: Any) -> tuple[View, bool]:
    """A view in which the last charge had these figures."""
    plain: dict[str, Any] = {"begin_ms": NOON_MS - 30 * HOUR, "end_ms": NOON_MS, "charge_ah": 40.0, "peak_a": 10.0}
    seen = view(battery, pct=(60.0, 55.0, 65.0))
    seen.charging = ChargingMemory(phase=phase, session=Session(**{**plain, **figures}))
    return seen, standing


def with_(battery: Battery = AGM, pct: tuple[float, float, float] | None = None, ticked: bool = False, **parts: Any) -> View:
    seen = view(battery, pct=pct)
    for name, value in parts.items():
        setattr(seen, name, value)
    seen.ticked = ticked
    return seen


TOP_V = raised_v(AGM, 6 * AGM.kind.absorption.high, 25.0)
FLOAT_V = raised_v(AGM, 6 * AGM.kind.float_charge.high, 25.0)
STUCK_V = capped_v(AGM, 6 * AGM.kind.float_charge.high, 25.0) + 0.18 + 0.03
LOW_V = 6 * AGM.kind.absorption.low
CHARGES: list[tuple[str, str, Callable[[], tuple[View, bool]]]] = [
    ("charge_over_voltage", "speaks", lambda: after(high_v=TOP_V + 0.1, high_c=25.0, high_ms=10 * MINUTE)),
    ("charge_over_voltage", "silent", lambda: after(high_v=TOP_V + 0.1, high_c=25.0, high_ms=10 * MINUTE - 1)),
    ("charge_over_voltage", "speaks", lambda: after(high_v=TOP_V + 0.61, high_c=25.0, high_ms=2 * MINUTE)),
    ("charge_over_voltage", "silent", lambda: after(high_v=TOP_V + 0.61, high_c=25.0, high_ms=2 * MINUTE - 1)),
    ("charge_over_voltage", "silent", lambda: after(high_v=TOP_V + 0.59, high_c=25.0, high_ms=9 * MINUTE)),
    ("charge_over_voltage", "speaks", lambda: after(float_v=FLOAT_V + 0.16, float_c=25.0, float_ms=4 * HOUR)),
    ("charge_over_voltage", "silent", lambda: after(float_v=FLOAT_V + 0.14, float_c=25.0, float_ms=4 * HOUR)),
    ("charge_over_voltage", "silent", lambda: after(float_v=FLOAT_V + 0.16, float_c=25.0, float_ms=4 * HOUR - 1)),
    ("charge_over_voltage", "holds", lambda: after(standing=True, absorption_ms=30 * MINUTE - 1)),
    ("charge_over_voltage", "silent", lambda: after(standing=True, absorption_ms=30 * MINUTE)),
    ("charge_over_voltage", "silent", lambda: after(standing=True, float_ms=30 * MINUTE)),
    ("charge_stuck", "speaks", lambda: after(absorption_v=STUCK_V + 0.01, absorption_c=25.0, stretch_ms=20 * HOUR)),
    ("charge_stuck", "silent", lambda: after(absorption_v=STUCK_V + 0.01, absorption_c=25.0, stretch_ms=20 * HOUR - 1)),
    ("charge_stuck", "silent", lambda: after(absorption_v=STUCK_V - 0.01, absorption_c=25.0, stretch_ms=20 * HOUR)),
    ("charge_stuck", "speaks", lambda: after(absorption_v=14.4, absorption_c=25.0, stretch_ms=16 * HOUR, charge_ah=None)),
    ("charge_stuck", "silent", lambda: after(absorption_v=14.4, absorption_c=25.0, stretch_ms=16 * HOUR - 1, charge_ah=None)),
    ("charge_stuck", "speaks", lambda: after(absorption_v=14.4, absorption_c=25.0, stretch_ms=1, tail_ms=9 * HOUR)),
    ("charge_stuck", "silent", lambda: after(absorption_v=14.4, absorption_c=25.0, stretch_ms=1, tail_ms=9 * HOUR - 1)),
    ("charge_stuck", "speaks", lambda: after(absorption_v=14.4, absorption_c=25.0, stretch_ms=1, spent_ms=4 * HOUR)),
    ("charge_stuck", "silent", lambda: after(absorption_v=14.4, absorption_c=25.0, stretch_ms=1, spent_ms=4 * HOUR - 1)),
    ("charge_stuck", "silent", lambda: after(absorption_v=14.4, absorption_c=25.0, stretch_ms=0, spent_ms=4 * HOUR)),
    ("charge_stuck", "holds", lambda: after(standing=True)),
    ("charge_stuck", "holds", lambda: after(standing=True, absorption_v=14.4)),
    ("charge_stuck", "silent", lambda: after(standing=True, absorption_v=14.4, float_ms=1)),
    ("charge_stuck", "silent", lambda: after(standing=True, absorption_v=14.4, over=True)),
    ("charge_under_voltage", "speaks", lambda: after(absorption_v=LOW_V - 0.21, absorption_c=25.0, absorption_ms=HOUR)),
    ("charge_under_voltage", "silent", lambda: after(absorption_v=LOW_V - 0.19, absorption_c=25.0, absorption_ms=HOUR)),
    ("charge_under_voltage", "silent", lambda: after(absorption_v=LOW_V - 0.21, absorption_c=25.0, absorption_ms=HOUR - 1)),
    ("charge_under_voltage", "silent", lambda: after(absorption_v=LOW_V - 0.21, absorption_c=25.0, absorption_ms=HOUR, equalisation_ms=1)),
    ("charge_under_voltage", "silent", lambda: after(absorption_v=LOW_V - 0.21, absorption_c=25.0, absorption_ms=HOUR, charge_ah=4.9)),
    ("charge_under_voltage", "silent", lambda: after(absorption_v=LOW_V - 0.04, absorption_c=-20.0, absorption_ms=HOUR)),
    ("charge_under_voltage", "speaks", lambda: after(absorption_v=LOW_V - 0.06, absorption_c=-20.0, absorption_ms=HOUR)),
    ("charge_current_high", "speaks", lambda: after(peak_a=160.1 * AGM.kind.bulk_current_c.high)),
    ("charge_current_high", "silent", lambda: after(peak_a=159.9 * AGM.kind.bulk_current_c.high)),
    ("charge_current_high", "speaks", lambda: after(agm(charge_window=ChargeWindow(max_charge_current_a=20.0), sensor=AGM.sensor), peak_a=21.1)),
    ("charge_current_high", "silent", lambda: after(agm(charge_window=ChargeWindow(max_charge_current_a=20.0), sensor=AGM.sensor), peak_a=20.9)),
    ("charge_current_high", "holds", lambda: after(standing=True)),
    ("charge_current_high", "silent", lambda: after(standing=True, absorption_ms=1)),
    ("charge_current_low", "speaks", lambda: after(peak_a=2.0, bulk_ms=10 * HOUR)),
    ("charge_current_low", "silent", lambda: after(peak_a=2.01, bulk_ms=10 * HOUR)),
    ("charge_current_low", "silent", lambda: after(peak_a=2.0, bulk_ms=10 * HOUR - 1)),
    ("charge_current_low", "silent", lambda: after(peak_a=2.0, bulk_ms=10 * HOUR, absorption_ms=1)),
    ("charge_current_low", "silent", lambda: after(LITHIUM, peak_a=2.0, bulk_ms=10 * HOUR)),
    ("charge_lithium_cold", "speaks", lambda: after(LITHIUM, cold_ms=2 * MINUTE, coldest_c=-3.0, cold_ah=1.0)),
    ("charge_lithium_cold", "silent", lambda: after(LITHIUM, cold_ms=2 * MINUTE - 1, coldest_c=-3.0, cold_ah=1.0)),
    ("charge_lithium_cold", "speaks", lambda: after(LITHIUM, cold_ms=HOUR, coldest_c=-3.0, end_ms=NOON_MS - 7 * DAY)),
    ("charge_lithium_cold", "silent", lambda: after(LITHIUM, cold_ms=HOUR, coldest_c=-3.0, end_ms=NOON_MS - 7 * DAY - 1)),
    ("charge_lithium_cold", "silent", lambda: after(cold_ms=HOUR, coldest_c=-3.0)),
    ("charge_runaway", "speaks", lambda: after(rising_ms=HOUR, rising_from_a=2.0, rising_to_a=6.0)),
    ("charge_runaway", "silent", lambda: after(rising_ms=HOUR - 1, rising_from_a=2.0, rising_to_a=6.0)),
    ("charge_runaway", "silent", lambda: after(rising_ms=HOUR, rising_from_a=2.0, rising_to_a=5.9)),
    ("charge_runaway", "speaks", lambda: after(rising_ms=20 * MINUTE, rising_from_a=2.0, rising_to_a=3.0, rising_from_c=18.0)),
    ("charge_runaway", "silent", lambda: after(rising_ms=20 * MINUTE, rising_from_a=2.0, rising_to_a=3.0, rising_from_c=18.1)),
    ("charge_runaway", "silent", lambda: after(rising_ms=20 * MINUTE - 1, rising_from_a=2.0, rising_to_a=3.0, rising_from_c=18.0)),
    ("charge_runaway", "speaks", lambda: after(float_least_a=0.1, float_a=1.21, float_ms=6 * HOUR, rising_ms=HOUR)),
    ("charge_runaway", "silent", lambda: after(float_least_a=0.1, float_a=1.19, float_ms=6 * HOUR, rising_ms=HOUR)),
    ("charge_runaway", "silent", lambda: after(float_least_a=0.1, float_a=1.21, float_ms=6 * HOUR - 1, rising_ms=HOUR)),
    ("charge_runaway", "silent", lambda: after(float_least_a=0.1, float_a=1.21, float_ms=6 * HOUR, rising_ms=HOUR - 1)),
    ("charge_runaway", "silent", lambda: after(over=True, rising_ms=HOUR, rising_from_a=2.0, rising_to_a=6.0)),
    ("charge_runaway", "holds", lambda: after(standing=True, phase="bulk")),
    ("charge_runaway", "silent", lambda: after(standing=True, phase="absorption")),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "says", "made"), CHARGES, ids=lambda x: x if isinstance(x, str) else "")
def test_a_charge_is_judged_from_both_sides_of_each_figure(rule: str, says: str, made: Callable[[], tuple[View, bool]]) -> None:
    """The last charge had just enough of what the rule watches, or just too little."""
    assert speaks(rule, *made()) == says


NO_FLOAT: dict[str, Any] = {
    "over": True, "ended_in": "absorption", "begin_ms": NOON_MS - 4 * HOUR, "absorption_ms": 30 * MINUTE, "tail_ms": 1, "tail_a": 0.5,
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, "speaks"), ({"over": False}, "silent"), ({"ended_in": "bulk"}, "silent"), ({"begin_ms": NOON_MS - 4 * HOUR + 1}, "silent"),
        ({"breaks": 1}, "speaks"), ({"breaks": 2}, "silent"), ({"absorption_ms": 30 * MINUTE - 1}, "silent"), ({"unseen_ms": 1}, "silent"),
        ({"float_ms": 1}, "silent"), ({"tail_ms": 0}, "silent"), ({"tail_ms": 8 * HOUR}, "speaks"), ({"tail_ms": 8 * HOUR + 1}, "silent"),
        ({"tail_a": 1.49 * (100 * AGM.kind.tail_current_c.high + 0.05)}, "speaks"),
        ({"tail_a": 1.51 * (100 * AGM.kind.tail_current_c.high + 0.05)}, "silent"), ({"charge_ah": 4.9}, "silent"),
    ],
)  # fmt: skip
def test_a_charger_without_float_is_known_by_how_it_ends(change: dict[str, Any], says: str) -> None:
    """Half an hour of absorption and a tail, then nothing, within four hours or more: any other end is no sign of it."""
    assert speaks("charge_no_float", *after(**{**NO_FLOAT, **change})) == says


def test_charges_that_never_fill() -> None:
    """Five in seven days, lithium in sixty; of voltages more than twenty minutes apart nothing is said; ten are graver."""

    def found(partial: int, days: float, battery: Battery = AGM, interval_ms: float = 60_000.0, amps: float | None = 0.0) -> str:
        seen = with_(
            battery,
            charging=ChargingMemory(partial=partial, partial_since_ms=NOON_MS - int(days * DAY)),
            use=UseMemory(interval_ms=interval_ms),
        )
        assert seen.span is not None
        seen.span = seen.span._replace(current_a=amps)
        return speaks("charge_never_full", seen)

    assert [found(5, 7), found(4, 7), found(5, 6.99)] == ["speaks", "silent", "silent"]
    assert [found(5, 60, LITHIUM), found(5, 59.9, LITHIUM)] == ["speaks", "silent"]
    assert [found(5, 7, AGM, 1_200_000, None), found(5, 7, AGM, 1_200_001, None), found(5, 7, AGM, 1_200_001)] == [
        "speaks",
        "silent",
        "speaks",
    ]


def test_low_and_deep() -> None:
    """Low a point below the limit until ten above it; deep at half of it while the whole interval is below; not while a charger works."""

    def said(rule: str, pct: float, *, high: float = 5.0, standing: bool = False, **parts: Any) -> str:
        return speaks(rule, with_(pct=(pct, pct - 5, pct + high), **parts), standing)

    charging = TrendMemory(hour=Hour(charged=True))
    assert [said("low_voltage", LIMIT - 1.01), said("low_voltage", LIMIT - 1)] == ["speaks", "silent"]
    assert [said("low_voltage", LIMIT + d, standing=True) for d in (9.99, 10)] == ["speaks", "silent"]
    assert [said("low_voltage", LIMIT - 5, high=h) for h in (22.5, 22.6)] == ["speaks", "holds"]
    assert [said("low_voltage", LIMIT - 5, trend=charging, standing=s) for s in (False, True)] == ["silent", "holds"]
    assert said("low_voltage", LIMIT - 5, ticked=True) == "holds"
    assert [said("deep_discharge", LIMIT / 2 - 0.01), said("deep_discharge", LIMIT / 2)] == ["speaks", "silent"]
    assert [said("deep_discharge", LIMIT / 2 + d, standing=True) for d in (9.99, 10)] == ["speaks", "silent"]
    assert [said("deep_discharge", LIMIT / 2 - 1, high=LIMIT / 2 + h) for h in (0.9, 1.1)] == ["speaks", "holds"]
    assert said("deep_discharge", LIMIT / 2 - 1, trend=charging) == "holds"
    assert said("deep_discharge", 60.0, trend=TrendMemory(eod_ms=NOON_MS)) == "speaks"


def test_what_is_foreseen_is_said_within_the_owners_response_time() -> None:
    """Stored or in use it has its own, with 18 h (in use half an hour) until the next look; once said it stays half as long again or a day.

    Three points above the limit it stays anyhow, LiFePO4 fifteen; and what is so close to it is said half as long before."""

    def said(
        hours: float,
        mode: str = "stored",
        *,
        standing: bool = False,
        pct: float = 80.0,
        basis: str = "rest voltage slope",
        battery: Battery = AGM,
    ) -> str:
        trend = TrendMemory(forecast=Forecast(battery.limit_pct, NOON_MS + int(hours * HOUR), None, basis))
        return speaks(
            "forecast_low", with_(battery, pct=(pct, pct - 5, pct + 5), trend=trend, use=UseMemory(mode=mode, since_ms=1)), standing
        )

    stored_h, in_use_h = AGM.response_stored_h + 18, AGM.response_in_use_h + 0.5
    assert [said(stored_h), said(stored_h + 0.01)] == ["speaks", "silent"]
    assert [said(in_use_h, "in use"), said(in_use_h + 0.01, "in use")] == ["speaks", "silent"]
    stays_h = max(1.5 * stored_h, stored_h + 24)
    assert [said(stays_h, standing=True), said(stays_h + 0.01, standing=True)] == ["speaks", "silent"]
    tour_h = max(1.5 * in_use_h, in_use_h + 6)
    assert [said(tour_h, "in use", standing=True), said(tour_h + 0.01, "in use", standing=True)] == ["speaks", "silent"]
    assert [said(999, standing=True, pct=LIMIT + p) for p in (7.99, 8.01)] == ["speaks", "silent"]
    assert [said(999, standing=True, pct=LITHIUM.limit_pct + p, battery=LITHIUM) for p in (19.99, 20.01)] == ["speaks", "silent"]
    assert [said(1.5 * stored_h + h, pct=LIMIT + p) for h, p in ((0, 7.99), (0.01, 7.99), (0, 8.01))] == ["speaks", "silent", "silent"]
    assert said(stored_h + 1, pct=LIMIT + 7.99, basis="charge balance") == "silent"
    assert [said(1, standing=s, basis="cannot judge: fewer") for s in (False, True)] == ["silent", "holds"]


def test_what_stays_on_is_a_standing_load() -> None:
    """A thousandth of the capacity for a day in storage, a fiftieth for eight hours in use; once said, seven tenths of it keep it."""

    def said(low_a: float, hours: float, mode: str = "stored", *, standing: bool = False, ticked: bool = False) -> str:
        load = Load(low_a, low_a, low_a + 0.1, NOON_MS - int(hours * HOUR), "current")
        return speaks("standing_load", with_(trend=TrendMemory(load=load), use=UseMemory(mode=mode), ticked=ticked), standing)

    assert [said(0.1, 24), said(0.099, 24), said(0.1, 23.9)] == ["speaks", "silent", "silent"]
    assert [said(2.0, 8, "in use"), said(1.99, 8, "in use"), said(2.0, 7.9, "in use")] == ["speaks", "silent", "silent"]
    assert [said(0.0701, 24, standing=True), said(0.0699, 24, standing=True)] == ["speaks", "silent"]
    assert said(0.1, 24, ticked=True) == "holds"


def test_silence_is_judged_by_what_is_usual() -> None:
    """Twenty hours stored, one in use; six times the usual if that is longer, at most 23 h; a daily sensor a day and a quarter."""

    def said(hours: float, interval_ms: float | None, mode: str = "stored", battery: Battery = AGM) -> str:
        seen = with_(battery, use=UseMemory(mode=mode, interval_ms=interval_ms), ticked=True)
        assert seen.span is not None
        seen.span = seen.span._replace(end_ms=NOON_MS - int(hours * HOUR))
        return speaks("silence", seen)

    for hours, interval_ms, mode in (
        (20, MINUTE, "stored"), (1, MINUTE, "in use"), (6, HOUR, "in use"), (23, 10 * HOUR, "stored"), (30, None, "stored"), (30, 16 * HOUR, "stored"),
        (23, 15 * HOUR + 20 * MINUTE, "stored"), (30, 15 * HOUR + 20 * MINUTE + 1, "stored"), (37.5, 30 * HOUR, "stored"),
    ):  # fmt: skip
        assert [said(hours, interval_ms, mode), said(hours - 0.01, interval_ms, mode)] == ["speaks", "silent"], (hours, mode)
    assert said(2, MINUTE, "in use", agm(reading_interval_s=3600.0)) == "silent"


def test_a_silence_has_its_ticks() -> None:
    """Every quarter of an hour in the first, then every hour, up to its end."""
    assert [tick.at_ms // MINUTE for tick in silence("heron", 0, 180 * MINUTE)] == [15, 30, 45, 60, 120]
    assert [tick.at_ms // MINUTE for tick in silence("heron", 0, 180 * MINUTE + 1)] == [15, 30, 45, 60, 120, 180]


def test_sensors_that_repeat_themselves() -> None:
    """A current that stays for two hours and twelve spans while the voltage moves by 80 mV; a voltage while 3 % of the capacity is drawn."""

    def current(a: float = -2.0, hours: float = 2.0, moved_v: float = 0.08, spans: int = 12, **more: float) -> str:
        seen = SensorMemory(same_a=a, same_a_ms=NOON_MS - int(hours * HOUR), last_ms=NOON_MS, same_a_low_v=12.0, same_a_high_v=12.0 + moved_v,
                            same_a_spans=spans, **more)  # type: ignore[arg-type]  # fmt: skip
        return speaks("sensor_stuck_current", with_(sensors=seen))

    assert [current(), current(hours=1.99), current(moved_v=0.079), current(spans=11)] == ["speaks", "silent", "silent", "silent"]
    assert [current(hours=25), current(hours=25, moved_v=0.241)] == ["silent", "speaks"]
    assert [current(0.0, same_a_rise_v=0.31), current(0.0, same_a_rise_v=0.29)] == ["speaks", "silent"]

    def voltage(hours: float = 2.0, drawn_ah: float = 3.0, battery: Battery = AGM, *, ticked: bool = False) -> str:
        seen = SensorMemory(same_v=12.5, same_v_ms=NOON_MS - int(hours * HOUR), last_ms=NOON_MS, same_v_out_ah=drawn_ah)
        return speaks("sensor_stuck_voltage", with_(battery, sensors=seen, ticked=ticked))

    assert [voltage(), voltage(hours=1.99), voltage(drawn_ah=2.99), voltage(ticked=True)] == ["speaks", "silent", "silent", "silent"]
    assert [voltage(drawn_ah=10, battery=LITHIUM), voltage(drawn_ah=9.9, battery=LITHIUM)] == ["speaks", "silent"]
    assert [voltage(21 * 24, 0.0), voltage(21 * 24 - 0.1, 0.0)] == ["speaks", "silent"]


def test_sensors_that_contradict() -> None:
    """Load steps that turn the voltage round by half of what is expected; five impossible temperatures; four deviations and eight points."""

    def turned(part: float, *, standing: bool = False) -> str:
        seen = with_()
        seen.sensors = SensorMemory(steps=8.0, step_va=-part * seen.model.ohms, step_aa=1.0)
        return speaks("sensor_reversed", seen, standing)

    assert [turned(0.51), turned(0.49), turned(0.26, standing=True), turned(0.24, standing=True)] == [
        "speaks",
        "silent",
        "speaks",
        "silent",
    ]
    assert [speaks("sensor_thermometer", with_(sensors=SensorMemory(fault_c=85.0, faults_c=n))) for n in (4, 5)] == ["silent", "speaks"]

    def anchored(surprise: float, moved: float, kind: str = "rest") -> str:
        seen = with_()
        seen.belief = seen.belief._replace(anchor=Anchor(kind, NOON_MS, 60.0, 60.0 + moved, surprise))  # type: ignore[arg-type]
        return speaks("sensor_disagrees", seen)

    assert [anchored(4.0, 8.0), anchored(3.99, 8.0), anchored(4.0, 7.9), anchored(-4.0, -8.0)] == ["speaks", "silent", "silent", "speaks"]


def test_the_calendar_speaks_on_its_day() -> None:
    """A check after thirty days, a charge after ninety, in storage only; at the voltage of the kind's check earlier."""

    def said(rule: str, mode: str = "stored", pct: float = 90.0, *, standing: bool = False, high: float = 5.0, **care: Any) -> str:
        return speaks(rule, with_(pct=(pct, pct - 5, pct + high), care=CareMemory(**care), use=UseMemory(mode=mode)), standing)

    assert [said("check_due", check_ms=NOON_MS - 30 * DAY), said("check_due", check_ms=NOON_MS - 30 * DAY + 1)] == ["speaks", "silent"]
    assert [said("check_due", first_ms=NOON_MS - 30 * DAY), said("check_due", "in use", first_ms=0)] == ["speaks", "silent"]
    assert [said("refresh_due", charge_ms=NOON_MS - 90 * DAY), said("refresh_due", charge_ms=NOON_MS - 90 * DAY + 1)] == [
        "speaks",
        "silent",
    ]
    check = AGM.kind.storage_check_pct.value
    assert [said("refresh_due", pct=check + d) for d in (-0.01, 0)] == ["speaks", "silent"]
    assert [said("refresh_due", pct=check + d, standing=True) for d in (7.99, 8)] == ["speaks", "silent"]
    assert [said("refresh_due", pct=check - 1, high=h) for h in (20.0, 20.1)] == ["speaks", "holds"]
    assert said("refresh_due", "in use", charge_ms=0) == "silent"


def test_a_dose_of_low_charge_is_sulfation() -> None:
    """Ten thousand point-hours, as ten points for six weeks; lithium knows none."""
    for battery, dose, says in ((AGM, 10_000.0, "speaks"), (AGM, 9_999.0, "silent"), (LITHIUM, 10_000.0, "silent")):
        low = TrendMemory(exposure=Exposure(1000.0, dose, 50.0, NOON_MS))
        assert speaks("sulfation", with_(battery, trend=low)) == says


def grave(rule: str, seen: View) -> tuple[str, dict[str, object]]:
    """The priority and the figures of what a rule says."""
    judged = BY_ID[rule].judge(seen, False)
    assert judged is not None
    assert judged is not HOLD
    found = finding_of(judged)
    return found.priority, dict(found.evidence)


def test_how_grave_it_is_and_with_which_figures() -> None:
    """0.3 V above the window, a day in absorption, ten unfinished charges and a load of a fiftieth are graver; times are told in their unit."""
    over = [grave("charge_over_voltage", after(high_v=TOP_V + by, high_c=25.0, high_ms=30 * MINUTE)[0]) for by in (0.31, 0.29)]
    assert [priority for priority, _ in over] == ["high", "medium"]
    assert (over[0][1]["held_minutes"], over[0][1]["limit_v"], over[0][1]["voltage_at_25_c_v"]) == (
        30,
        round(TOP_V, 2),
        round(TOP_V + 0.31, 2),
    )
    stuck = [
        grave("charge_stuck", after(absorption_v=14.4, absorption_c=25.0, stretch_ms=ms, tail_ms=3 * HOUR)[0])
        for ms in (24 * HOUR, 24 * HOUR - 1)
    ]
    assert [priority for priority, _ in stuck] == ["high", "medium"]
    assert (stuck[0][1]["absorption_hours"], stuck[0][1]["tail_hours"]) == (24.0, 3.0)
    never = [grave("charge_never_full", with_(charging=ChargingMemory(partial=n, partial_since_ms=NOON_MS - 8 * DAY)))[0] for n in (10, 9)]
    assert never == ["medium", "low"]
    rising, figures = grave("charge_runaway", after(rising_ms=90 * MINUTE, rising_from_a=2.0, rising_to_a=6.0)[0])
    assert (rising, figures["rising_minutes"]) == ("high", 90)
    loads = [grave("standing_load", with_(trend=TrendMemory(load=Load(a, a, a, NOON_MS - DAY, "current"))))[0] for a in (2.0, 1.99)]
    assert loads == ["medium", "low"]
    check, days = grave("check_due", with_(care=CareMemory(first_ms=NOON_MS - 36 * DAY), use=UseMemory(mode="stored")))
    assert (check, days["days"]) == ("low", 36.0)
