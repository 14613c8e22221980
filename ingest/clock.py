"""Time as ingest needs it: the port to the machine's clocks, and a wall clock that does not jump with every correction.

Nothing here reads a clock; whoever starts the loop hands one in.
"""

from typing import Protocol

STEP_MS = 2_000
"""Judgement: smaller differences are the slewing of a time service, larger ones a step."""
BELIEVED_AFTER_MS = 60_000
"""Judgement: a step that lasts a minute is believed; a false answer of a time server is corrected sooner."""


class Clock(Protocol):
    """The machine's clocks."""

    boot_id: str
    """Names this run of the monotonic clock."""

    def wall_ms(self) -> int:
        """UTC, as far as the machine knows it."""

    def monotonic_ms(self) -> int:
        """Since boot; never jumps."""

    def trusted(self) -> bool:
        """Whether the wall clock has been set since boot. Must become true at some time, or readings without a time of their own wait for ever."""


class Steady:
    """UTC that runs with the monotonic clock and follows a step of the wall clock only once it has lasted."""

    __slots__ = ("_clock", "_offset_ms", "_seen_ms", "_since_ms", "_stepped_ms", "_trusted", "steps")

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._offset_ms = clock.wall_ms() - clock.monotonic_ms()
        self._trusted = clock.trusted()
        self._seen_ms = self._offset_ms
        self._since_ms = 0
        self._stepped_ms: int | None = None
        self.steps = 0
        """Steps that were believed."""

    def now_ms(self) -> int:
        monotonic_ms = self._clock.monotonic_ms()
        offset_ms = self._clock.wall_ms() - monotonic_ms
        if abs(offset_ms - self._offset_ms) <= STEP_MS or (not self._trusted and self._clock.trusted()):
            self._offset_ms = self._seen_ms = offset_ms
        elif abs(offset_ms - self._seen_ms) > STEP_MS:
            self._seen_ms, self._since_ms = offset_ms, monotonic_ms
        elif monotonic_ms - self._since_ms >= BELIEVED_AFTER_MS:
            self._offset_ms = offset_ms
            self.steps += 1
            self._stepped_ms = monotonic_ms
        self._trusted = self._trusted or self._clock.trusted()
        return monotonic_ms + self._offset_ms

    def unstepped(self, since_ms: int | None) -> bool:
        """Whether no step was believed since this moment of the monotonic clock; False for None."""
        return since_ms is not None and (self._stepped_ms is None or since_ms > self._stepped_ms)
