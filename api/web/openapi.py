"""The OpenAPI document as text, for the copy that is checked in: `python -m api.web.openapi` writes it anew."""

from pathlib import Path
from typing import Any

import orjson
from fastapi import FastAPI

FILE = Path(__file__).parent.parent / "openapi.json"


def document(app: FastAPI) -> str:
    """Sorted and indented, so that a change shows as a small difference."""
    return orjson.dumps(app.openapi(), option=orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS | orjson.OPT_APPEND_NEWLINE).decode()


def main() -> None:
    from api.live import Live
    from api.tokens import Tokens
    from api.web.app import create_app
    from api.web.settings import WebSettings

    nothing: Any = None  # the document needs no store
    app = create_app(history=nothing, ledger=nothing, settings=WebSettings(), now_ms=int, live=Live(), tokens=Tokens())
    FILE.write_text(document(app))


if __name__ == "__main__":
    main()
