"""A clock that a test sets by hand, and the machine's own."""

import time
from dataclasses import dataclass

NOON_MS = 1_772_366_400_000
"""2026-03-01T12:00:00Z."""


@dataclass
class HandClock:
    """Stands still until it is moved. `step` is a jump of the wall clock alone."""

    wall: int = NOON_MS
    monotonic: int = 1_000_000
    is_trusted: bool = True
    boot_id: str = "boot-a"

    def wall_ms(self) -> int:
        return self.wall

    def monotonic_ms(self) -> int:
        return self.monotonic

    def trusted(self) -> bool:
        return self.is_trusted

    def go(self, ms: int) -> None:
        self.wall += ms
        self.monotonic += ms

    def step(self, ms: int) -> None:
        self.wall += ms


class RealClock:
    """The machine's clocks; the wall clock counts as set."""

    boot_id = "this boot"

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def monotonic_ms(self) -> int:
        return time.monotonic_ns() // 1_000_000

    def trusted(self) -> bool:
        return True
