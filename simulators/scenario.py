"""The vehicles of the demonstration and what happens to them. All names are invented; each is a bird or beast, none is a person.

All live through the same fourteen days. A van in use, `heron`: two days off-grid with a fridge, lights and a mover, then a pitch with mains, and again.
Three stored vehicles:

- `otter` drains quietly (an alarm system and a tracker): a forecast is due days before it would reach its limit; nobody comes.
- `curlew` was left low by its last users and is put on a sound charger on the seventh day: an alert begins early and ends.
- `marten` gets a charger made for flooded batteries, with an equalisation stage, on the fourth day; its battery is an AGM.
"""

from dataclasses import dataclass
from typing import Any

from simulators.battery import SimulatedBattery
from simulators.charger import StagedCharger, profile
from simulators.loads import DAY_S, STORED, WEEKEND, Burst, Loads
from simulators.sensor import SimulatedSensor
from simulators.vehicle import Climate, Stay, Vehicle

DAYS = 14.0
VAN_EVERY_S, STORED_EVERY_S = 60.0, 600.0
"""Between two readings, in the story's seconds."""
EVER = 1e12


@dataclass
class Role:
    """A vehicle, how it speaks, and what its owner declares of it."""

    vehicle: Vehicle
    speaks: str
    """`lines`, `json` or `senml`"""
    every_s: float
    days: float
    declared: dict[str, Any]
    happenings: tuple[tuple[float, str], ...] = ()
    """(seconds of its own time, a sentence)"""


def _declared(battery_id: str, chemistry: str, ah: float, **more: Any) -> dict[str, Any]:
    return {"id": battery_id, "chemistry": chemistry, "rated_capacity_ah": ah, "rated_hours": 20, "cells": 6, **more}


def van(seed: int = 1) -> Role:
    battery = SimulatedBattery("agm", 230, state_of_charge=0.93, seed=seed)
    sensor = SimulatedSensor.typical(seed, counts_charge=True, drop_rate=0.0, current_offset_a=0.01)
    arrivals = (2.35, 6.2, 9.6, 12.9)
    departures = (4.0, 7.5, 11.0)
    bursts = tuple(Burst(day * DAY_S, 30, 95) for day in (0.45, 1.4, *(d + 0.4 for d in departures)))
    stays = tuple(
        Stay(come * DAY_S, leave * DAY_S, StagedCharger(profile("agm", 230)))
        for come, leave in zip(arrivals, (*departures, 1e6), strict=True)
    )
    vehicle = Vehicle("heron", battery, sensor, Loads(WEEKEND, seed, bursts), stays, Climate(14, 6, 2), step_s=VAN_EVERY_S)
    moves = [(bursts[0].at_s, "Heron's mover draws 95 A for half a minute.")]
    moves += [(come * DAY_S, "Heron is plugged in on a pitch.") for come in arrivals]
    moves += [(leave * DAY_S, "Heron leaves the pitch.") for leave in departures]
    return Role(
        vehicle, "lines", VAN_EVERY_S, DAYS, _declared("heron", "agm", 230, vehicle="Heron", site="on tour"), tuple(sorted(moves))
    )  # fmt: skip


def stored(seed: int = 2) -> tuple[Role, ...]:
    return (_otter(seed), _curlew(seed + 1), _marten(seed + 2))


def _stored_vehicle(name: str, battery: SimulatedBattery, seed: int, standby_a: float, *stays: Stay) -> Vehicle:
    sensor = SimulatedSensor.typical(seed, drop_rate=0.01, current_noise_a=0.005)
    loads = Loads(STORED._replace(standby_a=standby_a), seed)
    return Vehicle(name, battery, sensor, loads, stays, Climate(8, 4, 2), tracker=standby_a > 0.1, step_s=STORED_EVERY_S)


def _otter(seed: int) -> Role:
    battery = SimulatedBattery("agm", 95, state_of_charge=0.88, seed=seed)
    vehicle = _stored_vehicle("otter", battery, seed, 0.13)
    return Role(vehicle, "json", STORED_EVERY_S, DAYS, _declared("otter", "agm", 95, vehicle="Otter", site="barn"))


def _curlew(seed: int) -> Role:
    battery = SimulatedBattery("flooded", 100, state_of_charge=0.44, seed=seed)
    stay = Stay(6.4 * DAY_S, EVER, StagedCharger(profile("flooded", 100)))
    vehicle = _stored_vehicle("curlew", battery, seed, 0.03, stay)
    return Role(
        vehicle, "senml", STORED_EVERY_S, DAYS, _declared("curlew", "flooded", 100, vehicle="Curlew", site="yard"),
        ((stay.from_s, "Curlew is put on a charger made for it."),),
    )  # fmt: skip


def _marten(seed: int) -> Role:
    battery = SimulatedBattery("agm", 90, state_of_charge=0.74, seed=seed)
    wrong = profile("agm", 90, "flooded")._replace(absorption_v=14.8, equalisation_v=15.6, equalisation_h=6.0)
    stay = Stay(3.4 * DAY_S, 5.4 * DAY_S, StagedCharger(wrong))
    vehicle = _stored_vehicle("marten", battery, seed, 0.03, stay)
    return Role(
        vehicle, "json", STORED_EVERY_S, DAYS, _declared("marten", "agm", 90, vehicle="Marten", site="barn"),
        ((stay.from_s, "Marten is put on a charger made for flooded batteries."), (stay.to_s, "Marten is taken off that charger.")),
    )  # fmt: skip
