"""Running applications on loopback, beside whatever else the process does."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from typing import Any

import uvicorn

from service.standin.partner import StandIn

LOOPBACK = "127.0.0.1"


class _Server(uvicorn.Server):
    """A server that leaves the signals to the process it runs in."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@asynccontextmanager
async def serving(
    partners: Mapping[str, StandIn], ports: Mapping[str, int] | None = None
) -> AsyncIterator[dict[str, str]]:
    """Serves stand-ins by name; yields their base URLs. Ports not given are any free ones."""
    async with running(partners, ports) as addresses:
        yield addresses
    for app in partners.values():
        app.shelf.close()


@asynccontextmanager
async def running(
    apps: Mapping[str, Any], ports: Mapping[str, int] | None = None
) -> AsyncIterator[dict[str, str]]:
    """Serves ASGI applications by name, without their lifespan; yields their base URLs."""
    sockets = {name: _bound((ports or {}).get(name, 0)) for name in apps}
    servers = [_server(app) for app in apps.values()]
    async with asyncio.TaskGroup() as group:
        for server, name in zip(servers, apps, strict=True):
            group.create_task(server.serve([sockets[name]]))
        try:
            while not all(server.started for server in servers):
                await asyncio.sleep(0.005)
            yield {name: _address(sockets[name]) for name in apps}
        finally:
            for server in servers:
                server.should_exit = True


def _server(app: Any) -> _Server:
    config = uvicorn.Config(app, log_level="critical", access_log=False, lifespan="off")
    return _Server(config)


def _bound(port: int) -> socket.socket:
    found = socket.socket()
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    found.bind((LOOPBACK, port))
    return found


def _address(bound: socket.socket) -> str:
    return f"http://{LOOPBACK}:{bound.getsockname()[1]}"
