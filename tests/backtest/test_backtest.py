"""A small winter: every event is warned of in time and a healthy battery hears nothing. The big one is `make backtest`."""

import pytest

from analytics.battery import Battery
from analytics.reading import Reading
from tests.backtest.fleet import HANDICAPS, Life, Told, Vehicle, stored, used
from tests.backtest.score import ALARMS_A_DAY, NEEDLESS_A_MONTH, Judged, judge, totals


@pytest.fixture(scope="module")
def winter() -> list[Judged]:
    """Sixteen vehicles for 75 days; the same ones every time."""
    return [judge(stored(number, seed=3, days=75)) for number in range(16)]


def test_every_damaging_event_is_warned_of_three_days_before(winter: list[Judged]) -> None:
    """Heard from in the week before and warned 72 h before: all of them, with and without a shunt or a table."""
    done = totals(winter)
    assert done.heard >= 4
    assert done.warned == done.heard, [(j.battery_id, j.events) for j in winter if j.events]


@pytest.mark.parametrize(("number", "days"), [(161, 30), (664, 48)])
def test_the_hardest_to_read_are_warned_of_three_days_before(number: int, days: int) -> None:
    """LiFePO4 by voltage alone after a fortnight on its plateau; a battery half a percent a day down, 0.1 V beside a table nobody has."""
    (event,) = judge(stored(number, days=days)).events
    assert event.lead_h is not None
    assert 72 <= event.lead_h <= 10 * 24


def test_healthy_vehicles_are_left_in_peace(winter: list[Judged]) -> None:
    """No warning of the battery at all on vehicles that never come near their limit, and nothing chatters."""
    done = totals(winter)
    assert done.healthy >= 3
    assert done.false_per_month == 0
    assert done.chattering == 0


@pytest.fixture(scope="module")
def in_peace() -> list[Judged]:
    """The first maintained, solar and touring vehicles of a fleet that stay far from their limit."""
    kept = [judge(vehicle) for vehicle in (stored(number, seed=11, days=40) for number in range(24)) if vehicle.kind != "drained"]
    return [j for j in (*kept, *(judge(used(number, seed=9, days=14)) for number in (10, 11, 22))) if j.healthy]


def test_no_rule_cries_wolf_on_healthy_vehicles(in_peace: list[Judged]) -> None:
    """All rules together, silences and reminders aside, stay under a twentieth of an alert for each vehicle-month."""
    done = totals(in_peace)
    assert done.healthy_months >= 6
    assert done.needless_per_month <= NEEDLESS_A_MONTH, [(j.battery_id, dict(j.needless)) for j in in_peace if j.needless]


def test_nothing_chatters_on_healthy_vehicles(in_peace: list[Judged]) -> None:
    """No alert comes and goes on maintainers, panels and tours."""
    assert sum(j.chattering for j in in_peace) == 0


def test_one_operator_can_look_at_a_thousand_of_them(winter: list[Judged]) -> None:
    """About 150 alarms a day are very likely acceptable for one operator (EEMUA 191, IEC 62682, in secondary sources)."""
    assert totals(winter).alarms_mean <= ALARMS_A_DAY


def test_the_same_vehicle_lives_the_same_life() -> None:
    """Number and seed give the vehicle: readings, truth and all."""
    first, second = (list(stored(7, seed=2, days=3).life) for _ in range(2))
    assert first == second


def one(life: list[tuple[float, float, bool]]) -> Judged:
    """A vehicle that only the true charge is known of: (day, true percent, heard)."""

    def told() -> list[Told]:
        out = []
        for day, pct, heard in life:
            at_ms = 1_793_491_200_000 + round(day * 86_400_000)
            out.append(Told(at_ms, Reading("x", at_ms, 12.8, None, 10.0) if heard else None, pct))
        return out

    return judge(Vehicle(Battery("x", "agm", 100.0), "drained", False, False, iter(told())))


def test_the_score_counts_an_event_that_nobody_warned_of() -> None:
    """A battery whose voltmeter lies is an event without a warning: the score must not hide it."""
    done = totals([one([(d / 4, 80 - d / 2, True) for d in range(100)])])
    assert (done.events, done.heard, done.warned) == (1, 1, 0)


def test_the_score_knows_who_was_silent() -> None:
    """Not heard from since day 5, below the limit on day 15: not to be warned of, but to be called silent within a day."""
    done = totals([one([(d / 4, 80 - d / 2, d < 20) for d in range(100)])])
    assert (done.events, done.heard, done.not_heard, done.silent_said) == (1, 0, 1, 1)


def test_a_handicap_takes_knowledge_away_and_nothing_else() -> None:
    """The same battery lives the same life; only what is declared and measured is less."""
    rich = stored(5, seed=2, days=3)
    poor = stored(5, seed=2, days=3, handicap=HANDICAPS["voltage only, no table, no start"])
    assert [told.true_pct for told in rich.life] == [told.true_pct for told in poor.life]
    assert poor.battery.rest_voltage_table is None
    assert poor.battery.initial_state_of_charge_pct is None
    assert not poor.battery.sensor.measures_current


def test_asking_how_low_it_would_fall_changes_nothing() -> None:
    """A look at what would come without anybody's act leaves the life as it was, and in the night a van falls."""
    asked, left = used(3, seed=1, days=2), used(3, seed=1, days=2)
    assert isinstance(asked.life, Life)
    truth: list[float] = []
    at_midnight: list[tuple[float, float]] = []
    for told in asked.life:
        truth.append(told.true_pct)
        if len(truth) % 288 == 0:
            at_midnight.append((told.true_pct, asked.life.lowest_pct_if_left_alone(5.0)))
    assert truth == [told.true_pct for told in left.life]
    assert all(alone < now for now, alone in at_midnight)
