"""The machine's clocks, for whoever is handed them. The only file that reads the time.

A machine with a clock of its own (an RTC) is believed at once. A small board without one boots with the time of its last shutdown:
whether the time has been set since is asked of the kernel (adjtimex), which every time service tells; without one it is believed after a while.
"""

import ctypes
import time
from pathlib import Path

BELIEVED_AFTER_S = 180.0
"""Judgement: a time service answers within a minute of a network; after three there is none, and waiting longer helps nobody."""
RTC = Path("/sys/class/rtc/rtc0")
TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised."""
EARLIEST_MS = 1_735_689_600_000
"""2025-01-01T00:00:00Z: before this program was written, so any earlier time is wrong."""


class MachineClock:
    """Satisfies ingest.clock.Clock by its shape."""

    def __init__(self, believed_after_s: float = BELIEVED_AFTER_S) -> None:
        self._believed_after_s = believed_after_s
        self._began_s = time.monotonic()
        self._synchronised = False
        boot = Path("/proc/sys/kernel/random/boot_id")
        self.boot_id = boot.read_text().strip() if boot.exists() else f"process-{time.time_ns()}"

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def monotonic_ms(self) -> int:
        return time.monotonic_ns() // 1_000_000

    def trusted(self) -> bool:
        if not self._synchronised:
            late = time.monotonic() - self._began_s >= self._believed_after_s
            self._synchronised = self.wall_ms() >= EARLIEST_MS and (late or RTC.exists() or kernel_says_synchronised())
        return self._synchronised


def kernel_says_synchronised() -> bool:
    """adjtimex(2) with an empty request changes nothing and answers with the state of the clock."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        state = int(libc.adjtimex(ctypes.create_string_buffer(512)))
    except (OSError, AttributeError):
        return False
    return 0 <= state < TIME_ERROR
