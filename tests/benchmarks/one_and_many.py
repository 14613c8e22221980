"""What a reading costs with one battery and with ten thousand: `python -m tests.benchmarks many`.

The row is literal: as many readings to a commit from the one battery as from ten thousand, which no single battery ever has: two thousand of its
minutes are a day and a half. So it gives the one battery what nobody else gets: a single page of history, a single row of details and a single
look at its fence for two thousand readings. The fair question, how many batteries there are while each commit holds the same work, is the row of
tests.benchmarks.batteries: there each reading of a commit is another battery's on both sides, as with a fleet.
"""

import time
from pathlib import Path

from analytics import keep
from analytics.batch import Batch
from analytics.core import State, begin
from analytics.reading import Reading
from api.running import collect_rarely
from ingest.folding import Folding
from ingest.lives import Live
from tests.benchmarks.scene import BEGIN_MS, battery, readings, row, store

FEW, MANY = 1, 10_000
SPREAD_MS = 86_400_000 // MANY
A_COMMIT = 2000
FIRST = 5
"""Readings that each battery has given before: what the first ones cost comes once in its life and has a row of its own."""
PARTS, HOUR = 15, 60
"""Of ten thousand readings; one and many in turn, so that whatever else the machine does meets both. After the first quarter of an hour each
of the many fills pages of history and details of its own, of which hardly any two readings of a commit share one: so the rest of the hour has
a row of its own, which is the long run."""


class Batteries:
    """A ledger with so many batteries. They begin spread over a day, so that each moment of the hour (when the slow work is done) and of the day
    (in which a charge begins once) comes as often as in the long run."""

    def __init__(self, folder: Path, count: int) -> None:
        folder.mkdir()
        self._ledger = store(folder, count)
        self._folding = Folding(self._ledger)
        self._folding.lives = {f"b{n:05d}": Live(begin(battery(n)), (-1, 0, 0), 0, 0) for n in range(count)}
        self._streams = [readings(f"b{n:05d}", 1 << 40, 60_000, BEGIN_MS + n * SPREAD_MS) for n in range(count)]
        self.first_us = self.work(FIRST) / (FIRST * count) * 1e6

    def work(self, rounds: int) -> float:
        """Fold and commit so many readings of each battery; processor seconds of it."""
        given = [next(stream) for _ in range(rounds) for stream in self._streams]
        began = time.process_time()
        for at in range(0, len(given), A_COMMIT):
            self._ledger.commit(self._folded(given[at : at + A_COMMIT]))
        return time.process_time() - began

    def _folded(self, given: list[Reading]) -> Batch:
        batch, folding = Batch(), self._folding
        for reading in given:
            folding.fold(folding.lives[reading.battery_id], reading, batch, reading.at_ms)
        batch.checkpoints.extend(folding.checkpoints())
        return batch

    @property
    def state(self) -> State:
        """Of the first battery."""
        return self._folding.lives["b00000"].state

    def close(self) -> None:
        self._ledger.database.close()


def run(folder: Path) -> None:
    """Print the rows of the table."""
    collect_rarely()
    one, many = Batteries(folder / "one", FEW), Batteries(folder / "many", MANY)
    one_s, many_s = _in_turn(one, many, PARTS)
    row("state of a battery, kept", f"{len(keep.dumps(one.state))} bytes", "at most 2,048")
    row("cost of a reading with one battery (a reading a minute each)", f"{one_s / (PARTS * MANY) * 1e6:.0f} us", "")
    row("cost of a reading with 10,000 batteries against that with one", f"{many_s / one_s:.2f}", "at most 1.3")
    one_s, many_s = _in_turn(one, many, HOUR - PARTS)
    row("the same in the rest of their first hour", f"{many_s / one_s:.2f}", "at most 1.3")
    row("cost of each of the first five readings of 10,000 new batteries", f"{many.first_us:.0f} us", "")
    one.close()
    many.close()


def _in_turn(one: Batteries, many: Batteries, parts: int) -> tuple[float, float]:
    """Processor seconds that each spent on so many parts."""
    spent = [(one.work(MANY), many.work(FEW)) for _ in range(parts)]
    return sum(a for a, _ in spent), sum(b for _, b in spent)
