"""How the values of the fold are made and changed: by the million, so quicker than a named tuple does it by itself. What they mean is elsewhere."""

from functools import cache
from typing import Any, TypeVar

T = TypeVar("T", bound=tuple[Any, ...])

new = tuple.__new__
"""What is made for every reading or span is made by this: a named tuple's own constructor costs twice as much, its `_replace` five times."""


def changed(value: T, **to: object) -> T:
    """As `_replace`, for a named tuple of many fields: half the cost, for it looks only for the fields that change."""
    fields, places = list(value), _places(type(value))
    for name, field in to.items():
        fields[places[name]] = field
    return new(type(value), fields)


@cache
def _places(kind: Any) -> dict[str, int]:
    return {name: place for place, name in enumerate(kind._fields)}
