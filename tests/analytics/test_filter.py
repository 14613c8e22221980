"""The filter's parts one by one: prediction against matrix algebra (numpy), bounds, and the figures that its remarks promise."""

from math import exp, sqrt

import numpy as np
import pytest

from analytics import estimate
from analytics.battery import Battery, Sensor
from analytics.estimate.belief import (
    CAPACITY,
    DIAGONAL,
    LITHIUM_CAPACITY,
    OFFSET,
    PAIRS,
    SLOW,
    SOC,
    SURFACE,
    TABLE,
    Filter,
    Habit,
    N,
    Slot,
    prior,
)
from analytics.estimate.counting import between, gassing_a, over_gap, over_slot, plateau_v, possible
from analytics.estimate.filtering import FLOOR, LEAST, MOST, MOST_SD, Keep, Noise, bounded, corrected, doubted, moved, replaced
from analytics.estimate.model import Model
from analytics.estimate.voltage import compensated, steady_slope, stepped, weakness

HOUR = 3_600_000
AGM = estimate.model_of(Battery("b", "agm", 100.0, sensor=Sensor(current_offset_a=0.1)))
LITHIUM = estimate.model_of(Battery("b", "lifepo4", 100.0, cells=4))
SEEING = Habit(60_000.0, 0.0, 1.0, 0.02, 1e-5, False, 1.0, 12.5, 0.0, 0, 0)


def matrix(f: Filter) -> np.ndarray:
    full = np.zeros((N, N))
    for c, (i, j) in zip(f.cov, PAIRS, strict=True):
        full[i, j] = full[j, i] = c
    return full


def mixed(model: Model, seed: int = 3) -> Filter:
    """A filter whose states all share something."""
    rng = np.random.default_rng(seed)
    start = prior(model, 0.6, 0.05)
    root = np.diag(np.sqrt(np.diag(matrix(start)))) @ (0.3 * rng.standard_normal((N, N)) + np.eye(N))
    full = root @ root.T
    return Filter((0.6, 0.05, 0.9, 0.01, -0.02, 0.03, 0.0002, 1.0), tuple(float(full[i, j]) for i, j in PAIRS))


def slot(hours: float, ah: float, volts: float = 12.5) -> Slot:
    return Slot(0, round(hours * HOUR), volts, 0.0, None, ah, 0.0, 1, volts, 0.0, 0.0, 25.0)


def gained(model: Model, hours: float, ah: float, volts: float = 12.5, habit: Habit = SEEING) -> tuple[Filter, list[float]]:
    """The filter after a slot that began at nothing but its prior, and the variances that it gained."""
    before = prior(model, 0.6, 0.05)
    after = over_slot(model, before, habit, slot(hours, ah, volts))
    return after, [after.cov[d] - before.cov[d] for d in DIAGONAL]


def test_a_prediction_is_the_textbook_one() -> None:
    """Mean and covariance move as F P Fᵀ + Q in numpy: charge with its derivatives, and states that fade."""
    f = mixed(AGM)
    keep, noise = Keep(0.9, 0.8, 0.7, 0.6), Noise(1e-4, 2e-3, 3e-5, 4e-4, 5e-4, 6e-4)
    step = np.diag([1.0, 0.6, 1.0, 0.9, 0.8, 0.7, 1.0, 1.0])
    step[SOC, OFFSET], step[SOC, CAPACITY] = -0.02, 0.03
    full = step @ matrix(f) @ step.T + np.diag([1e-4, 2e-3, 3e-5, 4e-4, 5e-4, 6e-4, 0.0, 0.0])
    after = moved(f, 0.01, -0.02, 0.03, keep, 0.001, 0.002, noise)
    assert matrix(after) == pytest.approx(full, rel=1e-12)
    assert after.mean == pytest.approx((0.61, 0.03, 0.9, 0.009, -0.015, 0.023, 0.0002, 1.0))
    assert moved(f, 0.9, 0.0, 0.0, keep, 0.0, 0.0, noise).mean[SOC] == MOST
    assert moved(f, -0.9, 0.0, 0.0, keep, 0.0, 0.0, noise).mean[SOC] == LEAST


def test_a_correction_by_all_states_at_once_is_the_textbook_one() -> None:
    """With a gradient in every state: mean by P h / (hᵀ P h + r), covariance less the outer product of it, in numpy."""
    f, h = mixed(AGM), (1.1, -0.02, 0.3, 1.0, 0.9, 0.8, 5.0, -0.1)
    full, column = matrix(f), np.array(h)
    spread = float(column @ full @ column) + 1e-4
    gain = full @ column / spread
    after, surprise = corrected(f, h, 0.05, 1e-4)
    assert after.mean == pytest.approx((np.array(f.mean) + gain * 0.05).tolist())
    assert matrix(after) == pytest.approx(full - np.outer(gain, gain) * spread, abs=1e-12)
    assert surprise == pytest.approx(0.05 / sqrt(spread))


def test_a_surprise_beyond_three_counts_as_three() -> None:
    """An outlier of 12 standard deviations moves the mean a quarter as far as its size asks for, to either side alike (Huber)."""
    f, h = mixed(AGM), (0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0)
    sd = sqrt(f.cov[DIAGONAL[TABLE]] + 1e-4)
    (three, s3), (twelve, s12), (below, _) = (corrected(f, h, k * sd, 1e-4) for k in (2.999, 12.0, -12.0))
    assert (s3, s12) == pytest.approx((2.999, 12.0))
    by = [g.mean[TABLE] - f.mean[TABLE] for g in (three, twelve, below)]
    assert by[1] == pytest.approx(by[0] / 4, rel=1e-3)
    assert by[2] == pytest.approx(-by[1])


def test_what_is_believed_stays_within_what_can_be() -> None:
    """Charge from -10 to 102 %, capacity from a quarter to 130 %; no variance below its floor or beyond ignorance, shared parts in keeping."""
    f = mixed(AGM)
    far = bounded((1.5, 0.0, 1.5, 0.0, 0.0, 0.0, 0.0, 3.0), f.cov)
    near = bounded((-0.5, 0.0, 0.1, 0.0, 0.0, 0.0, 0.0, -2.0), f.cov)
    assert [far.mean[k] for k in (0, 2, 7)] == [1.02, 1.3, 2.5]
    assert [near.mean[k] for k in (0, 2, 7)] == [-0.1, 0.25, -1.0]
    assert bounded(f.mean, f.cov) == f
    sure = bounded(f.mean, (0.0,) * len(PAIRS))
    assert tuple(sure.cov[d] for d in DIAGONAL) == FLOOR
    for d, least in zip(DIAGONAL, FLOOR, strict=True):
        once = bounded(f.mean, tuple(least / 2 if n == d else c for n, c in enumerate(f.cov)))
        assert once.cov[d] == least
        assert sum(a != b for a, b in zip(once.cov, f.cov, strict=True)) == 1
    lost = doubted(f)
    assert lost.cov[DIAGONAL[SOC]] == pytest.approx(MOST_SD**2)
    correlation = [m[SOC, TABLE] / sqrt(m[SOC, SOC] * m[TABLE, TABLE]) for m in (matrix(f), matrix(lost))]
    assert correlation[1] == pytest.approx(correlation[0] * sqrt(f.cov[0] / (f.cov[0] + MOST_SD**2)))
    assert np.linalg.eigvalsh(matrix(lost)).min() > 0
    assert lost.cov[DIAGONAL[TABLE]] == f.cov[DIAGONAL[TABLE]]


def test_a_state_that_is_set_anew_shares_nothing() -> None:
    """Its row and column are empty but for its variance; all else stands."""
    f = mixed(AGM)
    new = replaced(f, OFFSET, 0.7, 0.04)
    expected = matrix(f)
    expected[OFFSET, :] = expected[:, OFFSET] = 0.0
    expected[OFFSET, OFFSET] = 0.04
    assert matrix(new) == pytest.approx(expected)
    assert new.mean == (*f.mean[:OFFSET], 0.7, *f.mean[OFFSET + 1 :])


def test_gassing_grows_with_voltage_and_warmth() -> None:
    """Eleven per volt of a cell, six hundredths per kelvin (Schiffer et al. 2007, from memory), between limits; lithium doubles in ten kelvin."""
    rest = gassing_a(AGM, 6 * 2.12, 22.0)
    assert rest == pytest.approx(AGM.battery.kind.self_discharge_pct_per_month.value / 100 * 100 / (30 * 24))
    assert gassing_a(AGM, 6 * 2.22, 22.0) == pytest.approx(rest * exp(1.1))
    assert gassing_a(AGM, 6 * 2.12, 32.0) == pytest.approx(rest * exp(0.6))
    assert gassing_a(AGM, 6 * 2.12, None) == pytest.approx(rest * exp(-0.12))
    assert gassing_a(AGM, 30.0, 22.0) == pytest.approx(rest * exp(5.5))
    assert gassing_a(AGM, 6.0, 22.0) == pytest.approx(rest * exp(-3.3))
    assert gassing_a(LITHIUM, 14.4, 32.0) == pytest.approx(2 * gassing_a(LITHIUM, 13.0, 22.0))


def test_a_count_moves_the_charge_by_what_was_counted() -> None:
    """9.5 Ah from a battery of 95 actual are a tenth, less the offset that is known and what turns to gas; nothing in no time."""
    after, _ = gained(AGM, 5.0, -9.5)
    gas = gassing_a(AGM, 12.5, 25.0)
    assert after.mean[SOC] == pytest.approx(0.6 - (9.5 + 5 * gas) / 95)
    f = prior(AGM, 0.6, 0.05)
    known = replaced(f, OFFSET, 0.2, 1e-6)
    assert over_slot(AGM, known, SEEING, slot(5.0, -9.5)).mean[SOC] == pytest.approx(after.mean[SOC] - 1.0 / 95)
    assert over_slot(AGM, f, SEEING, slot(0.0, -9.5)) == f
    assert between(AGM, known, 18_000_000, -9.5) == pytest.approx(0.6 - 10.5 / 95)
    assert between(AGM, known, 18_000_000, 0.0) == pytest.approx(0.6 - 1.0 / 95)
    assert [between(AGM, f, 18_000_000, ah) for ah in (-90.0, 90.0)] == [0.0, 1.0]
    assert [possible(x) for x in (-0.1, 0.4, 1.02)] == [0.0, 0.4, 1.0]


def test_doubt_of_the_count_grows_with_time() -> None:
    """Offset: 15 % of what is stated a day, more while a charger holds (but on float, where all may be gas); its share of the charge; capacity a hair; polarisation and surface."""
    _, day = gained(AGM, 24.0, 0.0)
    assert day[OFFSET] == pytest.approx((0.15 * 0.1) ** 2)
    assert day[CAPACITY] == pytest.approx(1.2e-8 * 24)
    assert sqrt(day[SOC]) == pytest.approx(24 * 0.1 / 95, rel=0.02)
    _, held = gained(AGM, 1.0, 5.0, 13.6)
    assert held[OFFSET] == pytest.approx(((0.15 * 0.1) ** 2 + (0.0003 * 100) ** 2) / 24)
    _, floated = gained(AGM, 24.0, 0.0, 13.6)
    assert floated[OFFSET] == pytest.approx(day[OFFSET])
    one, _ = gained(AGM, 3.0, -15.0)
    ohms = 1.3 * SEEING.resistance
    assert one.mean[SLOW] == pytest.approx(-ohms * 5.0 * (1 - exp(-1)))
    assert one.cov[DIAGONAL[SLOW]] == pytest.approx(
        prior(AGM, 0.6, 0.05).cov[DIAGONAL[SLOW]] * exp(-2) + (0.6 * ohms * 5.0 + 0.003) ** 2 * (1 - exp(-2))
    )


def test_surface_charge_builds_in_hours_and_stands_for_days() -> None:
    """At 2.3 V a cell 20 mV build with six hours; at rest two days leave 37 % of it, and 5 % of the capacity drawn takes it away as fast."""
    built, _ = gained(AGM, 6.0, 0.0, 13.8)
    assert built.mean[SURFACE] == pytest.approx(0.020 * (1 - exp(-1)))
    stands = over_slot(AGM, replaced(prior(AGM, 0.6, 0.05), SURFACE, 0.1, 1e-4), SEEING, slot(48.0, 0.0))
    assert stands.mean[SURFACE] == pytest.approx(0.1 * exp(-1))
    drawn = over_slot(AGM, replaced(prior(AGM, 0.6, 0.05), SURFACE, 0.1, 1e-4), SEEING, slot(0.48, -5.0))
    assert drawn.mean[SURFACE] == pytest.approx(0.1 * exp(-1.01))


def test_lithium_turns_its_hysteresis_with_charge_and_not_with_time() -> None:
    """Three per cent of the capacity turn two thirds of it, to either side; ten idle hours next to nothing."""
    high = 0.8 * LITHIUM.battery.kind.hysteresis_v.value * 4
    up, _ = gained(LITHIUM, 0.2, 3.0, 13.4)
    down, _ = gained(LITHIUM, 0.2, -3.0, 13.2)
    idle, _ = gained(LITHIUM, 10.0, 0.0, 13.2)
    assert up.mean[SURFACE] == pytest.approx(high * (1 - exp(-1)), rel=1e-3)
    assert down.mean[SURFACE] == pytest.approx(-up.mean[SURFACE])
    assert abs(idle.mean[SURFACE]) < 0.01 * high
    assert LITHIUM.grid[int(0.96 * (len(LITHIUM.grid) - 1))] < plateau_v(LITHIUM) < 4 * 3.45


def test_a_model_that_is_wrong_again_and_again_opens_the_interval() -> None:
    """With a misfit of four, an hour adds 8.5 % to what is doubted of the charge; below two, or with a voltmeter that moves, nothing."""
    calm, opened, most, still = (
        gained(AGM, 1.0, 0.0, habit=SEEING._replace(misfit=m, still=s))[1][SOC] for m, s in ((1.9, 2), (4.0, 0), (900.0, 0), (1.0, 3))
    )
    assert opened - calm == pytest.approx(0.03**2 * 8)
    assert most - calm == pytest.approx(0.03**2 * 29)
    assert still - calm == pytest.approx(0.03**2 * 5)


def test_a_silence_is_bridged_by_the_usual_current() -> None:
    """Ten silent hours at a usual -1 A are 10 Ah; ten days no more than one day's; the sensor's own counter is believed exactly."""
    habit, f = SEEING._replace(mean_a=-1.0), prior(AGM, 0.6, 0.05)
    rest = slot(0.0, 0.0, 12.5)
    gas = gassing_a(AGM, 12.5, 25.0)
    short, long, known = (over_gap(AGM, f, habit, rest, hours, ah) for hours, ah in ((10.0, None), (240.0, None), (10.0, -10.0)))
    assert short.mean[SOC] == pytest.approx(0.6 - (10 + 10 * gas) / 95)
    assert long.mean[SOC] == pytest.approx(0.6 - (24 + 240 * gas) / 95)
    assert known.mean == short.mean
    guessed = (1.0 * 10 * 3 + (0.001 * 100 * 10) ** 2) / 95**2
    assert short.cov[0] - known.cov[0] == pytest.approx(guessed)


def test_resistance_grows_towards_empty() -> None:
    """Lead-acid 1.3 times at half and 2.2 times when empty, lithium 1.3 times when empty; beyond the ends no further."""
    assert [weakness(AGM, soc) for soc in (1.1, 1.0, 0.5, 0.0, -0.1)] == pytest.approx([1.0, 1.0, 1.3, 2.2, 2.2])
    assert [weakness(LITHIUM, soc) for soc in (1.0, 0.0)] == pytest.approx([1.0, 1.3])


def test_a_loaded_voltage_stands_for_a_rest_voltage() -> None:
    """5 A through 20 milliohm, with 3 A of the last minutes at three tenths of that, at half charge: 1.3 times 118 mV more than is seen."""
    f = prior(AGM, 0.5, 0.05)
    assert compensated(AGM, f, SEEING, 12.2, -5.0, -3.0) == pytest.approx(12.2 + 1.3 * 0.02 * 5.9)
    assert compensated(AGM, None, None, 12.2, -5.0, -3.0) == pytest.approx(12.2 + 1.3 * AGM.ohms * 5)


def test_a_load_step_tells_the_resistance_as_far_as_it_can_be_trusted() -> None:
    """A likely step moves it by its share of the doubt, an unlikely one hardly; never below a fifth or above ten times what is expected."""
    habit = SEEING._replace(resistance=0.02, resistance_var=0.004**2)
    var = 0.004**2 + (0.003 * 0.02) ** 2
    gain = var / (var + (1.4 * 0.005 / 10) ** 2 + (0.4 * 0.02) ** 2)
    likely = stepped(AGM, habit, 0.03, 10.0, 1.0)
    assert likely.resistance == pytest.approx(0.02 + gain * 0.01)
    assert likely.resistance_var == pytest.approx((1 - gain) * var)
    assert stepped(AGM, habit, 1.3 * 0.03, 10.0, 0.5).resistance == pytest.approx(likely.resistance)
    assert stepped(AGM, habit, 0.09, 10.0, 1.0).resistance < 0.02 + 0.07 * gain / 10
    wild = habit._replace(resistance_var=1e6)
    assert stepped(AGM, wild, 1e3, 10.0, 1.0).resistance == 10 * AGM.ohms
    assert stepped(AGM, wild, -1e3, 10.0, 1.0).resistance == 0.2 * AGM.ohms


def test_the_slope_is_one_along_a_lead_acid_curve() -> None:
    """Within 0.7 to 1.5 of its mean the curve's slope counts as its mean; its voltage stays the table's."""
    for soc in (0.2, 0.5, 0.8):
        rest, per_soc = steady_slope(AGM, soc)
        assert rest == pytest.approx(estimate.rest_v(AGM, 100 * soc), abs=1e-6)
        assert per_soc == AGM.chord
    assert AGM.chord == pytest.approx((estimate.rest_v(AGM, 90) - estimate.rest_v(AGM, 10)) / 0.8)


def test_what_is_expected_of_a_battery_before_it_is_known() -> None:
    """Resistance, tail, float and absorption from the chemistry; an owner's own table is trusted to 20 mV and the sensor's voltmeter beside it."""
    own = estimate.model_of(
        Battery("b", "agm", 100.0, rest_voltage_table=((0.0, 11.6), (50.0, 12.25), (100.0, 12.9)), sensor=Sensor(voltage_offset_v=0.02))
    )
    assert own.table_sd_v == pytest.approx(sqrt(0.021**2 + 0.02**2))
    assert own.unread == 0.0
    assert own.chord == pytest.approx(1.3)
    kind = AGM.battery.kind
    assert AGM.ohms == pytest.approx(2 * kind.internal_resistance_ohm_ah.value * 6 / 100)
    assert (AGM.step_a, AGM.most_a, AGM.calm_a, AGM.float_v) == pytest.approx((2.0, 1000.0, 0.3, 13.2))
    assert AGM.full_v == pytest.approx(6 * kind.absorption.low - 0.12)
    assert AGM.tail_a == pytest.approx(100 * kind.tail_current_c.high)
    assert AGM.table_sd_v == pytest.approx(1.5 * 6 * kind.rest_voltage_spread_v.value, rel=0.2)
    spread = 6 * kind.rest_voltage_spread_v.value / (estimate.rest_v(AGM, 100) - estimate.rest_v(AGM, 0))
    assert sqrt(AGM.unread) == pytest.approx(spread)
    started = estimate.model_of(Battery("b", "agm", 100.0, initial_state_of_charge_pct=80.0))
    assert sqrt(started.unread) == pytest.approx(0.6 * spread)
    assert prior(LITHIUM, 0.5, 0.1).mean[CAPACITY] == LITHIUM_CAPACITY[0]
