"""Tells the scenario: a van's lines on a pseudo-terminal, three stored vehicles over MQTT. It knows the wire and no product.

What it prints on standard output, one JSON object a line:

    {"ready": true, "serial": {…}, "mqtt": {…}, "batteries": […]}     everything is listening; with `wait` it now waits for a line on
                                                                     standard input, so that readers can connect first
    {"begun": true, "from": "…", "to": "…", "told_s": 75, …}          the story's time; see simulators.story
    {"happening": "Marten is put on …", "battery": "marten", "at": "…"}
    {"told": true}                                                    from here on time runs one to one
"""

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simulators import scenario
from simulators.faults import WireFaults
from simulators.scenario import Role
from simulators.sensor import Sample
from simulators.stored import Gateway, as_json, as_senml, topic
from simulators.story import DAY_S, Story, rfc3339, wall_s
from simulators.van import SerialLine, line

Say = Callable[[dict[str, Any]], None]
PATIENCE_S = 0.5
"""Days are told in seconds, and a busy machine may read late: the line waits instead of losing."""
AFTERWARDS_EVERY_S = 10.0
"""Readings come this often once time runs one to one, so that a page that is open stays alive."""


@dataclass
class Told:
    """One vehicle on its way through its story."""

    role: Role
    story: Story
    send: Callable[[float, Role, Sample], None]
    next_s: float = 0.0
    happened: int = field(default=0)

    def catch_up(self, wall: float, say: Say, stop: threading.Event) -> None:
        """Live up to the story's present, sending every reading that falls due; leaves off when asked to stop."""
        role, start_s = self.role, self.story.from_s
        end_s = self.story.now_s(wall) - start_s
        told_s = self.story.days * DAY_S
        while self.next_s + (every_s := role.every_s if self.next_s < told_s else AFTERWARDS_EVERY_S) <= end_s and not stop.is_set():
            self.next_s += every_s
            while self.happened < len(role.happenings) and role.happenings[self.happened][0] <= self.next_s:
                at_s, sentence = role.happenings[self.happened]
                self.happened += 1
                say({"happening": sentence, "battery": role.declared["id"], "at": rfc3339(start_s + at_s)})
            mean_a = role.vehicle.advance(every_s)
            sample = role.vehicle.sample(mean_a)
            if sample is not None:
                self.send(start_s + self.next_s, role, sample)


class Demo:
    """Opens its ends at once; `tell` runs the story and returns when `stop` is set or, with `seconds`, after that long."""

    def __init__(self, host: str, port: int, link: Path | None, say: Say, *, seed: int = 1, faults: WireFaults | None = None) -> None:
        self.say = say
        self.van = scenario.van(seed)
        self.stored = scenario.stored(seed + 1)
        self.line = SerialLine(link, faults)
        self.host, self.port = host, port
        self.gateway = Gateway(host, port, "restvolt-simulated-yard")

    def ready(self) -> dict[str, Any]:
        return {
            "ready": True,
            "serial": {"port": self.line.port, "battery_id": self.van.declared["id"], "speaks": "lines"},
            "mqtt": {
                "host": self.host,
                "port": self.port,
                "topics": {role.declared["id"]: {"topic": topic(role.declared["id"]), "speaks": role.speaks} for role in self.stored},
            },
            "batteries": [role.declared for role in (self.van, *self.stored)],
        }

    def tell(self, told_s: float, stop: threading.Event, seconds: float | None = None) -> None:
        begins_s = wall_s()
        tales = [Told(self.van, Story(self.van.days, told_s, begins_s), self._on_line)]
        tales += [Told(role, Story(role.days, told_s, begins_s), self._over_mqtt) for role in self.stored]
        longest = max((tale.story for tale in tales), key=lambda story: story.days)
        self.say(
            {
                "begun": True,
                "from": rfc3339(longest.from_s),
                "to": rfc3339(longest.to_s),
                "days": longest.days,
                "told_s": told_s,
                "compression": longest.compression,
            }
        )
        told = False
        while not stop.wait(0.05):
            wall = wall_s()
            for tale in tales:
                tale.catch_up(wall, self.say, stop)
            if not told and wall >= longest.to_s:
                told = True
                self.say({"told": True})
            if seconds is not None and wall - begins_s >= seconds:
                return

    def _on_line(self, at_s: float, role: Role, sample: Sample) -> None:
        self.line.write(line(at_s, sample, role.vehicle.sequence), PATIENCE_S)

    def _over_mqtt(self, at_s: float, role: Role, sample: Sample) -> None:
        battery_id = str(role.declared["id"])
        payload = as_senml(battery_id, at_s, sample) if role.speaks == "senml" else as_json(at_s, sample, role.vehicle.sequence)
        self.gateway.publish(topic(battery_id), payload)

    def close(self) -> None:
        self.gateway.finish(2)
        self.gateway.close()
        self.line.close()


def print_json(message: dict[str, Any]) -> None:
    """One object a line, at once."""
    print(json.dumps(message), flush=True)
