"""A disk that loses what was not synced, under SQLite: a VFS of our own that remembers each file as it was at its last sync.

Registered as SQLite's default VFS of this process through its C interface (sqlite.org/vfs.html); everything is passed on to
the VFS of the system, except that after each `xSync` the file is copied to `<file>.synced`. `cut` puts those copies in place
of the files: what a power cut leaves behind on a disk that wrote nothing but what it was told to sync.
"""

import _sqlite3
import ctypes
import os
import shutil
from pathlib import Path

SYNCED = ".synced"

_OPEN = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p)
# The name goes on as the very pointer: SQLite keeps it, and reads parameters behind its end.
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int)


class _Vfs(ctypes.Structure):
    """struct sqlite3_vfs, as far as it is touched here; the rest is copied as bytes."""

    _fields_ = [
        ("iVersion", ctypes.c_int), ("szOsFile", ctypes.c_int), ("mxPathname", ctypes.c_int), ("pNext", ctypes.c_void_p),
        ("zName", ctypes.c_char_p), ("pAppData", ctypes.c_void_p), ("xOpen", ctypes.c_void_p), ("others", ctypes.c_void_p * 15),
    ]  # fmt: skip


class _Methods(ctypes.Structure):
    """struct sqlite3_io_methods, version 3."""

    _fields_ = [
        ("iVersion", ctypes.c_int), ("xClose", ctypes.c_void_p), ("xRead", ctypes.c_void_p), ("xWrite", ctypes.c_void_p),
        ("xTruncate", ctypes.c_void_p), ("xSync", ctypes.c_void_p), ("others", ctypes.c_void_p * 13),
    ]  # fmt: skip


class LazyDisk:
    """Keep the object as long as SQLite is used: C calls into it."""

    def __init__(self) -> None:
        library = ctypes.CDLL(_sqlite3.__file__)
        library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
        self._system = library.sqlite3_vfs_find(None).contents
        self._vfs = _Vfs.from_buffer_copy(self._system)
        self._vfs.zName = b"lazy"
        self._vfs.pNext = None
        self._system_open = _OPEN(self._system.xOpen)
        self._open_here = _OPEN(self._open)
        self._vfs.xOpen = ctypes.cast(self._open_here, ctypes.c_void_p).value
        self._methods: dict[int, tuple[_Methods, object]] = {}
        self.syncs = 0
        library.sqlite3_vfs_register(ctypes.byref(self._vfs), 1)

    def _open(self, vfs: int, name: int | None, file: int, flags: int, out_flags: int | None) -> int:
        code = int(self._system_open(vfs, name, file, flags, out_flags))
        if code == 0 and name:
            pointer = ctypes.c_void_p.from_address(file)
            original = _Methods.from_address(pointer.value or 0)
            mine = _Methods.from_buffer_copy(original)
            path, system_sync = os.fsdecode(ctypes.string_at(name)), _SYNC(original.xSync)
            # Kept open: to close any descriptor of a file drops the locks that this process holds on it (POSIX, fcntl), and the next
            # process that closes the database then takes itself for the last one and removes the log under this one's feet.
            reading = os.open(path, os.O_RDONLY)

            def sync(file: int, flags: int) -> int:
                done = int(system_sync(file, flags))
                if done == 0:
                    self.syncs += 1
                    Path(path + SYNCED + ".new").write_bytes(os.pread(reading, os.fstat(reading).st_size, 0))
                    os.replace(path + SYNCED + ".new", path + SYNCED)  # noqa: PTH105 - the kill must find one or the other
                return done

            callback = _SYNC(sync)
            mine.xSync = ctypes.cast(callback, ctypes.c_void_p).value
            self._methods[file] = (mine, callback)
            pointer.value = ctypes.addressof(mine)
        return code


def all_synced(database: Path) -> None:
    """What is there now has reached the disk."""
    shutil.copyfile(database, database.with_name(database.name + SYNCED))


def cut(database: Path) -> int:
    """The power is cut: every file of the database becomes what its last sync made of it. Gives how many bytes that lost."""
    lost = 0
    for path in (database, database.with_name(database.name + "-wal")):
        synced = path.with_name(path.name + SYNCED)
        if synced.exists():
            if not path.exists() or path.read_bytes() != synced.read_bytes():
                lost += _different(path.read_bytes() if path.exists() else b"", synced.read_bytes())
            shutil.copyfile(synced, path)
        elif path.exists():
            lost += path.stat().st_size
            path.unlink()
    database.with_name(database.name + "-shm").unlink(missing_ok=True)
    return lost


def _different(a: bytes, b: bytes) -> int:
    same = sum(1 for x, y in zip(a, b, strict=False) if x == y)
    return max(len(a), len(b)) - same
