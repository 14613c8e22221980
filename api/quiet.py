"""Local time: when a person wants quiet and when the next digest is due. Pure; across changes of the clock by zoneinfo."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from api.people import DAYS, Person, QuietTime

DAY = timedelta(days=1)
WEEK_MS = 7 * 86_400_000
"""Quiet times recur weekly: what is quiet for longer is always quiet."""


def quiet_until_ms(person: Person, now_ms: int, priority: str) -> int | None:
    """When the quiet around `now` ends (adjoining quiet times together); None if it is not quiet for this priority."""
    at_ms, zone = now_ms, ZoneInfo(person.time_zone)
    while at_ms - now_ms <= WEEK_MS:  # quiet times that cover the whole week must not hang the service
        ends = [end for q in person.quiet if (priority != "high" or q.also_high) and (end := _end_of(q, at_ms, zone)) is not None]
        if not ends:
            break
        at_ms = max(ends)
    return None if at_ms == now_ms else at_ms


def _end_of(quiet: QuietTime, at_ms: int, zone: ZoneInfo) -> int | None:
    """The end of this quiet time if `at` lies within it; it may have begun yesterday."""
    here = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    for day in (here.date() - DAY, here.date()):
        if DAYS[day.weekday()] in quiet.days:
            begin = datetime.combine(day, quiet.begin, zone)
            end = datetime.combine(day if quiet.begin < quiet.end else day + DAY, quiet.end, zone)
            if _ms(begin) <= at_ms < _ms(end):
                return _ms(end)
    return None


def next_at_ms(at: time, now_ms: int, time_zone: str) -> int:
    """The next moment after `now` at which the person's clock shows this time."""
    zone = ZoneInfo(time_zone)
    today = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone).date()
    return next(ms for days in range(3) if (ms := _ms(datetime.combine(today + days * DAY, at, zone))) > now_ms)


def _ms(when: datetime) -> int:
    return round(when.astimezone(UTC).timestamp() * 1000)
