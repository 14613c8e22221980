"""How long to wait before trying again: doubling, capped, and with jitter so that many do not come back at once."""

import random


class Backoff:
    """`next_s` after each failure, `reset` after a success."""

    __slots__ = ("_first_s", "_longest_s", "_random", "failures")

    def __init__(self, first_s: float, longest_s: float, rng: random.Random | None = None) -> None:
        self._first_s, self._longest_s = first_s, longest_s
        self._random = rng or random.Random()  # noqa: S311 - not for secrets
        self.failures = 0

    def next_s(self) -> float:
        """Between half and all of the first wait doubled by each failure before, never longer than the longest."""
        full_s = min(self._longest_s, self._first_s * 2.0 ** min(self.failures, 30))
        self.failures += 1
        return full_s * (0.5 + self._random.random() / 2)

    def reset(self) -> None:
        self.failures = 0
