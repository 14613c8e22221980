"""Nothing that was acknowledged is lost: the service killed and its power cut at random moments, and the books checked afterwards.

A few rounds here; `make torture` runs hundreds. With a broker that keeps what it acknowledges (mosquitto, durable settings).
"""

import subprocess
import sys
from pathlib import Path

from api.database import Database
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


SERVICE = """
import sys
from analytics.battery import Battery
from api.database import Database
from api.ledger import SqlLedger
from tests.torture.lazy_disk import LazyDisk

disk, ledger = LazyDisk(), SqlLedger(Database(sys.argv[1]).open())
with ledger.database.alone() as connection:
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
print("open", flush=True)
sys.stdin.readline()
ledger.declare(Battery("heron", "gel", 80.0), 0, "test")
"""


def test_the_disk_that_forgets_keeps_the_locks_of_who_writes_to_it(tmp_path: Path) -> None:
    """Another process that opens and closes the database beside the service does not take its log away."""
    command = [sys.executable, "-c", SERVICE, str(tmp_path / "house.db")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as service:
        assert service.stdout is not None
        assert service.stdout.readline() == "open\n"
        Database(str(tmp_path / "house.db"), checkpoints=False).open().close()
        service.communicate("go on\n", 60)
    assert service.returncode == 0
