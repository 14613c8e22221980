"""The energy budget against worked examples of standards, and against itself."""

import pytest

from analytics.budget import answer as answering
from analytics.budget.answer import answer, usable_depth
from analytics.budget.candidates import weighed
from analytics.budget.energy import daily, daily_ah, inverter_current_a, strain_of
from analytics.budget.hydrogen import GAS_MA_PER_AH, air_for
from analytics.budget.measured import daily_out_ah
from analytics.budget.plan import Burst, Candidate, ChargerOnBoard, Consumer, Installed, Inverter, Plan, Sunlight, Tray
from analytics.budget.sentences import EN1648_AH, against_measured, sentences_of
from analytics.budget.sizing import at_rate_ah, ieee485_factor, required_ah, sections_ah, temperature_factor
from analytics.cautions import CAUTIONS
from analytics.chemistries import CHEMISTRIES
from tests.outside import fact, facts

DAY = (
    Consumer("lamps", 4, current_a=1.5),
    Consumer("pump", 0.25, current_a=4),
    Consumer("fridge", 8, current_a=4),
    Consumer("fan", 3, current_a=2),
    Consumer("telephones", 4, current_a=1),
    Consumer("standby", 24, current_a=0.1),
)


def plan(**changed: object) -> Plan:
    """The worked day of the check values, with changes."""
    return Plan(**{"name": "a weekend", "consumers": DAY, **changed})  # type: ignore[arg-type]


def test_the_worked_day_adds_up() -> None:
    """The worked budget of the check values comes to 51.4 Ah a day, and 61.68 Ah with a margin of 20 %."""
    assert daily_ah(plan(), margin=False) == pytest.approx(fact("BUD-DAY").value)
    assert daily_ah(plan()) == pytest.approx(fact("BUD-20").value)


def test_watts_and_amperes_of_the_same_load_are_the_same() -> None:
    """A consumer in watts costs what the same consumer costs in amperes at the nominal voltage, with duty and number."""
    amps = plan(consumers=(Consumer("heater fan", 10, current_a=2, duty_pct=50, count=2),))
    watts = plan(consumers=(Consumer("heater fan", 10, power_w=24, duty_pct=50, count=2),))
    assert daily_ah(amps) == pytest.approx(daily_ah(watts)) == pytest.approx(2 * 10 * 0.5 * 2 * 1.2)


def test_an_inverter_costs_its_losses_and_its_standby() -> None:
    """Power at the socket is divided by the efficiency, and the inverter's own use is a line of its own."""
    p = plan(consumers=(Consumer("computer", 2, power_w=88, via_inverter=True),), inverter=Inverter(88, 10, 5))
    assert [(u.name, round(u.watt_hours, 6)) for u in daily(p)] == [("computer", 200.0), ("inverter by itself", 50.0)]


@pytest.mark.parametrize(
    ("power_w", "efficiency", "voltage_v", "row"),
    [(1000, 0.9, 12.0, "INV-1000"), (1500, 0.88, 12.0, "INV-1500"), (2000, 0.9, 12.0, "INV-2000"), (3000, 0.85, 11.5, "INV-3000")],
)
def test_inverter_currents_and_their_charge(power_w: float, efficiency: float, voltage_v: float, row: str) -> None:
    """I = P / (efficiency U), and 120 s of it, as in the rows of the check values."""
    amps = inverter_current_a(power_w, efficiency, voltage_v)
    assert amps == pytest.approx(fact(row).value, abs=0.01)
    assert amps * 120 / 3600 == pytest.approx(fact(f"{row}-AH").value, abs=0.003)


def test_a_burst_is_held_against_limit_and_resistance() -> None:
    """142.05 A at 5 milliohm sag by 0.71 V (check values), and are too much for a limit of 100 A."""
    p = plan(inverter=Inverter(88))
    strain = strain_of(Burst("kettle", 120, power_w=1500, via_inverter=True), p, 100.0, 0.005)
    assert strain.sag_v == pytest.approx(fact("SAG-142").value, abs=0.001)
    assert strain.within_limit is False
    assert strain_of(Burst("mover", 10, current_a=60), p, None, None)[4:] == (None, None)


def test_ieee_1013_worked_rows() -> None:
    """45 Ah a day for three days at 10 °C, half depth: every step as in the worked example (IEEE 1013, from memory)."""
    steps = required_ah(45, 3, depth=0.5, end_of_life=0.8, daily_depth=0.2, temperature_factor=ieee485_factor(10), margin=1.2)
    names = ("1013-U", "1013-MDOD", "1013-DAILY", "1013-EOL")
    for got, row in zip(steps, names, strict=False):
        assert got == pytest.approx(fact(row).value)
    assert steps.largest_ah == pytest.approx(270)
    assert steps.with_temperature_ah == pytest.approx(fact("1013-T").value)
    assert steps.with_margin_ah == pytest.approx(fact("1013-M120").value)
    less = required_ah(45, 3, depth=0.5, end_of_life=0.8, daily_depth=0.2, temperature_factor=1.19, margin=1.1)
    assert less.with_margin_ah == pytest.approx(fact("1013-M110").value)


def test_ieee_485_factors_and_interpolation() -> None:
    """Every row of the table comes back, 12 °C lies on the line between its neighbours, and it falls with warmth."""
    for row in facts("IEEE485-"):
        celsius = float(row.condition.split()[0]) if row.condition[0] in "-0123456789" else 12.0
        assert ieee485_factor(celsius) == pytest.approx(row.value, abs=0.002), row.id
    falling = [ieee485_factor(t / 2) for t in range(-20, 120)]
    assert falling == sorted(falling, reverse=True)


def test_ieee_485_sections() -> None:
    """30 A for an hour, then 5 A for nine: both sections, and the factors on the larger (IEEE 485, from memory).

    K_t: ampere-hours at the 20 h rate that give one ampere for t hours, by the law that the budget uses.
    """

    def rate(hours: float) -> float:
        return hours / at_rate_ah(1, 20, hours, 1.2)

    assert rate(1) == pytest.approx(fact("485-K1").value, abs=1e-4)
    assert rate(9) == pytest.approx(fact("485-K9").value, abs=1e-4)
    assert rate(10) == pytest.approx(fact("485-K10").value, abs=1e-4)
    assert sections_ah([(30, 1)], rate) == pytest.approx(fact("485-S1").value, abs=0.01)
    largest = sections_ah([(30, 1), (5, 9)], rate)
    assert largest == pytest.approx(fact("485-S2").value, abs=0.01)
    assert largest * 1.19 * fact("485-MARGIN").value * fact("485-AGING").value == pytest.approx(fact("485-A").value, abs=0.02)


def test_capacity_at_another_rate() -> None:
    """A capacity at its own rate is itself; at n = 1.1918, 80 Ah in 5 h are 100 Ah in 20 h (worked Peukert row of the check values)."""
    assert at_rate_ah(100, 20, 20, 1.2) == 100
    assert at_rate_ah(80, 5, 20, 1.1918) == pytest.approx(100, rel=1e-3)


@pytest.mark.parametrize(
    ("vented", "stage", "row"),
    [(True, "float", "VLA-FLOAT"), (True, "boost", "VLA-BOOST"), (False, "float", "VRLA-FLOAT"), (False, "boost", "VRLA-BOOST")],
)
def test_hydrogen_ventilation_rows(vented: bool, stage: str, row: str) -> None:
    """Air and opening for six cells of 110 Ah, as IEC 62485-2 gives them (reproduction)."""
    air = air_for(vented, stage, 6, 110)
    assert GAS_MA_PER_AH[("vented" if vented else "valve-regulated", stage)] == fact(f"H2-IGAS-{row}").value
    assert air.flow_m3_per_h == pytest.approx(fact(f"H2-Q-{row}").value)
    assert air.opening_cm2 == pytest.approx(fact(f"H2-A-{row}").value)


def test_the_standard_of_motor_caravans_is_told_as_information() -> None:
    """A battery below the 60 Ah of EN 1648-2 is told so, as information; one of 60 Ah is not."""
    assert fact("EN1648-2-CAP").value == EN1648_AH
    small = sentences_of(answer(plan(battery=Installed("agm", 59))))
    assert any("For information: EN 1648-2" in s for s in small)
    assert not any("EN 1648-2" in s for s in sentences_of(answer(plan(battery=Installed("agm", 60)))))


def test_cold_and_lithium_change_the_size() -> None:
    """In the cold every kind must be larger, and lithium smaller than lead-acid, for more of it may be used."""
    warm, cold = (dict(answer(plan(temperature_c=t)).required) for t in (25.0, 0.0))
    for name in CHEMISTRIES:
        assert cold[name].with_margin_ah > warm[name].with_margin_ah
    assert warm["lifepo4"].with_margin_ah < warm["agm"].with_margin_ah
    assert temperature_factor(CHEMISTRIES["lifepo4"], 25) == temperature_factor(CHEMISTRIES["agm"], 25) == 1.0


def test_the_owners_depth_wins() -> None:
    """A usable depth in the plan replaces the chemistry's."""
    assert usable_depth(CHEMISTRIES["agm"], plan()) == 0.5
    assert usable_depth(CHEMISTRIES["agm"], plan(usable_depth_pct=80.0)) == 0.8


def test_sun_spares_charging_but_not_the_dark_days() -> None:
    """With panels less must be charged, but the battery still carries two days alone; on the hook-up nothing has to be charged."""
    sunny = answer(plan(sun=Sunlight(45, 7, 400, 60), days_away=10, charger=ChargerOnBoard(20)))
    dark = answer(plan(days_away=10, charger=ChargerOnBoard(20)))
    assert sunny.sun_ah > sunny.planned_ah
    assert sunny.charge_ah_per_day == 0 < dark.charge_ah_per_day
    assert sunny.dark_days == answering.DARK_DAYS < dark.dark_days == 10
    assert dark.charge_hours_per_day == pytest.approx(dark.charge_ah_per_day / 20)
    assert answer(plan(hook_up=True)).charge_ah_per_day == 0


def test_cycles_a_year_against_rated_life() -> None:
    """61.68 Ah on 60 days out of 200 Ah are 18.5 full cycles a year; a longer-lived battery lasts longer."""
    short = answer(plan(battery=Installed("agm", 200, rated_cycles=300, rated_cycles_depth_pct=50)))
    long = answer(plan(battery=Installed("agm", 200, rated_cycles=900, rated_cycles_depth_pct=50)))
    assert short.cycles_a_year == pytest.approx(61.68 * 60 / 200)
    assert short.years is not None
    assert long.years is not None
    assert short.years[0] < short.years[1] < long.years[1]


def test_enough_is_said_in_a_sentence() -> None:
    """Whether the battery on board carries the plan is said, in both cases, with the ampere-hours it needs."""
    small, large = (sentences_of(answer(plan(battery=Installed("agm", ah)))) for ah in (80, 400))
    assert any("does not carry this plan" in s for s in small)
    assert any("carries this plan" in s and "does not" not in s for s in large)
    assert small[-1] == CAUTIONS["advice"]


def test_an_air_sentence_carries_the_hydrogen_caution() -> None:
    """Ventilation is told with its caution for lead-acid, and not at all for lithium."""
    lead = " ".join(sentences_of(answer(plan(battery=Installed("flooded", 100)))))
    assert CAUTIONS["hydrogen"] in lead
    assert CAUTIONS["hydrogen"] not in " ".join(sentences_of(answer(plan(battery=Installed("lifepo4", 100)))))


def test_planned_against_measured() -> None:
    """More, less and about as much as planned are told apart; too few days are said to be too few."""
    assert "40 % more than planned" in against_measured(50, [60, 70, 80])
    assert "less than planned" in against_measured(50, [20, 20, 20])
    assert "close to the plan" in against_measured(50, [45, 50, 55])
    assert "at least 3" in against_measured(50, [45])


def candidate(name: str, **changed: object) -> Candidate:
    """A battery for sale, with changes."""
    usual: dict[str, object] = {
        "chemistry": "agm", "rated_capacity_ah": 300.0, "rated_hours": 20.0, "price": 400.0, "rated_cycles": 500.0, "rated_cycles_depth_pct": 50.0,
        "length_mm": 350.0, "width_mm": 170.0, "height_mm": 190.0, "weight_kg": 40.0, "burst_limit_a": 200.0,
    }  # fmt: skip
    return Candidate(name, **{**usual, **changed})  # type: ignore[arg-type]


def test_candidates_are_weighed_and_sorted_with_reasons() -> None:
    """Every question is answered with a reason; objections come before price, and unknown is not an objection."""
    p = plan(
        temperature_c=15.0,
        bursts=(Burst("mover", 60, current_a=120),),
        charger=ChargerOnBoard(25, 14.4),
        tray=Tray(360, 180, 200, 45),
        battery=Installed("agm", 100),
    )
    a = answer(p)
    offered = [
        candidate("too long", length_mm=400.0),
        candidate("turned round", length_mm=180.0, width_mm=360.0, height_mm=200.0, weight_kg=45.0),
        candidate("too small", rated_capacity_ah=60.0, price=90.0),
        candidate("too weak", burst_limit_a=100.0),
        candidate("no sizes", length_mm=None, price=500.0),
        candidate("gel", chemistry="gel", rated_capacity_ah=300.0, price=450.0),
    ]
    by_name = {w.candidate.name: w for w in weighed(offered, a)}
    assert by_name["turned round"].fits is True
    assert by_name["too long"].fits is False
    assert by_name["too small"].carries is False
    assert by_name["too weak"].suits_bursts is False
    assert by_name["no sizes"].fits is None
    assert by_name["no sizes"].objections == 0
    assert next(w.candidate.name for w in weighed(offered, a)) == "turned round"
    assert all(len(w.reasons) == 5 and all(w.reasons) for w in by_name.values())


def test_a_kilowatt_hour_costs_price_over_what_is_delivered() -> None:
    """Twice the price is twice the cost, and a battery that lasts longer makes a cheaper kilowatt-hour."""
    a = answer(plan(days_a_year=200.0))
    cheap, dear, lasting = (
        w.cost_per_kwh for c in (candidate("a"), candidate("b", price=800.0), candidate("c", rated_cycles=1500.0)) for w in weighed([c], a)
    )
    assert dear == pytest.approx(2 * cheap)
    assert lasting < cheap


def test_a_candidate_rated_at_five_hours_is_larger_at_twenty() -> None:
    """The rate of the stated capacity counts: 200 Ah in 5 h carry more than 200 Ah in 20 h."""
    a = answer(plan())
    five, twenty = (weighed([candidate("x", rated_capacity_ah=200.0, rated_hours=h)], a)[0] for h in (5.0, 20.0))
    assert five.carried_ah > twenty.carried_ah


def test_a_charger_with_the_wrong_voltage_or_too_much_current_does_not_suit() -> None:
    """14.8 V do not suit gel; 100 A are too much for 100 Ah of flooded, any are for lithium below freezing; what is not known is not guessed."""
    gel = weighed([candidate("g", chemistry="gel")], answer(plan(charger=ChargerOnBoard(25, 14.8))))[0]
    strong = weighed([candidate("f", chemistry="flooded", rated_capacity_ah=100.0)], answer(plan(charger=ChargerOnBoard(100, 14.6))))[0]
    unknown = weighed([candidate("u")], answer(plan()))[0]
    assert (gel.suits_charger, strong.suits_charger, unknown.suits_charger) == (False, False, None)
    frost, chill = (
        weighed([candidate("l", chemistry="lifepo4")], answer(plan(charger=ChargerOnBoard(25, 14.4), temperature_c=celsius)))[0]
        for celsius in (-0.1, 0.0)
    )
    assert (frost.suits_charger, chill.suits_charger) == (False, True)
    assert any("below freezing" in reason for reason in frost.reasons)


def test_whole_days_are_measured_and_broken_ones_left_out() -> None:
    """2 A out all day are 48 Ah; charging does not count as use; a day with two hours of silence, and a half day, are left out."""
    hour = 3_600_000 // 4
    times = list(range(0, 4 * 86_400_000, hour))
    currents: list[float | None] = [-2.0] * len(times)
    assert daily_out_ah(times, currents)[:3] == pytest.approx([48.0] * 3)
    charged = [5.0 if 86_400_000 <= t < 2 * 86_400_000 else -2.0 for t in times]
    assert daily_out_ah(times, charged)[1] < 1
    kept = [(t, a) for t, a in zip(times, currents, strict=True) if not 90_000_000 < t < 98_000_000]
    assert len(daily_out_ah([t for t, _ in kept], [a for _, a in kept])) == 3
    assert daily_out_ah(times[:40], currents[:40]) == []
    assert daily_out_ah([], []) == []
    assert daily_out_ah([0, 1000], [None, None]) == []
