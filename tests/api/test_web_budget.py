"""The budget over HTTP: the same answer as the command line, mistakes as problems, planned against measured."""

import tomllib

import pytest

from tests.api.test_plan import GOOD
from tests.fakes.web_client import Client
from tests.fakes.web_house import bearer, house_of
from tests.fakes.web_scene import van


@pytest.fixture
def client() -> Client:
    return Client(house_of(van())[0], headers=bearer("read"))


def test_a_plan_is_worked_out(client: Client) -> None:
    """Watt-hours, ampere-hours for each chemistry and sentences come back."""
    answer = client.post("/api/v1/budget", json=tomllib.loads(GOOD))
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["daily_wh"] > 0
    assert set(told["required_ah"]) == {"flooded", "efb", "agm", "gel", "lifepo4"}
    assert told["sentences"]
    assert told["measured"] is None


def test_what_was_used_is_compared_with_the_plan(client: Client) -> None:
    """With a battery's id a sentence says how its history compares."""
    battery_id = client.get("/api/v1/batteries").json()["batteries"][0]["battery"]["id"]
    told = client.post(f"/api/v1/budget?battery={battery_id}", json=tomllib.loads(GOOD)).json()
    assert isinstance(told["measured"], str)


def test_a_mistake_in_the_plan_is_a_problem_that_names_it(client: Client) -> None:
    """25 hours a day: a problem document with key, value and expectation."""
    plan = tomllib.loads(GOOD)
    plan["consumer"][0]["hours"] = 25
    answer = client.post("/api/v1/budget", json=plan)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("application/problem+json")
    assert "hours = 25" in answer.text
