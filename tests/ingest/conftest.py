"""Tests that are coroutines run on asyncio."""

import pytest


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"
