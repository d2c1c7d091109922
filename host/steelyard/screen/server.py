"""The web server of the screens: one application behind the gate."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Final

import uvicorn
from fastapi import FastAPI
from nicegui import Client, ui
from nicegui import app as pages
from starlette.responses import FileResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles

from steelyard.errors import ServingError
from steelyard.screen.access.gate import Doors, Gate
from steelyard.screen.access.pair_routes import pair_routes
from steelyard.screen.access.pairing import PairingDesk
from steelyard.screen.access.sessions import SessionRegister
from steelyard.screen.desk import Desk
from steelyard.screen.live.door import Door
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.book import add_pages
from steelyard.screen.pages.frame import STOP_PATH
from steelyard.screen.visit.wire_feed import WireFeed

SOCKET_LIMIT_BYTES: Final = 256 * 1024
DISPLAY_FOLDER: Final = Path(str(resources.files("steelyard.screen") / "display"))
DESK_FOLDER: Final = Path(str(resources.files("steelyard.screen") / "desk_files"))


@dataclass
class Screens:
    """Everything that is served for one machine.

    ``encrypted``: browsers come by HTTPS, through a proxy that takes it off.
    """

    desk: Desk
    wire: WireFeed
    doors: Doors = field(default_factory=Doors)
    sessions: SessionRegister = field(default_factory=SessionRegister)
    pairing: PairingDesk = field(default_factory=PairingDesk)
    encrypted: bool = False

    def application(self) -> Gate:
        """The whole, as an ASGI application.  Once in a process: the UI library knows one."""
        door = Door(self.desk.feed, self.desk.display_view)

        @asynccontextmanager
        async def lifespan(app: FastAPI) -> AsyncIterator[None]:
            work = (self.desk.feed.run(), self.wire.run(), self.desk.visits.run(), door.run())
            tasks = [asyncio.ensure_future(one) for one in work]
            yield
            for task in tasks:
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await task

        app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, lifespan=lifespan)
        app.router.routes += [
            *pair_routes(self.pairing, self.sessions, self.encrypted),
            Route("/display", _display_page),
            Mount("/display", StaticFiles(directory=DISPLAY_FOLDER)),
            Mount("/desk", StaticFiles(directory=DESK_FOLDER)),
            Route(STOP_PATH, self._stop, methods=["POST"]),
            WebSocketRoute("/live/display", door.serve),
            WebSocketRoute("/live/operator", door.serve),
        ]
        add_pages(Bench(self.desk, self.sessions, self.pairing, self.doors, door))
        ui.run_with(
            app,
            title="Steelyard",
            language="en-GB",
            dark=None,
            tailwind=False,
            show_welcome_message=False,
            reconnect_timeout=10.0,
        )
        pages.exception_handler(404)(_no_such_page)
        return Gate(app, self.sessions, self.doors, _page_owner)

    async def _stop(self, request: object) -> Response:
        self.desk.stop()
        return Response(status_code=204)


async def _display_page(request: object) -> Response:
    return FileResponse(DISPLAY_FOLDER / "display.html")


async def _no_such_page(request: object, error: object) -> Response:
    return FileResponse(DESK_FOLDER / "lost.html", 404)


def _page_owner(page_id: str) -> str | None:
    """Digest of the session for which the UI library made a page; None: no such page."""
    client = Client.instances.get(page_id)
    if client is None:
        return None
    session = client.request.scope.get("state", {}).get("session")
    return session.digest if session else None


def web_server(screens: Screens, host: str, number: int) -> uvicorn.Server:
    """A server that is ready to run in an event loop."""
    config = uvicorn.Config(
        screens.application(),
        host=host,
        port=number,
        ws="websockets-sansio",
        ws_max_size=SOCKET_LIMIT_BYTES,
        ws_per_message_deflate=False,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=2,
    )
    return uvicorn.Server(config)


async def serve(server: uvicorn.Server) -> None:
    """Serve until told to stop.

    Raises:
        ServingError: the address is taken or not this computer's.
    """
    try:
        await server.serve()
    except SystemExit as error:  # the library's way of saying that it could not bind
        host, number = server.config.host, server.config.port
        raise ServingError(
            f"Port {number} on {host} cannot be served.",
            "Are the screens open already? Otherwise give another --number, or 0 for any free one.",
        ) from error
