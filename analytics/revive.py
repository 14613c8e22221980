"""JSON lists back to the tuples and named tuples that annotations name. Parses nothing itself and knows no type of ours.

What an annotation asks for is worked out once; a service that starts revives a state for each of its batteries.
"""

import types
from collections.abc import Callable
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

Maker = Callable[[Any], Any] | None
"""Makes what an annotation names from a value that is not None; None: the value is that already."""
PLAIN = (bool, int, float, str, type(None))


def revived(hint: Any, value: Any, *, strict: bool = True) -> Any:
    """The value as its annotation says. `strict=False` takes a named tuple with fewer fields, which then have their defaults.

    Raises ValueError or TypeError where the value does not fit.
    """
    make = maker(hint, strict)
    return value if make is None or value is None else make(value)


@cache
def maker(hint: Any, strict: bool = True) -> Maker:
    """What revives a value of this annotation."""
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        options = [option for option in get_args(hint) if option not in PLAIN]
        if len(options) > 1:  # of several only a named tuple needs reviving
            options = [option for option in options if hasattr(option, "_fields")]
            return maker(options[0], strict) if len(options) == 1 else _tupled
        return maker(options[0], strict) if options else None
    if origin is tuple:
        args = get_args(hint)
        return _each(maker(args[0], strict)) if len(args) == 2 and args[1] is Ellipsis else _fixed([maker(arg, strict) for arg in args])
    if isinstance(hint, type) and issubclass(hint, tuple) and hasattr(hint, "_fields"):
        return _named(hint, strict)
    return None if hint in PLAIN else _tupled


def _each(make: Maker) -> Maker:
    if make is None:
        return tuple
    return lambda values: tuple([None if value is None else make(value) for value in values])


def _fixed(makers: list[Maker]) -> Maker:
    def make(values: Any) -> Any:
        pairs = zip(makers, values, strict=True)
        return tuple([value if make is None or value is None else make(value) for make, value in pairs])

    return make


def _named(kind: Any, strict: bool) -> Maker:
    hints, count = get_type_hints(kind), len(kind._fields)
    parts = [(at, part) for at, name in enumerate(kind._fields) if (part := maker(hints[name], strict)) is not None]

    def make(given: Any) -> Any:
        values = list(given)
        if strict and len(values) != count:
            raise ValueError(f"{kind.__name__}: {len(values)} values, expected {count}")
        for at, part in parts:
            if at < len(values) and values[at] is not None:
                values[at] = part(values[at])
        return kind(*values[:count])

    return make


def _tupled(value: Any) -> Any:
    return tuple([_tupled(v) for v in value]) if isinstance(value, list) else value
