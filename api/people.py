"""Settings: who is told, of what, when and where. Checked at the start; the decisions are in api.telling."""

from datetime import time
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator, model_validator

Priority = Literal["low", "medium", "high"]
Day = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
DAYS: tuple[Day, ...] = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
RANK: dict[str, int] = {"low": 0, "medium": 1, "high": 2}
TERMINAL = "terminal:"
"""The address of the terminal that the service was started in."""
PAGE = "page:"
"""The address of the browsers in which somebody subscribed on the page; for a person who has no other."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class QuietTime(_Strict):
    """From `begin` to `end` local time (over midnight where the end is the smaller), on the days on which it begins."""

    begin: time
    end: time
    days: tuple[Day, ...] = DAYS
    also_high: bool = False
    """Whether even high priority waits; by default it never does."""

    @model_validator(mode="after")
    def _some_time(self) -> "QuietTime":
        if self.begin == self.end:
            raise ValueError("expected an end that differs from the beginning")
        if self.begin.tzinfo or self.end.tzinfo:
            raise ValueError("expected local times without an offset; time_zone says where")
        return self


class Person(_Strict):
    """One person and the ways to reach them."""

    name: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^/\s][^/]*$")]
    urls: tuple[SecretStr, ...] = ()
    """Addresses in the form of Apprise, `terminal:`, or `page:` for the browsers in which they subscribe. They often hold secrets: `urls_file` is the better place."""
    urls_file: Path | None = None
    """A file with one address a line, readable by the service only."""
    priority: Priority = "low"
    """The least priority this person is told of."""
    sites: tuple[str, ...] = ()
    """Only batteries of these sites; empty: all."""
    fleet: str | None = None
    """Only batteries of this fleet; None: of every fleet."""
    time_zone: str = "UTC"
    quiet: tuple[QuietTime, ...] = ()
    digest_at: time | None = time(8, 0)
    """Low priority is gathered into one message a day at this local time; None: told at once."""
    only_escalated: bool = False
    """Told only when nobody acknowledged in time: the second contact."""
    temperature_unit: Literal["C", "F"] = "C"

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ValueError, OSError) as e:  # ZoneInfoNotFoundError is a KeyError below
            raise ValueError("expected a time zone such as Europe/London") from e
        except KeyError as e:
            raise ValueError("expected a time zone such as Europe/London") from e
        return value

    @model_validator(mode="after")
    def _reachable(self) -> "Person":
        if not self.urls and self.urls_file is None:
            raise ValueError("expected urls or urls_file: a person without an address cannot be told")
        return self


class PushSettings(_Strict):
    """The rules of telling, the same for everybody. Hours are judgements that an owner may change."""

    people: tuple[Person, ...] = ()
    repeat_high_h: Annotated[float, Field(gt=0, le=168)] = 4.0
    """An alert that nobody acknowledged is told again after so long; a working morning or evening passes in four hours."""
    repeat_medium_h: Annotated[float, Field(gt=0, le=720)] = 24.0
    remind_h: Annotated[float, Field(gt=0, le=720)] = 48.0
    """An acknowledged alert that still holds: a reminder, because acknowledged is not mended."""
    escalate_high_h: Annotated[float, Field(gt=0, le=168)] = 1.0
    """Not acknowledged for so long: the second contact is told."""
    escalate_medium_h: Annotated[float, Field(gt=0, le=720)] = 12.0
    gather_s: Annotated[float, Field(ge=0, le=3600)] = 60.0
    """Silences and backlogs wait so long for their like, to become one message."""
    gateway_batteries: Annotated[int, Field(ge=2, le=10_000)] = 3
    """So many silent batteries of one gateway, and at least half of its batteries, are one cause."""
    give_up_h: Annotated[float, Field(gt=0, le=720)] = 72.0
    """A message that could not be delivered for so long is given up, and that is said."""
    contact: Annotated[str, Field(pattern=r"^(mailto:.+@.+|https://.+)$")] = "mailto:restvolt@localhost"
    """Where the push service of a browser can reach you (RFC 8292 section 2.1). Some take no message without a true one."""
    allow_private_addresses: bool = False
    """Whether a webhook may point to this machine or the network around it."""

    @field_validator("people")
    @classmethod
    def _one_of_a_name(cls, value: tuple[Person, ...]) -> tuple[Person, ...]:
        names = [person.name for person in value]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"expected a different name for each person; twice: {', '.join(twice)}")
        return value
