"""Charging: phases, set-points and verdicts against the trade's table, the compensation and gassing rows, and against wrong samples and gaps."""

import json
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.assessment import Finding
from analytics.battery import Battery, ChargeWindow, Sensor
from analytics.cautions import CAUTIONS
from analytics.charging import window
from analytics.charging.describe import evidence_of, kind_of_charger
from analytics.core import State, begin, step
from analytics.keep import dumps, loads
from analytics.reading import Note, Reading, Tick
from analytics.rules import RULES
from tests.outside import fact, facts
from tests.score.scoring import reading
from tests.score.traces import trace

BEGIN_MS = 1_767_225_600_000
HOUR = 60
CELLS = {"lifepo4": 4}
Profile = list[tuple[int, float, float | None]]
"""(minutes, volts, amperes) one after the other; amperes fall by straight lines to the next."""


def battery(chemistry: str, **changed: object) -> Battery:
    """A battery of 100 Ah, half charged."""
    usual: dict[str, object] = {"cells": CELLS.get(chemistry, 6), "initial_state_of_charge_pct": 50.0}
    return Battery("b", chemistry, 100.0, **{**usual, **changed})  # type: ignore[arg-type]


def samples(
    profile: Profile,
    celsius: float | None = 25.0,
    *,
    begin_ms: int = BEGIN_MS,
    every_min: int = 1,
    voltage_only: bool = False,
    rest_v: float = 12.3,
) -> list[Reading]:
    """Two hours of rest, then the profile, one reading each `every_min` minutes with a resolution of 10 mV."""
    readings: list[Reading] = []
    minute = 0
    for length, volts, amps in [(2 * HOUR, rest_v, -0.3), *profile]:
        for m in range(0, length, every_min):
            ripple = 0.004 * (((minute + m) * 7) % 3 - 1)
            current = None if voltage_only or amps is None else amps
            readings.append(Reading("b", begin_ms + (minute + m) * 60_000, round(volts + ripple, 2), current, celsius))
        minute += length
    return readings


def charge(
    absorption_v: float,
    float_v: float | None,
    *,
    hours: int = 5,
    amps: float = 20.0,
    tail_a: float = 0.7,
    float_h: int = 8,
    start_v: float = 12.7,
) -> Profile:
    """Bulk over two hours up to the set-point, absorption with a falling current, then float if there is one, else rest."""
    bulk = [(10, start_v + (absorption_v - start_v) * (n / 12) ** 2, amps) for n in range(12)]
    absorption: Profile = [(10, absorption_v, max(tail_a, amps * 0.88**n)) for n in range(6 * hours)]
    after: Profile = [(float_h * HOUR, float_v, 0.2)] if float_v is not None else [(10, 13.0, -0.3), (float_h * HOUR, 12.8, -0.3)]
    return [*bulk, *absorption, *after]


def folded(declared: Battery, readings: list[Reading], state: State | None = None) -> tuple[State, dict[str, Finding], list[str]]:
    """The state after the readings, every charging finding that began, and the phases in order."""
    state = state or begin(declared)
    began: dict[str, Finding] = {}
    phases: list[str] = []
    for one in readings:
        state, outcome = step(state, one)
        if not phases or phases[-1] != outcome.assessment.charge_phase:
            phases.append(outcome.assessment.charge_phase)
        for event in outcome.events:
            if event.kind == "began" and event.rule.startswith("charge_"):
                began[event.rule] = event.finding
    return state, began, phases


def test_a_load_as_large_as_the_sensor_can_tell_has_one_name() -> None:
    """About 100 mA with 5 mA of noise, on a sensor that can tell 100 mA: at rest or giving power, but not both in turns; 200 mA gives power."""
    declared = battery("agm")
    small = [Reading("b", BEGIN_MS + m * 60_000, 12.5, -0.1 + 0.005 * ((m * 7) % 5 - 2), 20.0) for m in range(600)]
    state, _, phases = folded(declared, small)
    assert len([phase for phase in phases if phase != "unknown"]) == 1, phases
    _, _, phases = folded(declared, [Reading("b", small[-1].at_ms + m * 60_000, 12.5, -0.2, 20.0) for m in range(1, 60)], state)
    assert phases[-1] == "discharging"


# --- figures ---------------------------------------------------------------------------------------------------------------


def test_windows_hold_the_trades_set_points() -> None:
    """Every absorption and float voltage of the check values lies in the window of its chemistry, and equalisation only where it is allowed."""
    names = {"flooded": "flooded", "EFB": "efb", "AGM": "agm", "gel": "gel"}
    for row_name, chemistry in names.items():
        b = battery(chemistry)
        absorption, floating = fact(f"CHG-ABS-{row_name}"), fact(f"CHG-FLT-{row_name}")
        assert window.absorption_low_v(b) - 1e-6 <= absorption.value <= window.absorption_high_v(b) + 1e-6
        assert window.absorption_high_v(b) == pytest.approx(absorption.high)
        assert window.float_low_v(b) - 1e-6 <= floating.value <= window.float_high_v(b) + 1e-6
    for row in ("CHG-EQ-AGM", "CHG-EQ-gel", "CHG-EQ-LiFePO4"):
        assert fact(row).value == 0
        assert window.equalisation_high_v(battery(row.rsplit("-", 1)[1].lower())) is None
    allowed = window.equalisation_high_v(battery("flooded"))
    assert allowed is not None
    assert allowed >= fact("CHG-EQ-flooded").value


@pytest.mark.parametrize("celsius", [-10, 0, 10, 35, 40])
def test_compensation_rows(celsius: int) -> None:
    """14.40 V at 25 °C at another temperature lies in the range of the check values for -3 to -5 mV per kelvin and cell, and comes back."""
    row = fact(f"CHG-TC-{celsius}")
    b = battery("agm")
    at_temperature = window.raised_v(b, 14.40, celsius)
    assert row.low is not None
    assert row.high is not None
    assert row.low - 1e-6 <= at_temperature <= row.high + 1e-6
    assert window.at_25_c(b, at_temperature, celsius) == pytest.approx(14.40)
    mild = battery("agm", charge_window=ChargeWindow(compensation_v_per_k=-0.018))
    assert window.raised_v(mild, 14.40, celsius) == pytest.approx(row.value)


@pytest.mark.parametrize(("row", "celsius"), [("CHG-TC-EX1", 35), ("CHG-TC-EX2", 15)])
def test_the_published_compensation_example(row: str, celsius: float) -> None:
    """Buchmann's example: 2.30 V per cell at 25 °C becomes 2.27 V at 35 °C and 2.33 V at 15 °C."""
    b = battery("agm", charge_window=ChargeWindow(compensation_v_per_k=-0.018))
    assert window.raised_v(b, 2.30 * 6, celsius) / 6 == pytest.approx(fact(row).value)


def test_float_stays_below_gassing_and_absorption_reaches_it() -> None:
    """At each temperature of the gassing table the float window ends below the gassing voltage (its stated error apart), and from 10 to
    40 °C the upper end of absorption reaches it: that is what absorption is for (common practice)."""
    flooded = battery("flooded")
    for row in facts("GAS-V-"):
        celsius = float(row.condition.split()[0])
        assert row.high is not None
        assert window.raised_v(flooded, window.float_high_v(flooded), celsius) / 6 <= row.high
        if 10 <= celsius <= 40:
            assert window.raised_v(flooded, window.absorption_high_v(flooded), celsius) / 6 >= (row.low or 0)


def test_the_makers_values_win() -> None:
    """A battery whose maker allows 14.9 V and no more than 15 A is judged by that."""
    own = battery("agm", charge_window=ChargeWindow(absorption_high_v=14.9, max_charge_current_a=15.0))
    _, began, _ = folded(own, samples(charge(14.85, 13.6)))
    assert set(began) == {"charge_current_high"}
    assert "maker's value" in began["charge_current_high"].source
    assert set(folded(battery("agm"), samples(charge(14.85, 13.6)))[1]) == {"charge_over_voltage"}


# --- verdicts of chapter "charging" ----------------------------------------------------------------------------------------

VERDICTS = [
    ("gel", charge(14.8, 13.5), 25.0, {"charge_over_voltage"}),
    (
        "agm",
        [*charge(14.4, None, float_h=0)[:-1], (3 * HOUR, 15.5, 2.0), (8 * HOUR, 13.5, 0.2)],
        25.0,
        {"charge_over_voltage", "charge_equalisation"},
    ),
    ("lifepo4", charge(15.0, 13.4, start_v=13.2), 25.0, {"charge_over_voltage"}),
    ("lifepo4", charge(14.2, 13.4, start_v=13.2), -2.0, {"charge_lithium_cold"}),
    ("flooded", charge(13.5, 13.5, hours=8), 25.0, {"charge_under_voltage"}),
    ("gel", charge(14.1, 13.5), 25.0, set()),
    ("flooded", charge(14.6, 13.5), 25.0, set()),
    ("agm", charge(14.4, 13.6), 25.0, set()),
    ("efb", charge(14.6, 13.6), 25.0, set()),
    ("lifepo4", charge(14.2, 13.4, start_v=13.2), 25.0, set()),
    ("agm", charge(14.4, 13.6), 40.0, {"charge_over_voltage", "charge_compensation"}),
    ("flooded", charge(14.5, 13.6), 40.0, {"charge_over_voltage", "charge_compensation"}),
    ("gel", charge(14.4, 13.6), 40.0, {"charge_over_voltage"}),
    ("agm", charge(14.4, 14.4, float_h=40), 25.0, {"charge_stuck"}),
    ("flooded", charge(14.6, 13.5, amps=60), 25.0, {"charge_current_high"}),
    ("agm", charge(14.4, None), 25.0, {"charge_no_float"}),
    ("agm", charge(14.4, 14.0), 25.0, {"charge_over_voltage"}),
    ("flooded", charge(14.4, 13.5), 0.0, {"charge_compensation"}),
]
"""Common practice, from the verdict table of the check values; several answers: any of them is right."""


@cache
def judged(nth: int) -> dict[str, Finding]:
    """What began in one charge of the table."""
    chemistry, profile, celsius, _ = VERDICTS[nth]
    return folded(battery(chemistry), samples(profile, celsius, rest_v=12.4 if chemistry != "lifepo4" else 13.1))[1]


@pytest.mark.parametrize("nth", range(len(VERDICTS)), ids=[f"{n}-{v[0]}-{v[2]:.0f}" for n, v in enumerate(VERDICTS)])
def test_verdicts_of_the_trade(nth: int) -> None:
    """Each charge of the trade's table gets its verdict within its first session, and a right one gets none."""
    began, wanted = set(judged(nth)), VERDICTS[nth][3]
    assert began & wanted if wanted else not began
    assert began <= wanted


def test_every_charging_rule_speaks_in_whole_sentences_with_its_caution() -> None:
    """Each finding has evidence, meaning with a likely cause, one action and a source; over-voltage, heat and lithium in the cold carry their safety sentence."""
    for nth in range(len(VERDICTS)):
        for name, finding in judged(nth).items():
            assert len(finding.title) <= 60, finding.title
            assert finding.seen.endswith((".", "!")), finding.seen
            assert finding.meaning
            assert finding.advice.endswith("."), finding.advice
            assert finding.source
            assert finding.evidence
            assert CAUTIONS["advice"] in finding.caution
            lithium = VERDICTS[nth][0] == "lifepo4"
            if name in ("charge_over_voltage", "charge_equalisation", "charge_stuck"):
                assert (CAUTIONS["hydrogen"] in finding.caution) is not lithium
                assert CAUTIONS["lithium_hot" if lithium else "hot"] in finding.caution
            if name == "charge_lithium_cold":
                assert CAUTIONS["lithium_cold"] in finding.caution


def test_the_likely_cause_is_named() -> None:
    """14.8 V on AGM looks like a profile for flooded batteries, and is called so."""
    _, began, _ = folded(battery("agm"), samples(charge(14.82, 13.6)))
    assert "profile for flooded batteries" in began["charge_over_voltage"].meaning


def test_harm_is_told_while_it_is_under_way() -> None:
    """Over-voltage is flagged during the charge, within twenty minutes of the set-point, not after it."""
    readings = samples(charge(14.9, 13.6))
    first_high = next(r.at_ms for r in readings if r.voltage_v > 14.8)
    state = begin(battery("agm"))
    for one in readings:
        state, outcome = step(state, one)
        if any(e.rule == "charge_over_voltage" for e in outcome.events):
            assert one.at_ms - first_high <= 20 * 60_000
            assert state.charging.session is not None
            assert not state.charging.session.over
            return
    pytest.fail("never flagged")


# --- phases and sessions -----------------------------------------------------------------------------------------------------


def test_a_staged_charge_is_split_and_measured() -> None:
    """Bulk, absorption and float follow each other; set-points, charge and tail are measured and referred to 25 °C."""
    state, _, phases = folded(battery("agm"), samples(charge(14.58, 13.78), celsius=17.5))
    assert [p for p in phases if p in ("bulk", "absorption", "float")] == ["bulk", "absorption", "float"]
    session = dict(evidence_of(state.battery, state.charging))
    assert session["absorption_v"] == pytest.approx(14.58, abs=0.01)
    assert session["absorption_at_25_c_v"] == pytest.approx(14.40, abs=0.02)
    assert session["float_v"] == pytest.approx(13.78, abs=0.01)
    assert session["finished"] == "yes"
    assert str(session["charger"]).startswith("cannot tell: a charger with stages")
    expected_ah = sum(r.current_a or 0.0 for r in samples(charge(14.58, 13.78)) if (r.current_a or 0) > 0) / 60
    assert session["charge_ah"] == pytest.approx(expected_ah, rel=0.06)


def test_by_voltage_alone_the_same_stages_are_found_and_the_doubt_is_told() -> None:
    """Without a current sensor absorption and float are still found, over-voltage is still flagged, and the finding says what it rests on."""
    _, began, phases = folded(battery("agm"), samples(charge(14.9, 13.6), voltage_only=True))
    assert {"absorption", "float"} <= set(phases)
    assert "rests on the voltage alone" in began["charge_over_voltage"].seen
    assert set(folded(battery("agm"), samples(charge(14.4, 13.6), voltage_only=True))[1]) == set()


def test_too_much_current_cannot_be_seen_by_voltage() -> None:
    """By voltage alone no current is judged."""
    assert "charge_current_high" not in folded(battery("flooded"), samples(charge(14.6, 13.5, amps=60), voltage_only=True))[1]


@pytest.mark.parametrize("wrong_v", [0.0, 3.3, 17.0])
@pytest.mark.parametrize("every_min", [1, 10])
def test_single_wrong_samples_flag_nothing(wrong_v: float, every_min: int) -> None:
    """A sample of 0, 3.3 or 17 V now and then, in rest, bulk, absorption and float, changes no verdict and no set-point."""
    readings = samples(charge(14.4, 13.6), every_min=every_min)
    spoiled = [r._replace(voltage_v=wrong_v) if n % 37 == 5 else r for n, r in enumerate(readings)]
    state, began, _ = folded(battery("agm"), spoiled)
    assert began == {}
    assert state.charging.session is not None
    assert state.charging.session.absorption_v == pytest.approx(14.4, abs=0.02)
    assert state.charging.session.high_ms == 0


def test_a_gap_is_told() -> None:
    """What happened in three hours of silence inside a charge is not known, and the finding says so."""
    readings = samples(charge(14.9, 13.6))
    cut = [r for r in readings if not BEGIN_MS + 330 * 60_000 <= r.at_ms < BEGIN_MS + 510 * 60_000]
    state, began, _ = folded(battery("agm"), cut)
    assert state.charging.session is not None
    assert state.charging.session.unseen_ms == pytest.approx(3 * 3_600_000, rel=0.02)
    assert "charge_over_voltage" in began
    judge = next(r.judge for r in RULES if r.name == "charge_over_voltage")
    from analytics.core import view_of

    found = judge(view_of(state, cut[-1].at_ms, ticked=False), True)
    assert isinstance(found, Finding)
    assert "nothing was heard" in found.seen


def test_never_full_needs_several_charges_and_says_so() -> None:
    """One charge that stops early is no finding; the fifth in a week is, with the number of charges in its words, and a full charge ends it."""
    declared, state = battery("agm"), None
    short: Profile = [*charge(14.4, None, hours=1, float_h=1)[:-1], (4 * HOUR, 12.9, -3.0)]
    for day in range(9):
        state, began, _ = folded(declared, samples(short, begin_ms=BEGIN_MS + day * 86_400_000), state)
        if day < 5:
            assert "charge_never_full" not in began
        if "charge_never_full" in began:
            break
    else:
        pytest.fail("never flagged")
    assert "charges in" in began["charge_never_full"].seen
    assert state is not None
    state, _, _ = folded(declared, samples(charge(14.4, 13.6), begin_ms=BEGIN_MS + 10 * 86_400_000), state)
    assert state.charging.partial == 0
    assert state.charging.full_ms is not None


def test_runaway_is_a_current_that_rises_at_a_held_voltage() -> None:
    """In absorption a current that falls is healthy; one that doubles at the same voltage is a high alert while it charges."""
    healthy = charge(14.4, 14.4, hours=4, float_h=0)[:-1]
    rising: Profile = [*healthy, *[(10, 14.4, 2.0 + 0.6 * n) for n in range(12)]]
    _, began, _ = folded(battery("agm"), samples(rising, 30.0))
    assert began["charge_runaway"].priority == "high"
    assert CAUTIONS["hot"] in began["charge_runaway"].caution
    assert "charge_runaway" not in folded(battery("agm"), samples([*healthy, (2 * HOUR, 14.4, 0.7)], 30.0))[1]


def test_a_weak_charge_is_told_only_while_the_battery_is_not_full() -> None:
    """1 A into a half-empty 100 Ah battery gets nowhere in half a day, and that is said with a low priority."""
    _, began, _ = folded(battery("flooded"), samples([(12 * HOUR, 12.6, 1.0)], rest_v=12.2))
    assert began["charge_current_low"].priority == "low"


def test_lithium_pulses_are_told() -> None:
    """A quarter-hourly pulse to 15.5 V on lithium is a desulfation programme."""
    pulses: Profile = [part for _ in range(16) for part in ((5, 15.5, 3.0), (10, 13.5, 0.0))]
    _, began, _ = folded(battery("lifepo4"), samples(pulses, rest_v=13.3))
    assert "charge_pulsed" in began


def test_an_equalisation_of_a_flooded_battery_is_allowed_for_a_while() -> None:
    """Two hours at 15.5 V after absorption are right for flooded; ten hours are too long."""
    before = charge(14.6, None, float_h=0)[:-1]
    assert folded(battery("flooded"), samples([*before, (2 * HOUR, 15.5, 2.0), (5 * HOUR, 13.5, 0.2)]))[1] == {}
    assert "charge_equalisation" in folded(battery("flooded"), samples([*before, (10 * HOUR, 15.5, 2.0)]))[1]


@pytest.mark.parametrize("afterwards", [(48 * HOUR, 13.5, 0.2), (48 * HOUR, 12.9, -0.05)], ids=["float", "rest"])
def test_an_equalisation_that_has_ended_is_told_as_over_once(afterwards: tuple[int, float, float]) -> None:
    """Two hours at 15.3 V into a gel battery: the alert ends within two hours of them, in words that are true, and does not come back."""
    state, said = begin(battery("gel")), []
    before = charge(14.2, None, float_h=0)[:-1]
    ended_ms = BEGIN_MS + 60_000 * (4 * HOUR + sum(length for length, _, _ in before))
    for sample in samples([*before, (2 * HOUR, 15.3, 1.0), afterwards]):
        state, outcome = step(state, sample)
        said += [(e.kind, e.at_ms, e.finding.seen) for e in outcome.events if e.rule == "charge_equalisation"]
    assert [kind for kind, _, _ in said] == ["began", "ended"]
    assert said[1][1] < ended_ms + 2 * HOUR * 60_000
    assert said[1][2] == "The equalisation is over."


def test_within_the_sensors_error_nothing_is_flagged() -> None:
    """An excess smaller than what the voltmeter may be wrong by is no finding; with a better voltmeter it is."""
    profile = charge(14.76, 13.6)
    assert folded(battery("agm", sensor=Sensor(voltage_offset_v=0.05)), samples(profile))[1] == {}
    assert "charge_over_voltage" in folded(battery("agm", sensor=Sensor(voltage_offset_v=0.005)), samples(profile))[1]


@pytest.mark.parametrize(("mv_per_k_and_cell", "wrong"), [(0.0, True), (-4.0, False), (4.0, True)])
def test_compensation_is_measured_where_the_temperature_changes(mv_per_k_and_cell: float, wrong: bool) -> None:
    """Over a float in which the battery cools by 16 K, missing and reversed compensation are measured and told, the right one is left alone."""
    readings = samples(charge(14.4, 13.6, float_h=16), 24.0)
    float_from = next(n for n, r in enumerate(readings) if n > 600 and r.voltage_v < 13.8)
    cooling = []
    for n, r in enumerate(readings):
        cooled_k = 0.0 if n < float_from else 16.0 * (n - float_from) / (len(readings) - float_from)
        volts = r.voltage_v - cooled_k * mv_per_k_and_cell * 6 / 1000
        cooling.append(r._replace(temperature_c=round(24.0 - cooled_k, 1), voltage_v=round(volts, 2)))
    state, began, _ = folded(battery("agm"), cooling)
    assert set(began) == ({"charge_compensation"} if wrong else set())
    measured = dict(evidence_of(state.battery, state.charging))["compensation_mv_per_k_and_cell"]
    assert measured == pytest.approx(mv_per_k_and_cell, abs=0.6)


def test_silence_makes_the_phase_unknown() -> None:
    """An hour after the last reading nobody knows the phase."""
    readings = samples(charge(14.4, 13.6))
    state, _, _ = folded(battery("agm"), readings)
    assert state.charging.phase == "float"
    state, _ = step(state, Tick("b", readings[-1].at_ms + 120_000))
    state, _ = step(state, Tick("b", readings[-1].at_ms + 3_700_000))
    assert state.charging.phase == "unknown"


def test_another_battery_begins_anew() -> None:
    """A note that the battery was replaced forgets its charges."""
    state, _, _ = folded(battery("agm"), samples(charge(14.4, 13.6)))
    state, _ = step(state, Note("b", state.last_ms or 0, "replaced"))
    assert state.charging.session is None


def test_kind_of_charger_is_told_only_where_the_data_can() -> None:
    """A short look at bulk tells nothing of the charger; hours at 13.8 V without float look like a fixed supply."""
    state, _, _ = folded(battery("flooded"), samples([(60, 12.8, 10.0)]))
    assert state.charging.session is not None
    assert kind_of_charger(state.battery, state.charging.session).startswith("cannot tell")
    state, _, _ = folded(battery("flooded"), samples(charge(13.8, 13.8, hours=8)))
    assert state.charging.session is not None
    assert kind_of_charger(state.battery, state.charging.session) == "fixed-voltage supply"


# --- properties --------------------------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(10.0, 16.0), st.one_of(st.none(), st.floats(-50, 50)), st.one_of(st.none(), st.floats(-20, 50)), st.integers(1, 120)
        ),
        min_size=1,
        max_size=60,
    ),
    st.sampled_from(["flooded", "efb", "agm", "gel", "lifepo4"]),
)
def test_any_readings_keep_the_memory_small_and_kept(rows: list[tuple[float, float | None, float | None, int]], chemistry: str) -> None:
    """Whatever comes, the phase is one of its names, the memory survives keeping, and stays below 600 bytes."""
    state, at_ms = begin(battery(chemistry)), BEGIN_MS
    for volts, amps, celsius, minutes in rows:
        at_ms += minutes * 60_000
        state, outcome = step(state, Reading("b", at_ms, round(volts, 2), amps if amps is None else round(amps, 2), celsius))
        assert outcome.assessment.charge_phase in (
            "resting", "discharging", "bulk", "absorption", "float", "equalisation", "pulse", "charging", "unknown",
        )  # fmt: skip
    assert loads(state.battery, dumps(state)).charging == state.charging
    assert len(json.dumps(state.charging)) < 600


@settings(max_examples=8, deadline=None)
@given(st.integers(1, 400))
def test_a_restart_in_the_middle_changes_nothing(cut: int) -> None:
    """A fold that is kept as bytes and loaded again somewhere in a charge ends with the same session and the same ageing."""
    declared, readings = battery("agm"), samples(charge(14.4, 13.6, float_h=1), every_min=2)
    whole, _, _ = folded(declared, readings)
    half, _, _ = folded(declared, readings[:cut])
    again, _, _ = folded(declared, readings[cut:], loads(declared, dumps(half)))
    assert again.charging == whole.charging
    assert again.ageing == whole.ageing


def test_the_order_of_rules_names_each_once() -> None:
    """Every charging rule stands in the table once, under its own name."""
    names = [r.name for r in RULES if r.name.startswith("charge_")]
    assert len(names) == 12
    assert all(a != b for a, b in pairwise(sorted(names)))


def test_a_current_that_pays_back_a_load_is_not_runaway() -> None:
    """At float a heavy load leaves a current that begins high and falls: the charger pays it back, for hours, at the same voltage."""
    held: Profile = [(6 * HOUR, 13.6, 0.15)]
    paid_back: Profile = [(5, 12.8, -44.0), *[(10, 13.6, 6.0 * 0.85**n) for n in range(18)]]
    _, began, _ = folded(battery("agm"), samples([*charge(14.4, None, float_h=0)[:-2], *held, *paid_back]))
    assert "charge_runaway" not in began


def test_a_load_paid_back_in_a_morning_that_grows_warm_is_not_runaway() -> None:
    """The least current flowed in the cold before dawn: what the morning has warmed since owes nothing to the current that rises now."""
    before = samples([*charge(14.4, None, float_h=0)[:-2], (6 * HOUR, 13.6, 0.15)])
    flows = [(13.6, 0.12)] * 60 + [(13.6, 0.14)] * 150 + [(12.8, -44.0)] * 5 + [(13.6, round(2.2 * 0.993**m, 2)) for m in range(90)]
    morning = [Reading("b", before[-1].at_ms + 60_000 * m, v, a, round(2 * (25 + m / 60)) / 2) for m, (v, a) in enumerate(flows, 1)]
    _, began, _ = folded(battery("agm"), [*before, *morning])
    assert "charge_runaway" not in began


def test_a_current_that_follows_the_voltage_is_not_runaway() -> None:
    """The sun comes up, or the charger follows the cold: 40 mV more at float, and the current rises with it."""
    rising: Profile = [(20, 13.50 + 0.005 * n, 0.15 + 0.25 * n) for n in range(9)]
    _, began, _ = folded(battery("agm"), samples([*charge(14.4, None, float_h=0)[:-2], (6 * HOUR, 13.5, 0.15), *rising]))
    assert "charge_runaway" not in began


def test_a_float_that_warms_itself_is_runaway_within_the_hour() -> None:
    """The current rises at a voltage that stands while the battery warms by kelvins: high, without waiting for the hour."""
    before = samples([*charge(14.4, None, float_h=0)[:-2], (6 * HOUR, 13.6, 0.15)])
    last_ms = before[-1].at_ms
    warming = [Reading("b", last_ms + 60_000 * m, 13.6, round(0.15 + 0.05 * m, 2), round(2 * (25 + 0.08 * m)) / 2) for m in range(1, 56)]
    _, began, _ = folded(battery("agm"), [*before, *warming])
    assert began["charge_runaway"].priority == "high"


def test_a_maintained_battery_seen_by_its_voltage_is_not_called_underfed() -> None:
    """Full on a maintainer in the cold, half-hourly readings, no current: float at 14.1 V after a rise is right."""
    profile: Profile = [*[(30, 12.9 + 0.2 * n, None) for n in range(6)], (48 * HOUR, 14.1, None)]
    full = battery("agm", initial_state_of_charge_pct=97.0)
    _, began, _ = folded(full, samples(profile, 4.0, every_min=15, voltage_only=True, rest_v=12.9))
    assert "charge_under_voltage" not in began


def test_time_at_a_lower_set_point_is_not_counted_at_the_higher() -> None:
    """A night at 13.7 V on mains and then two hours of sun at 14.4 V are not eleven hours stuck in absorption."""
    night: Profile = [*[(10, 12.7 + 0.08 * n, 15.0) for n in range(12)], *[(10, 13.7, max(0.4, 15.0 * 0.9**n)) for n in range(54)]]
    state, began, _ = folded(battery("agm"), samples([*night, (2 * HOUR, 14.4, 0.5)]))
    assert "charge_stuck" not in began
    assert state.charging.session is not None
    assert state.charging.session.absorption_ms < 4 * HOUR * 60_000


def test_many_sound_absorptions_in_one_long_session_are_not_one_that_is_stuck() -> None:
    """Mains by night and sun by day for more than a week without an idle hour, each absorption of four hours left for float: no alert."""
    state, began, phases = folded(battery("agm"), samples(charge(14.4, 13.5, hours=4, float_h=8) * 9, every_min=5))
    assert "float" in phases
    assert state.charging.session is not None
    assert state.charging.session.absorption_ms > 20 * 3_600_000
    assert "charge_stuck" not in began


def test_lithium_charged_in_frost_is_told_from_what_the_shunt_can_show() -> None:
    """At -5 °C, 3 A for half an hour into 100 Ah of lithium is a high alert and a panel's 0.2 A a medium one; 0.08 A may be the shunt's own error."""
    for amps, told in ((0.08, None), (0.2, "medium"), (3.0, "high")):
        _, began, _ = folded(battery("lifepo4"), samples([(30, 13.4, amps)], -5.0, rest_v=13.2))
        finding = began.get("charge_lithium_cold")
        assert (None if finding is None else finding.priority) == told


def test_a_recorded_panel_in_frost_is_told_in_the_first_session_that_the_shunt_shows() -> None:
    """In the 60-day lithium recording the current first exceeds twice the sensor's offset below 0 °C on day 57; it is told within that hour."""
    t, first = trace("h_lfp_storage"), None
    state = begin(t.battery())
    for row in t.rows():
        state, _ = step(state, reading(row))
        shown = row.temperature_c < 0 and row.current_a > 2 * t.battery().sensor.current_offset_a
        first = row.time_s if shown and first is None else first
        if "charge_lithium_cold" in {f.rule for f in state.details.findings}:
            break
    assert first is not None
    assert first // 86400 == 57
    assert row.time_s - first <= 3600
