"""Times as senders write them → UTC milliseconds: RFC 3339 with a zone, or seconds or milliseconds since 1970. Naive times are refused."""

import re
from datetime import datetime
from math import isfinite
from typing import Literal

Kind = Literal["rfc3339", "unix_s", "unix_ms"]

LATEST_MS = 253_402_300_800_000
"""The year 10000: what RFC 3339 cannot write."""

_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)?")


def time_ms(raw: object, kind: Kind) -> int | str:
    """Milliseconds since 1970, or the reason why this is no time."""
    if kind == "rfc3339":
        return rfc3339_ms(raw) if type(raw) is str else "not a time"
    if type(raw) is not int and (type(raw) is not float or not isfinite(raw)):
        return "not a time"
    if not 0 <= raw < LATEST_MS:
        return "not a time"
    at_ms = round(raw * 1000) if kind == "unix_s" else round(raw)
    return at_ms if at_ms < LATEST_MS else "not a time"


def rfc3339_ms(text: str) -> int | str:
    """RFC 3339 section 5.6. The leap second 23:59:60 is the first of the next minute, as on every POSIX clock."""
    match = _RFC3339.fullmatch(text) if text.isascii() else None
    if match is None:
        return "not a time"
    day, minute, second, fraction, zone = match.groups()
    if zone is None:
        return "time without zone"
    leap = second == "60"
    try:
        at = datetime.fromisoformat(f"{day}T{minute}:{'59' if leap else second}{zone.upper()}")
        at_ms = round(at.timestamp()) * 1000
    except (ValueError, OverflowError):
        return "not a time"
    if leap:
        if (at_ms // 1000 + 1) % 86_400 != 0:
            return "not a time"  # leap seconds stand at the end of a UTC day only
        return at_ms + 1000
    if fraction is not None:
        at_ms += int(fraction[1:4].ljust(3, "0"))
    return at_ms if 0 <= at_ms < LATEST_MS else "not a time"
