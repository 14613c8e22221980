"""One simulated charge: what was true (voltage, temperature, set-points) and what a realistic sensor made of it. It judges nothing."""

from random import Random
from typing import NamedTuple

from analytics.battery import Battery
from analytics.core import State, begin, step
from analytics.reading import Reading
from simulators.battery import SimulatedBattery
from simulators.charger import CHARGERS
from simulators.sensor import SimulatedSensor

BEGIN_MS = 1_767_247_200_000
"""1 January 2026, 06:00 UTC: an invented day, so that solar behaviours begin at dawn."""
BEGIN_S = 6 * 3600
REST_S = 2 * 3600
FULL_FIRST = ("pulsed maintenance", "desulfation")
EVERY_S = 60


class Case(NamedTuple):
    """A chemistry, a charger behaviour (a key of simulators.charger.CHARGERS) and a temperature."""

    chemistry: str
    behaviour: str
    temperature_c: float
    seed: int = 0


class Truth(NamedTuple):
    """One moment as it was, not as it was measured."""

    at_s: float
    voltage_v: float
    current_a: float
    temperature_c: float
    stage: str


class Run(NamedTuple):
    """What was true and what was measured."""

    case: Case
    truth: list[Truth]
    readings: list[Reading]


def simulate(case: Case, hours: float = 30.0) -> Run:
    """Two hours of rest, then the charger at work beside a load of 0.3 A for so many hours."""
    luck = Random(f"{case.chemistry}{case.behaviour}{case.temperature_c}{case.seed}")
    seed = luck.randrange(1, 10**6)
    capacity_ah = 100.0
    begin_soc = 0.95 if case.behaviour in FULL_FIRST else luck.uniform(0.45, 0.6)
    battery = SimulatedBattery(case.chemistry, capacity_ah, state_of_charge=begin_soc, temperature_c=case.temperature_c, seed=seed)
    charger = CHARGERS[case.behaviour](case.chemistry, capacity_ah)
    sensor = SimulatedSensor.typical(seed)
    truth: list[Truth] = []
    readings: list[Reading] = []
    at_s = 0.0
    while at_s < REST_S + hours * 3600:
        if at_s < REST_S:
            net_a = battery.draw(EVERY_S, -0.3, case.temperature_c)
        else:
            net_a = charger.step(battery, BEGIN_S + at_s - REST_S, EVERY_S, 0.3, case.temperature_c)
        at_s += EVERY_S
        truth.append(Truth(at_s, battery.voltage_v, net_a, battery.temperature_c, charger.stage if at_s > REST_S else "off"))
        sample = sensor.read(battery, at_s, net_a)
        if sample is not None:
            readings.append(Reading("case", BEGIN_MS + int(1000 * at_s), sample.voltage_v, sample.current_a, sample.temperature_c))
    return Run(case, truth, readings)


def declared(case: Case, *, measures_current: bool = True) -> Battery:
    """What the owner would declare: chemistry, size, cells; nothing about the charger."""
    cells = 4 if case.chemistry == "lifepo4" else 6
    return Battery("case", case.chemistry, 100.0, cells=cells)


def flagged(run: Run, *, voltage_only: bool = False) -> tuple[str, ...]:
    """The charging rules that raised an alert while or right after this charge, in order of appearance."""
    return watched(run, voltage_only=voltage_only)[0]


def watched(run: Run, *, voltage_only: bool = False) -> tuple[tuple[str, ...], State]:
    """The same, and the state after the last reading."""
    state = begin(declared(run.case))
    seen: dict[str, None] = {}
    for reading in run.readings:
        state, outcome = step(state, reading._replace(current_a=None) if voltage_only else reading)
        for event in outcome.events:
            if event.kind == "began" and event.rule.startswith("charge_"):
                seen[event.rule] = None
    return tuple(seen), state
