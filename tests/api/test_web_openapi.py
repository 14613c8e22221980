"""The OpenAPI document: checked in, and true. It is compared with the app, and every route is tried with every role against it."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from api.tokens import ROLES
from api.web.openapi import document
from api.web.settings import WebSettings
from tests.fakes.web_house import bearer, house_of
from tests.fakes.web_scene import NOW_MS, fleet
from tests.fakes.web_server import served

CHECKED_IN = Path(__file__).parent.parent.parent / "api" / "openapi.json"


def test_the_checked_in_document_is_the_apps() -> None:
    """If the API changes, so must api/openapi.json: run `python -m api.web.openapi`."""
    app, _ = house_of(fleet())
    assert CHECKED_IN.read_text() == document(app)


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A running service with wide limits, so that the fuzzer is not told to wait."""
    app, _ = house_of(fleet(), WebSettings(open_on_loopback=False, requests_per_minute=10_000_000, failures_per_minute=10_000_000))
    with served(app) as url:
        yield url


# The stream has no end, so it is tried in test_web_live.py.
SCHEMA = schemathesis.openapi.from_dict(json.loads(CHECKED_IN.read_text())).exclude(path="/api/v1/stream")
HOLDS = [not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance, response_schema_conformance]


KNOWN = {"battery_id": "heron", "alert_id": f"heron:forecast_low:{NOW_MS - 14 * 3_600_000}", "subscription_id": "0123456789abcdef"}
"""Besides ids that the fuzzer makes up, those that lead somewhere."""


@SCHEMA.parametrize()
@settings(max_examples=6, deadline=None, derandomize=True, database=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
def test_every_route_keeps_to_its_description_for_every_role(case: schemathesis.Case, address: str) -> None:
    """Whatever is sent, by nobody or by any role: no fault of ours, and status, type, headers and body are as described."""
    known = {name: KNOWN[name] for name in case.path_parameters or {}}
    for parameters in (case.path_parameters, known) if known else (None,):
        case.path_parameters = parameters or {}
        for role in (None, *ROLES):
            answer = case.call_and_validate(base_url=address, headers={} if role is None else bearer(role), checks=HOLDS)
            assert role is not None or answer.status_code in (200, 401, 422) or case.path == "/api/v1/session"
