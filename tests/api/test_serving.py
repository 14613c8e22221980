"""The web server's end: nobody is left hanging on a socket that no one will close."""

import asyncio

import uvicorn

from api.serving import Server


async def _no_app(scope: object, receive: object, send: object) -> None:
    raise AssertionError("nothing is asked here")


class Late(asyncio.Protocol):
    """A connection that the server has on its list and that does not go when it is told to."""

    def __init__(self, server: Server) -> None:
        self._connections = server.server_state.connections

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport
        self._connections.add(self)  # type: ignore[arg-type]

    def connection_lost(self, exc: Exception | None) -> None:
        self._connections.discard(self)

    def shutdown(self) -> None:
        pass


def test_a_connection_that_does_not_go_is_torn_off_at_the_end() -> None:
    """After the time for answers on their way, whoever is still connected sees the end, and no socket stays open."""

    async def work() -> None:
        server = Server(uvicorn.Config(_no_app, log_config=None, lifespan="off", timeout_graceful_shutdown=0))
        server.config.load()
        server.lifespan, server.servers = server.config.lifespan_class(server.config), []
        listener = await asyncio.get_running_loop().create_server(lambda: Late(server), "127.0.0.1", 0)
        async with listener:
            reader, writer = await asyncio.open_connection(*listener.sockets[0].getsockname())
            while not server.server_state.connections:
                await asyncio.sleep(0.01)
            await server.shutdown()
            assert not server.server_state.connections
            async with asyncio.timeout(5):
                assert await reader.read() == b""
            writer.close()

    asyncio.run(work())
