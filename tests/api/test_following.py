"""A worker hears what another process declares on the same database."""

import asyncio
from dataclasses import replace

from analytics.battery import Battery
from api.database import Database
from api.following import Declarations, follow
from api.ledger import SqlLedger
from tests.databases import database, postgres_url  # noqa: F401 - fixtures

HERON = Battery("heron", "agm", 95.0)


def test_only_what_is_new_is_told_and_once(database: Database) -> None:  # noqa: F811
    """What was declared before the first look is known from loading; a changed or a new declaration is told once."""
    ledger = SqlLedger(database)
    ledger.declare(HERON, 0, "settings")
    declarations = Declarations(database)
    assert declarations.news() == []
    assert declarations.news() == []
    ledger.declare(replace(HERON, rated_capacity_ah=80.0), 1, "the page")
    ledger.declare(Battery("owl", "gel", 60.0), 1, "the page")
    assert declarations.news() == ["heron", "owl"]
    assert declarations.news() == []


def test_an_empty_database_tells_its_first_battery(database: Database) -> None:  # noqa: F811
    """Where nothing was declared at the first look, the first declaration is told."""
    declarations = Declarations(database)
    assert declarations.news() == []
    SqlLedger(database).declare(HERON, 0, "the page")
    assert declarations.news() == ["heron"]


def test_following_tells_until_it_is_cancelled(database: Database) -> None:  # noqa: F811
    """The loop of a worker is told of another process's declaration soon after."""
    ledger = SqlLedger(database)

    async def work() -> list[str]:
        told: list[str] = []
        heard = asyncio.Event()

        def declared(battery_id: str) -> None:
            told.append(battery_id)
            heard.set()

        declarations = Declarations(database)
        declarations.news()
        following = asyncio.create_task(follow(declarations, declared, every_s=0.05))
        await asyncio.to_thread(ledger.declare, HERON, 0, "the page")
        async with asyncio.timeout(20):
            await heard.wait()
        following.cancel()
        return told

    assert asyncio.run(work()) == ["heron"]
