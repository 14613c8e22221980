"""JSON lists back to the tuples and named tuples that annotations name. Parses nothing itself and knows no type of ours."""

import types
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def revived(hint: Any, value: Any, *, strict: bool = True) -> Any:
    """The value as its annotation says. `strict=False` takes a named tuple with fewer fields, which then have their defaults.

    Raises ValueError or TypeError where the value does not fit.
    """
    if value is None:
        return None
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        options = [option for option in get_args(hint) if option is not type(None)]
        if len(options) > 1:  # of several only a named tuple needs reviving
            options = [option for option in options if hasattr(option, "_fields")]
        return revived(options[0], value, strict=strict) if len(options) == 1 else _tupled(value)
    if origin is tuple:
        args = get_args(hint)
        if len(args) == 2 and args[1] is Ellipsis:
            return tuple(revived(args[0], v, strict=strict) for v in value)
        return tuple(revived(h, v, strict=strict) for h, v in zip(args, value, strict=True))
    if isinstance(hint, type) and issubclass(hint, tuple) and hasattr(hint, "_fields"):
        hints = _hints(hint)
        return hint(*(revived(hints[name], v, strict=strict) for name, v in zip(hint._fields, value, strict=strict)))
    return _tupled(value)


def _tupled(value: Any) -> Any:
    return tuple(_tupled(v) for v in value) if isinstance(value, list) else value
