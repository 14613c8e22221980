"""Addresses from a file: they often hold secrets, so a file that others can read is refused."""

import stat
from pathlib import Path

from api.push.guard import BadAddress


def addresses_in(path: Path) -> list[str]:
    """One address a line; empty lines and those that begin with # are left out. Raises BadAddress."""
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as e:
        raise BadAddress(f"{path}: expected a readable text file with one address a line ({type(e).__name__})") from e
    if mode & (stat.S_IWGRP | stat.S_IROTH | stat.S_IWOTH):
        raise BadAddress(f"{path}: others may read or change it; expected rights for its owner, at most its group reading (chmod 600)")
    lines = (line.strip() for line in text.splitlines())
    found = [line for line in lines if line and not line.startswith("#")]
    if not found:
        raise BadAddress(f"{path}: expected at least one address")
    return found
