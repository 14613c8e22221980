"""Room set aside for a full disk: a file that is given up then, because even letting go of old readings needs room for the log."""

import os
import shutil
from pathlib import Path

RESERVE_BYTES = 8_000_000
"""Judgement: twice the log's usual size (1000 pages of 4 kB), a thousandth of a small card."""


class Reserve:
    """A file beside the database. Nothing is done until `hold`."""

    def __init__(self, path: Path, size: int = RESERVE_BYTES) -> None:
        self._path, self._size = path, size

    def hold(self) -> bool:
        """Set the room aside, if there is thrice as much; whether it is set aside."""
        if self._path.exists():
            return True
        if shutil.disk_usage(self._path.parent).free < 3 * self._size:
            return False
        part = self._path.with_name(f"{self._path.name}.part")
        try:
            with part.open("wb") as file:
                for at in range(0, self._size, 1 << 16):  # written, not only promised: some file systems promise too much
                    file.write(bytes(min(1 << 16, self._size - at)))
                file.flush()
                os.fsync(file.fileno())
            part.replace(self._path)
        except OSError:
            part.unlink(missing_ok=True)
            return False
        return True

    def give_up(self) -> bool:
        """Free the room; whether there was any."""
        held = self._path.exists()
        self._path.unlink(missing_ok=True)
        return held
