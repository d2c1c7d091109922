"""The page where a browser is paired: a plain form, which works without any script."""

from __future__ import annotations

import html
from importlib import resources
from typing import Final
from urllib.parse import parse_qs

from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from steelyard.errors import PairingDelayError, PairingError
from steelyard.screen.access.pairing import PairingDesk
from steelyard.screen.access.roles import Role
from steelyard.screen.access.sessions import COOKIE, LIFE_SECONDS, SessionRegister

HOME: Final = {Role.OPERATOR: "/", Role.DISPLAY: "/display"}
LABEL_LIMIT: Final = 40
_FOLDER: Final = resources.files("steelyard.screen.access") / "pair_page"


def pair_routes(desk: PairingDesk, sessions: SessionRegister, encrypted: bool) -> list[Route]:
    """Routes below ``/pair``.  ``encrypted``: browsers reach the server by HTTPS only."""

    async def show(request: Request) -> Response:
        return _page("")

    async def pair(request: Request) -> Response:
        try:
            body = parse_qs((await request.body()).decode("utf-8", "replace"), max_num_fields=5)
        except (ClientDisconnect, ValueError):
            return _page("That could not be understood.", status=400)
        address = request.client.host if request.client else ""
        label = body.get("label", [""])[0].strip()[:LABEL_LIMIT] or address
        try:
            role = desk.redeem(body.get("code", [""])[0][:40], address)
        except PairingDelayError as error:
            return _page(str(error), status=429, retry_seconds=error.seconds)
        except PairingError as error:
            return _page(str(error), status=403)
        _, cookie = sessions.begin(role, label)
        response = RedirectResponse(HOME[role], 303)
        response.set_cookie(
            COOKIE,
            cookie,
            max_age=int(LIFE_SECONDS[role]),
            httponly=True,
            samesite="strict",
            secure=encrypted,
        )
        return response

    async def style(request: Request) -> Response:
        text = (_FOLDER / "pair.css").read_text(encoding="utf-8")
        return Response(text, media_type="text/css")

    return [
        Route("/pair", show, methods=["GET"]),
        Route("/pair", pair, methods=["POST"]),
        Route("/pair/pair.css", style, methods=["GET"]),
    ]


def _page(error: str, status: int = 200, retry_seconds: float = 0.0) -> Response:
    text = (_FOLDER / "pair.html").read_text(encoding="utf-8")
    shown = f'<p class="refused" role="alert">{html.escape(error)}</p>' if error else ""
    response = HTMLResponse(text.replace("<!-- refusal -->", shown), status)
    if retry_seconds:
        response.headers["retry-after"] = str(int(retry_seconds) + 1)
    return response
