"""One van on a pseudo-terminal, alone, with the faults that were asked for. Used by tests and by a tinkerer without a shunt."""

import threading
from argparse import Namespace

from simulators import scenario
from simulators.faults import WireFaults
from simulators.sensor import SimulatedSensor
from simulators.story import Story, wall_s
from simulators.van import SerialLine, line


class Trip:
    """Ends when the story is told, or after `options.seconds`."""

    def __init__(self, options: Namespace) -> None:
        self.options, self.sent = options, 0
        self.role = scenario.van(options.seed)
        self.role.vehicle.step_s = options.every
        self.role.vehicle.sensor = SimulatedSensor.typical(
            options.seed,
            counts_charge=True,
            current_offset_a=options.offset,
            current_noise_a=0.015 + options.noise,
        )
        self.role.vehicle.sensor.gaps = [(a * 3600, b * 3600) for a, b in options.gap]
        self.line = SerialLine(options.link, WireFaults(options.seed, garbage=options.garbage, cut=options.cut))
        self._plugged = True

    def run(self, stop: threading.Event) -> None:
        begins_s, every_s, lived_s = wall_s(), self.options.every, 0.0
        story = Story(self.options.days, self.options.told_for, begins_s)
        vehicle = self.role.vehicle
        while not stop.wait(0.02):
            wall = wall_s()
            self._plug(wall - begins_s)
            while lived_s + every_s <= min(story.now_s(wall), story.to_s) - story.from_s:
                lived_s += every_s
                sample = vehicle.sample(vehicle.advance(every_s))
                if sample is not None:
                    self.line.write(line(story.from_s + lived_s, sample, vehicle.sequence))
                    self.sent += 1
            if wall >= story.to_s or (self.options.seconds is not None and wall - begins_s >= self.options.seconds):
                return

    def _plug(self, elapsed_s: float) -> None:
        if self.options.unplug is None:
            return
        at_s, for_s = self.options.unplug
        wanted = not at_s <= elapsed_s < at_s + for_s
        if wanted and not self._plugged:
            self.line.plug_in()
        elif self._plugged and not wanted:
            self.line.unplug()
        self._plugged = wanted
