"""What was asked for, checked: times, stretches, pages. And the answer as JSON with an ETag."""

import hashlib
import re
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import orjson
from fastapi import Request, Response

from api.web.problems import Problem

RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DAY_MS = 86_400_000
LENGTHS = {"s": 1000, "m": 60_000, "h": 3_600_000, "d": DAY_MS}
LONGEST_MS = 20 * 366 * DAY_MS


def time_ms(name: str, text: str) -> int:
    """UTC milliseconds of an RFC 3339 time. A time without a zone is refused: nobody knows which hour it means."""
    if RFC3339.fullmatch(text) is None:
        raise wrong(name, f"`{text[:60]}` is not a time: write it as 2026-03-01T08:00:00Z, with its zone")
    leap = text[17:19] == "60"  # a leap second is the second after :59 (RFC 3339 section 5.7)
    try:
        when = datetime.fromisoformat(text[:17] + "59" + text[19:] if leap else text)
    except ValueError as e:
        raise wrong(name, f"`{text[:60]}` is not a time: {e}") from e
    return round((when - EPOCH) / timedelta(milliseconds=1)) + (1000 if leap else 0)


def wrong(name: str, says: str) -> Problem:
    return Problem("not-understood", f"{name}: {says}.", [{"where": name, "says": says}])


class Stretch(NamedTuple):
    """A stretch of history: [from, to) in at most so many points."""

    from_ms: int
    to_ms: int
    points: int


def stretch(from_: str | None, to: str | None, points: int | None, every: str | None, now_ms: int, most: int) -> Stretch:
    """Defaults: the week until now, 500 points. `points` and `every` exclude each other."""
    to_ms = now_ms if to is None else time_ms("to", to)
    from_ms = to_ms - 7 * DAY_MS if from_ is None else time_ms("from", from_)
    if from_ms >= to_ms:
        raise wrong("from", "it lies after `to`, or at it: swap them")
    if to_ms - from_ms > LONGEST_MS:
        raise wrong("from", "more than 20 years are asked for: ask for a shorter stretch")
    if points is not None and every is not None:
        raise wrong("every", "give either `points` or `every`, not both")
    if every is not None:
        width_ms = length_ms("every", every)
        points = (to_ms - 1) // width_ms - from_ms // width_ms + 1  # points begin at multiples of their width
    points = min(500, most) if points is None else points
    if points < 1:
        raise wrong("points", "at least 1")
    if points > most:
        raise wrong("points", f"{points} points are asked for, at most {most} are given at once: ask for a shorter stretch or wider points")
    return Stretch(from_ms, to_ms, points)


def length_ms(name: str, text: str) -> int:
    """`90s`, `15m`, `6h`, `1d`."""
    match = re.fullmatch(r"([0-9]{1,6})([smhd])", text)
    if match is None or int(match[1]) == 0:
        raise wrong(name, f"`{text[:40]}` is not a length of time: write 90s, 15m, 6h or 1d")
    return int(match[1]) * LENGTHS[match[2]]


def respond(request: Request, content: Any, *, media_type: str = "application/json", headers: dict[str, str] | None = None) -> Response:
    """The answer with an ETag of its bytes; 304 without them if the asker has them already (RFC 9110 section 13.1.2)."""
    body = content if isinstance(content, bytes) else orjson.dumps(content)
    tag = f'"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Authorization, Cookie", **(headers or {})}
    known = request.headers.get("if-none-match", "")
    if known.strip() == "*" or tag in (part.strip().removeprefix("W/") for part in known.split(",")):
        return Response(status_code=304, headers=headers)
    return Response(body, headers=headers, media_type=media_type)


def next_page(request: Request, after: str | None) -> str | None:
    """The address of the page after this item, with all other parameters as they were."""
    if after is None:
        return None
    return str(request.url.include_query_params(after=after).replace(scheme="", netloc=""))
