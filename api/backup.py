"""Backup and restore of the SQLite database while the service runs, by SQLite's own backup interface; the copy is checked.

A copy of the file would not do: what is in the write-ahead log is not in it. For PostgreSQL its own tools are the right ones.
"""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from api.database import HEAD

PAGES = 2_000
"""Copied at a time (8 MB); between the parts the service writes on."""


class BackupFailed(RuntimeError):  # noqa: N818 - named for what happened
    """The copy is not there or not sound: says why and what to do."""


def backup(source: Path, target: Path, progress: Callable[[int, int], None] = lambda done, total: None) -> int:
    """Copy a database into a new file, beside a running service; its size in bytes. Raises BackupFailed.

    `progress` hears pages done and pages in all. The target appears whole or not at all.
    """
    if not source.is_file():
        raise BackupFailed(f"{source}: expected the database of the service, found nothing")
    if target.exists():
        raise BackupFailed(f"{target}: expected a name that is not taken; a backup never overwrites")
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True, timeout=30)) as old, closing(sqlite3.connect(part)) as new:
            old.backup(new, pages=PAGES, progress=lambda status, left, total: progress(total - left, total), sleep=0.01)
            new.execute("PRAGMA journal_mode=DELETE")
        why = unsound(part)
        if why is not None:
            raise BackupFailed(f"{target}: the copy is not sound: {why}")
        part.replace(target)
    except (sqlite3.Error, OSError) as e:
        raise BackupFailed(f"{target}: {e}") from e
    finally:
        part.unlink(missing_ok=True)
    return target.stat().st_size


def restore(source: Path, target: Path) -> Path | None:
    """Put a backup in the place of the database while the service is stopped. What was there is kept aside; its new name.

    Raises BackupFailed where the backup is not sound or not one of ours, before anything is touched.
    """
    why = unsound(source)
    if why is not None:
        raise BackupFailed(f"{source}: expected a sound backup of this service: {why}")
    if in_use(target):
        raise BackupFailed(f"{target}: the service is running: stop it first")
    aside = None
    if target.exists():
        aside = set_aside(target)
    part = target.with_name(f"{target.name}.part")
    try:
        part.unlink(missing_ok=True)
        with closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as old, closing(sqlite3.connect(part)) as new:
            old.backup(new)
        part.replace(target)
    except (sqlite3.Error, OSError) as e:
        raise BackupFailed(f"{target}: {e}; the database that was there is {aside or 'unchanged'}") from e
    return aside


def unsound(path: Path) -> str | None:
    """Why this file is not a database of ours; None if it is, and sound."""
    if not path.is_file():
        return "there is no such file"
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
            if found != ["ok"]:
                return "; ".join(str(line) for line in found)
            version = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.Error as e:
        return str(e)
    if version is None or version[0] > HEAD:
        return f"it was written by a newer version ({version and version[0]}), this one knows {HEAD}"
    return None


def in_use(path: Path) -> bool:
    """Whether a process has the database open (its write-ahead log is only there then, or after a crash: then it is locked by nobody)."""
    if not path.exists():
        return False
    try:
        with closing(sqlite3.connect(path, timeout=0.2)) as connection:
            connection.execute("PRAGMA locking_mode=EXCLUSIVE")
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("ROLLBACK")
    except sqlite3.OperationalError as e:
        return "locked" in str(e)
    except sqlite3.DatabaseError:
        return False
    return False


def set_aside(path: Path) -> Path:
    """Move a database with its log out of the way, under a name that is not taken."""
    number = 1
    while (aside := path.with_name(f"{path.stem}.aside-{number}{path.suffix}")).exists():
        number += 1
    for ending in ("", "-wal", "-shm"):
        piece = path.with_name(path.name + ending)
        if piece.exists():
            piece.replace(aside.with_name(aside.name + ending))
    return aside
