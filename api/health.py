"""What the service says about itself: each part, whether it works, and in words what is the matter."""

from typing import NamedTuple


class Part(NamedTuple):
    """One part of the service: a source, the store, the outbox."""

    name: str
    works: bool
    says: str
    """One sentence: since when, and what to do if it does not work."""
    needed: bool = True
    """False: the service is of use without it, so it does not make the service unready."""


class Health(NamedTuple):
    """All parts as they are now."""

    parts: tuple[Part, ...] = ()

    @property
    def ready(self) -> bool:
        return all(part.works for part in self.parts if part.needed)


class Measure(NamedTuple):
    """One number for the metrics page. The unit ends the name (OpenMetrics 1.0); a counter's name has no `_total`."""

    name: str
    kind: str
    """gauge | counter"""
    unit: str
    """seconds, bytes, volts …; empty if it only counts."""
    help: str
    value: float
    labels: tuple[tuple[str, str], ...] = ()
