"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

SETTINGS = Annotated[Path, typer.Option("--settings", "-s", help="the settings file", envvar="RESTVOLT_SETTINGS")]
WHERE = Path("restvolt.toml")
