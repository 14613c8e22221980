"""Room set aside for a full disk: held while there is plenty, given up when there is none, taken again later."""

import shutil
from pathlib import Path

from api.database import Database
from api.reserve import Reserve
from api.upkeep import RetentionSettings, Upkeep

T0, DAY = 1_790_000_000_000, 86_400_000


def test_room_is_held_and_given_up(tmp_path: Path) -> None:
    """Held, it takes its size on the disk; given up, it is gone; holding twice is holding once."""
    reserve = Reserve(tmp_path / "x.reserve", 100_000)
    assert reserve.hold()
    assert reserve.hold()
    assert [(p.name, p.stat().st_size) for p in tmp_path.iterdir()] == [("x.reserve", 100_000)]
    assert reserve.give_up()
    assert not reserve.give_up()
    assert list(tmp_path.iterdir()) == []


def test_no_room_is_taken_where_there_is_little(tmp_path: Path) -> None:
    """A reserve must not be what fills the disk."""
    reserve = Reserve(tmp_path / "x.reserve", shutil.disk_usage(tmp_path).free)
    assert not reserve.hold()
    assert list(tmp_path.iterdir()) == []


def test_upkeep_gives_the_reserve_up_last_of_all_and_says_so(tmp_path: Path) -> None:
    """With nothing to let go, the reserve is what is left; the second time there is nothing."""
    said: list[str] = []
    with Database(str(tmp_path / "x.db")) as database:
        upkeep = Upkeep(database, RetentionSettings(), lambda: T0, said.append, reserve_bytes=50_000)
        upkeep.work()
        assert (tmp_path / "x.db.reserve").stat().st_size == 50_000
        assert upkeep.make_room(T0)
        assert not (tmp_path / "x.db.reserve").exists()
        assert not upkeep.make_room(T0)
    assert "make room now" in said[0]
    assert "nothing is left" in said[1]
