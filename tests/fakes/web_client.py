"""Asking the app without a network: one request after the other, from any address."""

import asyncio
from typing import Any

import httpx
from fastapi import FastAPI


class Client:
    """`address` is where the request seems to come from."""

    def __init__(
        self, app: FastAPI, address: str = "203.0.113.9", headers: dict[str, str] | None = None, base_url: str = "http://198.51.100.1"
    ) -> None:
        self.app, self.address, self.headers, self.base_url = app, address, headers or {}, base_url

    def __call__(self, method: str, path: str, **more: Any) -> httpx.Response:
        return asyncio.run(self._ask(method, path, more))

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self("GET", path, **more)

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self("POST", path, **more)

    def put(self, path: str, **more: Any) -> httpx.Response:
        return self("PUT", path, **more)

    async def _ask(self, method: str, path: str, more: dict[str, Any]) -> httpx.Response:
        transport = httpx.ASGITransport(app=self.app, client=(self.address, 40_000), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=self.base_url, headers=self.headers) as client:
            return await client.request(method, path, **more)
