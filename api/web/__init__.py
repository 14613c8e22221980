"""The web: JSON under /api/v1, the page, and what whoever runs the service needs. Reads ports only; knows no ingest."""

from api.web.app import create_app
from api.web.house import House, Receipt
from api.web.settings import WebSettings

__all__ = ["House", "Receipt", "WebSettings", "create_app"]
