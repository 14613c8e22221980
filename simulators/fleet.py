"""Thousands of vehicles over MQTT: mixed formats, offline spells that are sent afterwards, frames twice and garbage. For load tests.

Each vehicle is a real simulated battery; the story's time runs as fast as the broker acknowledges, or at `--rate`. The last reading of the
run is stamped with the moment the run began, so nothing lies in the future.
"""

import json
import threading
from argparse import Namespace
from collections.abc import Iterator
from random import Random
from typing import Any

from rich.progress import Progress

from simulators.battery import KINDS, SimulatedBattery
from simulators.charger import StagedCharger, profile
from simulators.loads import DAY_S, STORED, WEEKEND, Loads
from simulators.sensor import SimulatedSensor
from simulators.stored import Gateway, as_json, as_senml, topic
from simulators.story import wall_s
from simulators.vehicle import Climate, Stay, Vehicle

CHEMISTRIES = tuple(KINDS)


def vehicle(number: int, seed: int = 1, step_s: float = 600.0) -> Vehicle:
    """The fleet's vehicle of this number; the same seed gives the same vehicle. Names are `v00001` and so on."""
    luck = Random(seed * 1_000_003 + number)
    chemistry = CHEMISTRIES[number % len(CHEMISTRIES)]
    ah = luck.choice((80.0, 95.0, 100.0, 110.0, 140.0))
    battery = SimulatedBattery(
        chemistry, ah, state_of_charge=luck.uniform(0.55, 0.98), health=luck.uniform(0.75, 1.0), seed=seed * 1009 + number + 1
    )
    in_use = luck.random() < 0.3
    household = WEEKEND if in_use else STORED._replace(standby_a=luck.choice((0.02, 0.03, 0.05, 0.12)))
    stays: tuple[Stay, ...] = ()
    if in_use or luck.random() < 0.2:
        from_s = luck.uniform(0.5, 5) * DAY_S
        stays = (Stay(from_s, from_s + luck.uniform(0.5, 3) * DAY_S, StagedCharger(profile(chemistry, ah))),)
    sensor = SimulatedSensor.typical(number + 1, drop_rate=0.005)
    climate = Climate(luck.uniform(2, 18), 5, 3)
    return Vehicle(f"v{number:05d}", battery, sensor, Loads(household, number), stays, climate, tracker=luck.random() < 0.5, step_s=step_s)


def declared(number: int, seed: int = 1) -> dict[str, Any]:
    """What the owner declares of this vehicle's battery."""
    battery = vehicle(number, seed).battery
    return {
        "id": f"v{number:05d}",
        "chemistry": battery.chemistry,
        "rated_capacity_ah": Random(seed * 1_000_003 + number).choice((80.0, 95.0, 100.0, 110.0, 140.0)),
        "cells": battery.cells,
    }


def declarations(vehicles: int, seed: int = 1) -> str:
    """The whole fleet as `[[battery]]` tables of TOML."""
    tables = []
    for number in range(vehicles):
        tables.append("[[battery]]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in declared(number, seed).items()))
    return "\n".join(tables)


def messages(
    vehicles: int, readings: int, every_s: float, ends_s: float, seed: int = 1, offline: float = 0.02, *, mixed: bool = True
) -> Iterator[tuple[str, bytes]]:
    """(topic, payload) of the whole fleet, in the order in which they are sent. A vehicle that was offline sends its spell in one go.

    mixed: every third vehicle speaks SenML, on `senml/<battery>`; all others JSON, on `readings/<battery>`.
    """
    luck = Random(seed)
    fleet = [vehicle(i, seed, every_s) for i in range(vehicles)]
    spells = {i: _spell(luck, readings) for i in range(vehicles) if luck.random() < offline}
    waiting: dict[int, list[tuple[str, bytes]]] = {}
    for k in range(readings):
        at_s = ends_s - (readings - 1 - k) * every_s
        for i, one in enumerate(fleet):
            sample = one.sample(one.advance(every_s))
            if sample is None:
                continue
            if mixed and i % 3 == 2:
                message = f"senml/{one.name}", as_senml(one.name, at_s, sample)
            else:
                message = topic(one.name), as_json(at_s, sample, one.sequence)
            if i in spells and spells[i][0] <= k < spells[i][1]:
                waiting.setdefault(i, []).append(message)
                continue
            yield from waiting.pop(i, ())
            yield message
    for late in waiting.values():
        yield from late


def _spell(luck: Random, readings: int) -> tuple[int, int]:
    start = luck.randrange(readings)
    return start, start + luck.randint(1, max(1, readings // 2))


def run(options: Namespace, host: str, port: int, stop: threading.Event) -> dict[str, Any]:
    """Publish it all; gives the counts."""
    gateway = Gateway(host, port, f"simulated-fleet-{options.seed}")
    luck, sent, garbage, doubled = Random(options.seed + 1), 0, 0, 0
    began_s = wall_s()
    total = options.vehicles * options.readings
    try:
        with Progress(disable=options.quiet) as progress:
            bar = progress.add_task("readings", total=total)
            told = messages(
                options.vehicles, options.readings, options.every, began_s, options.seed, options.offline, mixed=not options.json_only
            )
            for name, payload in told:
                if stop.is_set():
                    break
                if options.rate and sent / options.rate > wall_s() - began_s:
                    stop.wait(max(0.0, sent / options.rate - (wall_s() - began_s)))
                if luck.random() < options.garbage:
                    gateway.publish(name, luck.randbytes(luck.randint(1, 100)))
                    garbage += 1
                gateway.publish(name, payload)
                if luck.random() < options.doubled:
                    gateway.publish(name, payload)
                    doubled += 1
                sent += 1
                if sent % 100 == 0:
                    progress.update(bar, completed=sent)
            progress.update(bar, completed=total)
        complete = gateway.finish(30)
    finally:
        gateway.close()
    seconds = wall_s() - began_s
    return {
        "sent": sent, "garbage": garbage, "doubled": doubled, "acknowledged": gateway.acknowledged, "complete": complete,
        "seconds": round(seconds, 2), "per_second": round(gateway.acknowledged / seconds, 1),
    }  # fmt: skip
