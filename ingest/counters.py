"""What the loop counts, for metrics and for people. Plain numbers; reading them needs no lock."""

from collections import Counter
from dataclasses import dataclass, field


@dataclass(slots=True)
class Counters:
    """Since the start. Reasons are short, stable phrases."""

    deliveries: int = 0
    deliveries_acknowledged: int = 0
    kept: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    duplicates: int = 0
    late: int = 0
    """Readings that came after newer ones of their battery; they are kept and folded at their own time."""
    late_by_source: Counter[str] = field(default_factory=Counter)
    refolds: int = 0
    refolded: int = 0
    quarantined: Counter[str] = field(default_factory=Counter)
    released: int = 0
    retained: int = 0
    clock_steps: int = 0
    """Steps of our own wall clock that were believed."""
    notes: int = 0
    events: int = 0
    commits: int = 0
    commit_failures: int = 0
    last_commit_ms: int | None = None
    """How long the last commit took."""
    last_committed_at_ms: int | None = None
    last_failure: str = ""
    """Empty once a commit has succeeded again."""
    failing_since_ms: int | None = None
