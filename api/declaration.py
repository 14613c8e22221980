"""A battery's declaration in a file or a request, checked into a `Battery`. Strict: "100" is not a number, an unknown key is refused."""

import tomllib
from pathlib import Path
from typing import Any

import orjson
from pydantic import TypeAdapter, ValidationError

from analytics.battery import Battery
from api.mistakes import SettingsError, told

ADAPTER: TypeAdapter[Battery] = TypeAdapter(Battery)


def checked(data: dict[str, Any]) -> Battery:
    """The battery that these keys declare. Raises pydantic.ValidationError."""
    return ADAPTER.validate_json(orjson.dumps(data), strict=True)


def as_dict(battery: Battery) -> dict[str, Any]:
    """The declaration as plain JSON values; `checked` gives the same battery back."""
    plain: dict[str, Any] = ADAPTER.dump_python(battery, mode="json")
    return plain


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file as a dict. Raises SettingsError where it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise SettingsError(path, [f"cannot be read: {e.strerror}"]) from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        raise SettingsError(path, [f"is not TOML: {e}"]) from e


def read_battery(path: Path) -> Battery:
    """The battery declared in a TOML file. Raises SettingsError with a line for each mistake."""
    try:
        return checked(read_toml(path))
    except ValidationError as e:
        raise told(path, e) from e
