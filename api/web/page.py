"""Routes of the page: plain files of our own, and the chart script out of its package. No request leaves the machine."""

import gzip
import importlib.util
from functools import cache
from html import escape
from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse

from api.web import asked
from api.web.problems import KINDS, Problem

ROUTER = APIRouter()
STATIC = Path(__file__).parent.parent / "static"
TYPES = {".html": "text/html; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8",
         ".svg": "image/svg+xml", ".webmanifest": "application/manifest+json", ".png": "image/png"}  # fmt: skip


@cache
def chart_script() -> Path | None:
    """Plotly's bundled script, found without importing the package (which costs a second and 100 MB)."""
    spec = importlib.util.find_spec("plotly")
    if spec is None or not spec.submodule_search_locations:
        return None
    path = Path(spec.submodule_search_locations[0]) / "package_data" / "plotly.min.js"
    return path if path.is_file() else None


def _file(request: Request, name: str) -> Response:
    path = STATIC / name
    if "/" in name or name.startswith(".") or path.suffix not in TYPES or not path.is_file():
        raise Problem("not-found")
    return asked.respond(request, path.read_bytes(), media_type=TYPES[path.suffix])


@ROUTER.get("/")
def index(request: Request) -> Response:
    return _file(request, "page.html")


@ROUTER.get("/service-worker.js")
def service_worker(request: Request) -> Response:
    """At the top, because a service worker may act only for pages below its own address."""
    return _file(request, "service-worker.js")


@ROUTER.get("/static/{name}")
def static(request: Request, name: str) -> Response:
    return _file(request, name)


@cache
def packed(path: Path) -> bytes:
    """The script made small (4.8 MB to 1.4 MB), once in the life of the process and only if somebody looks at a chart."""
    return gzip.compress(path.read_bytes(), 6, mtime=0)


@ROUTER.get("/plotly.js")
def chart(request: Request) -> Response:
    path = chart_script()
    if path is None:
        raise Problem("not-found", "The chart script is not installed: pip install plotly.")
    headers = {"Cache-Control": "max-age=604800", "Vary": "Accept-Encoding"}
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return FileResponse(path, media_type="text/javascript", headers=headers)
    return Response(packed(path), media_type="text/javascript", headers={**headers, "Content-Encoding": "gzip"})


@ROUTER.get("/problems")
def problem_kinds(request: Request) -> Response:
    """What each `type` of a problem document means."""
    rows = "".join(f'<dt id="{kind}">{escape(k.title)} ({k.status})</dt><dd>{escape(k.todo)}</dd>' for kind, k in KINDS.items())
    text = f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Problems</title><h1>What can go wrong</h1><dl>{rows}</dl></html>'
    return asked.respond(request, text.encode(), media_type="text/html; charset=utf-8")
