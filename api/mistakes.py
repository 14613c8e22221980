"""Mistakes of the person who wrote a file, told so that they can mend it: file, key, value, what was expected."""

from pathlib import Path
from typing import Any

from pydantic import ValidationError

from analytics.battery import DeclarationError

WHOLE = "(the whole file)"


class SettingsError(Exception):
    """A file cannot be used. One line for each mistake."""

    def __init__(self, file: Path | str, lines: list[str]) -> None:
        super().__init__("\n".join(f"{file}: {line}" for line in lines))
        self.file, self.lines = file, lines


def told(file: Path | str, error: ValidationError, *, skip: tuple[str, ...] = (), prefix: str = "") -> SettingsError:
    """Pydantic's findings as lines `key = value: expectation`; parts of a path that are only a kind's name are left out."""
    lines = []
    for e in error.errors(include_url=False):
        parts = [prefix] if prefix else []
        parts += [str(part) for part in e["loc"] if str(part) not in skip]
        key = ".".join(parts) or WHOLE
        lines.append(_line(key, e))
    return SettingsError(file, lines)


def _line(key: str, e: Any) -> str:
    cause = e.get("ctx", {}).get("error")
    if isinstance(cause, DeclarationError):  # knows better than the path which key it is
        inner = "" if key == WHOLE else f"{key}."
        return f"{inner}{cause.key} = {_short(cause.value)}: expected {cause.expected}"
    if e["type"] == "value_error" and key in (WHOLE, "format", "battery"):
        return _expectation(e)  # says itself which key it is
    if e["type"].startswith("missing"):
        return f"{key}: this key is missing"
    return f"{key} = {_short(e.get('input'))}: {_expectation(e)}"


def _expectation(e: Any) -> str:
    if e["type"] in ("extra_forbidden", "unexpected_keyword_argument"):
        return "this key is not known here; see the sample settings for those that are"
    message = str(e["msg"]).removeprefix("Value error, ")
    return message[0].lower() + message[1:]


def _short(value: Any) -> str:
    if isinstance(value, dict):
        return "{…}" if value else "nothing"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
