"""What sensors, use and care remember, span by span: each threshold of their remarks from both sides."""

from typing import Any

import pytest

from analytics.battery import Sensor
from analytics.care import CareMemory, dues_of, hire_ms, refresh_due_ms
from analytics.care import noted as care_noted
from analytics.care import update as care_after
from analytics.charging import ChargingMemory
from analytics.reading import Note, Reading
from analytics.sensors import SensorMemory, step_ohm
from analytics.sensors import update as sensors_after
from analytics.span import alike, grown, opened
from analytics.trend.memory import Hour, TrendMemory
from analytics.use import UseMemory
from analytics.use import noted as use_noted
from analytics.use import update as use_after
from tests.analytics.lives import LITHIUM, NOON_MS, agm, fallen, view
from tests.analytics.test_sessions import span

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
AGM = agm(sensor=Sensor(current_offset_a=0.05))
Spans = list[tuple[float, float | None]]


def used(
    spans: Spans, memory: UseMemory | None = None, begin_ms: int = NOON_MS, gap_ms: int = 10_000, low_v: float | None = None
) -> UseMemory:
    """The memory after (volts, amperes) of one minute each."""
    memory = memory or UseMemory()
    for n, (volts, amps) in enumerate(spans, 1):
        seen = view(AGM)
        seen.span = span(begin_ms + n * MINUTE, volts, amps, gap_ms=gap_ms, low=low_v)
        memory = use_after(seen, memory)
    return memory


def test_a_sensors_interval_is_followed() -> None:
    """It learns a gap at once, goes towards a longer one by an eighth of at most four times, and towards a shorter by a sixty-fourth."""
    first = used([(12.6, 0.0)], gap_ms=10_000)
    assert first.interval_ms == 10_000
    assert used([(12.6, 0.0)], first, gap_ms=8_100).interval_ms == 10_000
    assert used([(12.6, 0.0)], first, gap_ms=12_400).interval_ms == 10_000
    assert used([(12.6, 0.0)], first, gap_ms=20_000).interval_ms == 11_200
    assert used([(12.6, 0.0)], first, gap_ms=900_000).interval_ms == 13_800
    assert used([(12.6, 0.0)], first, gap_ms=3_600).interval_ms == 9_900
    ticked = view(AGM)
    ticked.ticked = True
    assert use_after(ticked, first) == first


def test_loads_that_come_are_steps_and_a_mover_is_a_trip() -> None:
    """2 A or 60 mV more than before are a step, 30 A a trip; what came after a silence is none, and four steps are a trip, too."""
    thrice = UseMemory(mode="stored", steps=2.9, step_ms=NOON_MS, level_a=0.0, level_v=12.6, level_ms=NOON_MS)
    assert used([(12.5, -5.0)], thrice, NOON_MS).mode == "stored"
    assert used([(12.5, -5.0)], thrice._replace(steps=3.0), NOON_MS).mode == "in use"
    level = used([(12.6, 0.0)])
    load_a = -2.0
    assert used([(12.5, load_a - 0.01)], level, NOON_MS + MINUTE).steps == 1.0
    assert used([(12.5, load_a + 0.01)], level, NOON_MS + MINUTE).steps == 0.0
    assert used([(12.5, load_a - 0.01)], level, NOON_MS + MINUTE, gap_ms=DAY).steps == 0.0
    assert used([(12.0, -30 - 0.01)], level, NOON_MS + MINUTE).mode == "in use"
    assert used([(12.0, -30 + 0.01)], level, NOON_MS + MINUTE).steps == 1.0
    blind = used([(12.6, None)])
    assert used([(12.6, None)], blind, NOON_MS + MINUTE, low_v=12.6 - 0.06 - 0.001).steps == 1.0
    assert used([(12.6, None)], blind, NOON_MS + MINUTE, low_v=12.6 - 0.06 + 0.001).steps == 0.0


def test_a_person_sets_the_use_by_hand() -> None:
    """What is noted stands whatever loads come, until it is given back; another battery keeps the mode and forgets the rest."""
    by_hand = use_noted(view(AGM), UseMemory(), Note("heron", 5, "mode", "stored", "Ada"))
    assert (by_hand.mode, by_hand.since_ms, by_hand.by_hand) == ("stored", 5, True)
    assert used([(12.0, -90.0)] * 3, by_hand).mode == "stored"
    back = use_noted(view(AGM), by_hand, Note("heron", 7, "mode", "by itself", "Ada"))
    assert (back.by_hand, back.step_ms) == (False, 7)
    replaced = use_noted(view(AGM), by_hand._replace(interval_ms=5.0, steps=9.0), Note("heron", 9, "replaced", None, "Ada"))
    assert (replaced.mode, replaced.replaced_ms, replaced.interval_ms, replaced.steps) == ("stored", 9, 5.0, 0.0)
    assert use_noted(view(AGM), by_hand, Note("heron", 9, "check", 12.6, "Ada")) == by_hand


def test_steps_fade_and_quiet_makes_storage() -> None:
    """After twelve hours a step counts 37 %; a day and a half without one is storage, and from then it counts."""
    stepped = UseMemory(mode="in use", since_ms=1, steps=10.0, step_ms=NOON_MS, level_a=0.0, level_v=12.6, level_ms=NOON_MS)
    later = used([(12.5, -5.0)], stepped, NOON_MS + 12 * HOUR - MINUTE)
    assert later.steps == pytest.approx(10 * 0.3679 + 1, abs=0.01)
    quiet_ms = NOON_MS + 36 * HOUR
    assert used([(12.6, 0.0)], stepped, quiet_ms - MINUTE).mode == "in use"
    stored = used([(12.6, 0.0)], stepped, quiet_ms)
    assert (stored.mode, stored.since_ms, stored.steps) == ("stored", quiet_ms + MINUTE, 0.0)


def sensed(spans: Spans, memory: SensorMemory | None = None, begin_ms: int = NOON_MS, **more: object) -> SensorMemory:
    memory = memory or SensorMemory()
    for n, (volts, amps) in enumerate(spans, 1):
        seen = view(AGM)
        seen.span = span(begin_ms + n * MINUTE, volts, amps, **more)  # type: ignore[arg-type]
        memory = sensors_after(seen, memory)
    return memory


def test_what_a_sensor_repeats_is_counted() -> None:
    """A current that stays to half a milliampere is the same, with the voltages seen meanwhile; a voltage, with what was drawn meanwhile."""
    same = sensed([(12.6, -2.0), (12.5, -2.0004), (12.4, -2.0), (12.7, -2.0)])
    assert (same.same_a, same.same_a_ms, same.same_a_spans) == (-2.0, NOON_MS + MINUTE, 4)
    assert (same.same_a_low_v, same.same_a_high_v) == (12.4, 12.7)
    assert same.same_a_rise_v == pytest.approx(0.3)
    other = sensed([(12.6, -2.0006)], same, NOON_MS + 4 * MINUTE)
    assert (other.same_a, other.same_a_ms, other.same_a_spans, other.same_a_rise_v) == (-2.0006, NOON_MS + 5 * MINUTE, 1, 0.0)
    stuck = sensed([(12.6, -3.0), (12.6004, -6.0), (12.6, -6.0)])
    assert stuck.same_v == 12.6
    assert stuck.same_v_out_ah == pytest.approx(0.2)
    assert sensed([(12.6006, -6.0)], stuck, NOON_MS + 3 * MINUTE).same_v_out_ah == 0.0
    assert sensed([(12.6, 6.0)], stuck, NOON_MS + 3 * MINUTE).same_v_out_ah == pytest.approx(0.2)
    silent = sensed([(12.6, -6.0)], stuck, NOON_MS + 3 * MINUTE, gap_ms=6 * HOUR + 1)
    assert (silent.same_v_ms, silent.same_a_ms) == (NOON_MS + 4 * MINUTE, NOON_MS + 4 * MINUTE)
    assert sensed([(12.6, -6.0)], stuck, NOON_MS + 3 * MINUTE, gap_ms=6 * HOUR).same_v_ms == stuck.same_v_ms
    assert sensed([(12.6, None)], same, NOON_MS + 4 * MINUTE).same_a is None


def test_an_impossible_temperature_is_counted_until_a_possible_one_comes() -> None:
    """85 °C, which common thermometers say at their start, three minutes long: three; one sound reading and none."""
    faulty = sensed([(12.6, 0.0)] * 3, celsius=85.0)
    assert (faulty.fault_c, faulty.faults_c, faulty.fault_c_ms) == (85.0, 3, NOON_MS + 3 * MINUTE)
    assert sensed([(12.6, 0.0)], faulty, NOON_MS + 3 * MINUTE, celsius=None).faults_c == 3
    assert sensed([(12.6, 0.0)], faulty, NOON_MS + 3 * MINUTE, celsius=20.0).faults_c == 0
    assert sensed([(12.6, 0.0)], faulty._replace(faults_c=1000), NOON_MS + 3 * MINUTE, celsius=85.0).faults_c == 1000


def test_load_steps_show_the_resistance_with_its_sign() -> None:
    """5 A that pull the voltage down by 0.1 V are 20 milliohm, turned round they are minus 20; too few, too small or on a charger: nothing."""
    steps: Spans = [(12.6, 0.0), (12.5, -5.0)] * 6
    assert step_ohm(sensed(steps)) == pytest.approx(0.02)
    assert step_ohm(sensed([(12.6, 0.0), (12.5, 5.0)] * 6)) == pytest.approx(-0.02)
    assert step_ohm(sensed(steps[:9])) is None
    assert sensed([(12.6, 0.0), (12.5, -2.0)]).steps == 0.0
    assert sensed([(12.6, 0.0), (12.5, -2.1)]).steps == 1.0
    assert sensed([(13.9, 0.0), (13.8, -5.0)]).steps == 0.0
    assert sensed([(11.5, 0.0), (11.3, -5.0)]).steps == 0.0
    assert sensed([(11.5, 0.0), (11.41, -5.0)]).steps == 1.0
    late = sensed([(12.6, 0.0)])
    assert sensed([(12.5, -5.0)], late, NOON_MS + 15 * MINUTE).steps == 0.0
    assert sensed([(12.5, -5.0)], late, NOON_MS + 15 * MINUTE - 1).steps == 1.0


def cared(
    memory: CareMemory, *, hours: int = 1, charging: bool = False, pct: float | None = None, use: str = "stored", **full: int
) -> CareMemory:
    """The memory after so many hours."""
    begin_h = max(NOON_MS // HOUR, memory.hour)
    for n in range(1, hours + 1):
        trend = TrendMemory(hour=Hour(charged=charging))
        seen = view(AGM, trend, None if pct is None else (pct, pct - 5, pct + 5), (begin_h + n) * HOUR)
        seen.use = UseMemory(mode=use)
        seen.charging = ChargingMemory(**full)  # type: ignore[arg-type]
        memory = care_after(seen, memory)
    return memory


def test_hours_on_a_charger_become_a_charge() -> None:
    """Six hours within two days are one, and a promise is kept by it; twelve and it is held, three days and it is maintained."""
    at_h = NOON_MS // HOUR
    begun = cared(CareMemory(mode="stored", promised_ms=3), pct=80.0)
    assert (begun.charge_ms, begun.charging_h, begun.check_ms, begun.promised_ms) == (None, 0.0, None, 3)
    six = cared(begun, hours=7, charging=True, pct=90.0)
    assert (six.charge_ms, six.promised_ms) == ((at_h + 8) * HOUR, None)
    assert cared(begun, hours=5, charging=True, pct=90.0).charge_ms is None
    assert (six.charging_h, six.held_pct, six.check_pct) == (7.0, None, 90.0)
    assert cared(begun, hours=12, charging=True, pct=90.0).held_pct is None
    held = cared(begun, hours=13, charging=True, pct=90.0)
    assert (held.held_pct, held.maintained) == (90.0, False)
    assert not cared(begun, hours=71, charging=True, pct=90.0).maintained
    kept = cared(begun, hours=72, charging=True, pct=90.0)
    assert kept.maintained
    assert cared(kept, pct=90.0).maintained
    assert not cared(kept, pct=90.0, use="in use").maintained
    assert cared(kept, pct=90.0).charging_h == 0.0
    days = cared(cared(begun, hours=4, charging=True), hours=48)
    assert days.lately_h == pytest.approx(4 * 0.364, abs=0.2)
    assert cared(begun, full_ms=NOON_MS).charge_ms == NOON_MS


def test_what_was_put_away_low_wants_a_charge() -> None:
    """Back from a trip at 84 % a charge is due in two days and a check in one; at 85 % the check alone; after the charge, neither."""
    away = cared(CareMemory(mode="in use"), pct=84.0)
    assert away.returned_pct == 84.0
    assert cared(CareMemory(), pct=84.0).returned_ms is None

    def due(memory: CareMemory) -> dict[str, int]:
        seen = view(AGM, now_ms=NOON_MS + DAY)
        seen.care = memory
        return {one.what: one.due_ms for one in dues_of(seen)}

    back_ms = away.returned_ms
    assert back_ms is not None
    found = due(away)
    assert found["charge_before_storage"] == back_ms + 2 * DAY
    assert found["check_after_use"] == back_ms + DAY
    assert "charge_before_storage" not in due(away._replace(returned_pct=85.0))
    assert "charge_before_storage" not in due(away._replace(charge_ms=back_ms + 1))
    assert "charge_before_storage" in due(away._replace(charge_ms=back_ms))
    assert "check_after_use" not in due(away._replace(check_ms=back_ms))
    assert "check_after_use" in due(away._replace(check_ms=back_ms - 1))
    assert "check_after_use" not in due(away._replace(mode="in use"))
    assert due(away._replace(check_ms=5))["check"] == 5 + 30 * DAY
    assert due(away._replace(charge_ms=5))["refresh"] == 5 + 90 * DAY
    assert due(CareMemory(first_ms=7)) == {"check": 7 + 30 * DAY, "refresh": 7 + 90 * DAY}
    assert due(CareMemory()) == {}
    lithium = view(LITHIUM)
    lithium.care = CareMemory(first_ms=7)
    assert refresh_due_ms(lithium) is None


def test_a_hire_has_its_check_two_days_before() -> None:
    """1 November 2026 is a day of UTC; one that was the day before yesterday is forgotten, and what is no date is none."""
    first_ms = 1_793_491_200_000
    assert hire_ms("2026-11-01") == first_ms
    assert [hire_ms(text) for text in (None, "", "soon")] == [None, None, None]
    for now_ms, told in ((first_ms + DAY - 1, True), (first_ms + DAY, False), (first_ms - 30 * DAY, True)):
        seen = view(agm(next_hire="2026-11-01"), now_ms=now_ms)
        assert [one.due_ms for one in dues_of(seen)] == ([first_ms - 2 * DAY] if told else [])


def test_what_a_person_notes_is_kept() -> None:
    """A voltage by hand is a check, a charge a promise, another battery a new calendar."""
    seen = view(AGM, fallen())
    check = care_noted(seen, CareMemory(), Note("heron", 5, "check", 12.5, "Ada"))
    assert (check.check_ms, check.first_ms) == (5, 5)
    assert check.check_pct is not None
    assert 40 < check.check_pct < 80
    assert care_noted(seen, CareMemory(first_ms=1), Note("heron", 5, "check", 12.5, "Ada")).first_ms == 1
    assert care_noted(seen, CareMemory(), Note("heron", 5, "charged", None, "Ada")).promised_ms == 5
    assert care_noted(seen, CareMemory(check_ms=3, mode="stored"), Note("heron", 5, "replaced", None, "Ada")) == CareMemory(
        first_ms=5, mode="stored"
    )


def test_what_is_alike_lengthens_a_span() -> None:
    """Twenty seconds apart or more, within the band of voltage and current, within 3 K; after a minute by itself, before by the span before."""

    def goes_on(
        after_ms: int = 20_000,
        volts: float = 12.6,
        amps: float | None = 0.0,
        celsius: float | None = 20.0,
        lasted_ms: int = MINUTE,
        **was: Any,
    ) -> bool:
        begun = grown(opened(Reading("heron", 0, 12.6, 0.0, 20.0), None), Reading("heron", lasted_ms, 12.6, 0.0, 20.0))
        before = span(-10_000, 12.6, 0.0, celsius=20.0)._replace(**was)
        return alike(begun, before, Reading("heron", lasted_ms + after_ms, volts, amps, celsius), 0.024, 0.5)

    assert [goes_on(20_000), goes_on(19_999)] == [True, False]
    assert [goes_on(volts=v) for v in (12.6239, 12.6241, 12.5761, 12.5759)] == [True, False, True, False]
    assert [goes_on(amps=a) for a in (0.49, 0.51, -0.49, -0.51, None)] == [True, False, True, False, False]
    assert [goes_on(celsius=c) for c in (22.9, 23.0, 17.1, 17.0, None)] == [True, False, True, False, True]
    assert [goes_on(lasted_ms=30_000, voltage_v=v) for v in (12.6, 12.63)] == [True, False]
    assert [goes_on(lasted_ms=30_000, current_a=a) for a in (0.49, 0.51, None)] == [True, False, False]
    assert [goes_on(lasted_ms=30_000, end_ms=-t) for t in (300_000, 300_001)] == [True, False]
    assert [goes_on(lasted_ms=ms, voltage_v=12.9) for ms in (60_000, 59_999)] == [True, False]
