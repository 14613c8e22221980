"""Nothing that was acknowledged is lost: the service killed and its power cut at random moments, and the books checked afterwards.

A few rounds here; `make torture` runs hundreds. With a broker that keeps what it acknowledges (mosquitto, durable settings).
"""

from pathlib import Path

from tests.brokers import ONLY_MOSQUITTO
from tests.torture.rounds import torture

pytestmark = ONLY_MOSQUITTO


def test_killed_at_random_moments_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    """kill −9, again and again: history holds every reading once, states equal the fold, every alert event is there once."""
    tally = torture(tmp_path, 6, 11, power_cut=False)
    assert tally.wrong == []
    assert tally.kills == 6
    assert tally.kept == tally.sent > 0


def test_a_power_cut_takes_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    """Each time the power goes, the disk keeps only what was synced: still every reading once, and the database is sound."""
    tally = torture(tmp_path, 6, 12, power_cut=True)
    assert tally.wrong == []
    assert tally.kept == tally.sent > 0


def test_a_database_that_does_not_sync_each_commit_is_found_out(tmp_path: Path) -> None:
    """The same torture with commits that are not synced loses readings: this is how a mistake would show."""
    tally = torture(tmp_path, 3, 13, power_cut=True, careless=True)
    assert any("readings missing" in wrong for wrong in tally.wrong), tally
