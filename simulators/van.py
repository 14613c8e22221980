"""A van in use that writes a generic shunt's lines to a pseudo-terminal, as a serial adapter would.

The format, our own: one reading a line of ASCII, pairs of key=value with one blank between, ended by CR LF; a line that begins with `#`
is for people.

    t=2026-11-25T14:00:00.000Z v=12.624 i=3.42 c=18.5 q=-12.345 n=1234

    t  time of the reading, RFC 3339, UTC          c  temperature of the battery, °C
    v  voltage at the terminals, V                 q  the shunt's own charge counter, Ah, positive into the battery
    i  current, A, **positive out of the battery** n  count of readings since the shunt's start

The sign of `i` is that of many shunts, and not that of the rest of this folder. Keys may be missing; the order is not promised.
A pseudo-terminal that nobody reads fills up; what does not fit is lost, as on a real line.
"""

import os
import select
import tty
from pathlib import Path

from simulators.faults import WireFaults
from simulators.sensor import Sample
from simulators.story import rfc3339


def line(at_s: float, sample: Sample, sequence: int) -> bytes:
    """One reading as the shunt writes it; at_s in seconds since 1970."""
    pairs = [f"t={rfc3339(at_s)}", f"v={sample.voltage_v:.3f}"]
    if sample.current_a is not None:
        pairs.append(f"i={-sample.current_a:.3f}")
    if sample.temperature_c is not None:
        pairs.append(f"c={sample.temperature_c:.1f}")
    if sample.charge_ah is not None:
        pairs.append(f"q={sample.charge_ah:.3f}")
    pairs.append(f"n={sequence}")
    return " ".join(pairs).encode() + b"\r\n"


class SerialLine:
    """The far end of a serial line. `link`: a stable path that is renewed at each plugging in, as udev does for an adapter."""

    def __init__(self, link: Path | None = None, faults: WireFaults | None = None) -> None:
        self.link, self.faults = link, faults
        self.lost_bytes = 0
        self._stuck = False
        self._master: int | None = None
        self._slave: int | None = None
        self.port = ""
        self.plug_in()

    def plug_in(self) -> None:
        """Open a new pseudo-terminal and point the link at it."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        if self.link is not None:
            fresh = self.link.with_name(self.link.name + ".new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self.port)
            fresh.replace(self.link)
            self.port = str(self.link)

    def unplug(self) -> None:
        """The adapter is pulled: readers get an error or an end, the path is gone."""
        if self.link is not None:
            self.link.unlink(missing_ok=True)
        for handle in (self._slave, self._master):
            if handle is not None:
                os.close(handle)
        self._master = self._slave = None

    def write(self, frame: bytes, patience_s: float = 0.0) -> None:
        """Send one frame, through the faults; unplugged or full: it is lost and counted.

        `patience_s`: how long to wait for room, as a line with flow control does; once in vain, then not again until there is some.
        """
        for piece in self.faults.through(frame) if self.faults else (frame,):
            if self._master is None:
                self.lost_bytes += len(piece)
                continue
            if patience_s:
                self._stuck = not select.select([], [self._master], [], 0.0 if self._stuck else patience_s)[1]
            try:
                self.lost_bytes += len(piece) - os.write(self._master, piece)
            except BlockingIOError:
                self.lost_bytes += len(piece)

    def close(self) -> None:
        if self._master is not None:
            self.unplug()
