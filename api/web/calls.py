"""Calling what the root handed in, whether it is a plain function (then in a thread) or a coroutine function."""

import inspect
from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool


async def awaited(function: Callable[..., Any], *args: Any) -> Any:
    if inspect.iscoroutinefunction(function):
        return await function(*args)
    result = await run_in_threadpool(function, *args)
    return await result if inspect.isawaitable(result) else result
