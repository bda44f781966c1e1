"""The page and its WebSocket: a starlette application, without the thread that runs it."""

from __future__ import annotations

import asyncio
import json
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from assistant.screen.codes import squares
from assistant.screen.guard import (
    GRANT_LIFE_S,
    Bucket,
    Codes,
    Grant,
    Pairing,
    Refusal,
    Right,
    clean_line,
    host_allowed,
    same_origin,
)
from assistant.screen.hub import BEAT_S, SLOW_S, Hub
from assistant.screen.messages import (
    MESSAGE_BYTES,
    MESSAGES,
    AskCodes,
    FilledIn,
    Remove,
    Tap,
    TypedLine,
)
from assistant.screen.places import Places

STATIC = Path(__file__).with_name("static")
MAX_VIEWERS = 150
PROTOCOL = "fillwarm"
"""The WebSocket subprotocol; the page's key follows it."""

_SECRET = 100
"""No secret or code is longer."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self' {ws}; "
    "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'"
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class Door:
    """Lets through only what is addressed to this server, and puts the headers on.

    Wraps the application. ``host_allowed`` guards against DNS rebinding; the origin of
    every WebSocket and of everything but a GET must be this server's own page.
    """

    def __init__(
        self, app: ASGIApp, names: frozenset[str], port: Callable[[], int], scheme: str
    ) -> None:
        self._app = app
        self._scheme = scheme
        self._names = names
        self._port = port

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] not in {"http", "websocket"}:
            return
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        host = hosts[0] if len(hosts) == 1 else ""
        wrong = None
        if not host_allowed(host, self._names, self._port()):
            wrong = "This address is not served here."
        elif not _reads_only(scope) and not same_origin(
            headers.get("origin"), host, self._scheme
        ):
            wrong = "Only the page of this server may do that."
        if scope["type"] == "websocket":
            if wrong is None:
                await self._app(scope, receive, send)
            else:
                await receive()
                await send({"type": "websocket.close", "code": 1008})
            return
        policy = POLICY.format(
            ws=f"{self._scheme.replace('http', 'ws')}://{host}" if wrong is None else "'self'"
        )

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = MutableHeaders(scope=message)
                given["Content-Security-Policy"] = policy
                for name, value in HEADERS.items():
                    given[name] = value
                for name in ("etag", "last-modified"):
                    del given[name]
            await send(message)

        app: ASGIApp = self._app
        if wrong is not None:
            app = PlainTextResponse(wrong, 403 if host else 400)
        await app(scope, receive, dressed)


def _reads_only(scope: Scope) -> bool:
    return scope["type"] == "http" and scope["method"] in {"GET", "HEAD"}


class Pages:
    """The handlers. ``take`` is given every line (empty: a tap); ``announce`` writes to the
    terminal, ``paired`` is called when the paired devices have changed, and ``address_of``
    tells the link for other devices ("" where they cannot reach this one); ``set_up`` takes a
    form that was filled in and gives the message that answers it."""

    def __init__(
        self,
        hub: Hub,
        pairing: Pairing,
        port: Callable[[], int],
        take: Callable[[str], None],
        announce: Callable[[Codes], None],
        paired: Callable[[], None],
        address_of: Callable[[Codes], str],
        places: Places,
        set_up: Callable[[FilledIn], str],
    ) -> None:
        self.hub = hub
        self.pairing = pairing
        self._port = port
        self._take = take
        self._announce = announce
        self._paired = paired
        self._address_of = address_of
        self._places = places
        self._set_up = set_up
        self.fingerprint = ""
        """Of the certificate, where the page is encrypted."""
        self._offered: Codes | None = None
        self._opened = 0
        self._connected: Counter[str] = Counter()

    async def index(self, request: Request) -> Response:
        """The page; for a device that is not paired there must be a code that holds."""
        if request.cookies.get(self._cookie) is None:
            self.renew()
        return FileResponse(STATIC / "index.html")

    def renew(self) -> None:
        """New codes, where the old ones have run out."""
        if (codes := self.pairing.fresh_codes(time.time())) is not None:
            self._announce(codes)

    async def who(self, request: Request) -> Response:
        """Whether this device is paired, and for what."""
        grant = self._grant(request.cookies, request.headers.get("x-key", ""))
        if grant is None:
            self.renew()
            return JSONResponse({"right": None}, 401)
        return JSONResponse({"right": grant.right.value})

    def ask_codes(self, *, show: bool = False) -> Codes:
        """Codes for one more device, for every page that may enter; ``show`` opens them
        there, as when they were asked for by voice."""
        self._offered = self.pairing.asked_codes(time.time())
        self._opened += show
        self.hub.tell_private()
        return self._offered

    def _private(self, cookies: dict[str, str], key: str) -> str | None:
        """What a viewer is told of codes and devices: nothing ("") if it only watches,
        None if it is not paired (any more)."""
        grant = self._grant(cookies, key)
        if grant is None or grant.right is not Right.ENTER:
            return None if grant is None else ""
        now_s, codes = time.time(), self._offered
        offered = None
        if codes is not None and now_s < codes.ends_s:
            link = self._address_of(codes)
            offered = {
                "watch": codes.watch,
                "enter": codes.enter,
                "link": link,
                "qr": squares(link) if link else (),
                "ends_s": round(codes.ends_s - now_s),
            }
        devices = [
            {
                "device": one.name,
                "number": one.number,
                "right": one.right.value,
                "address": one.address,
                "since": time.strftime("%H:%M", time.localtime(one.since_s)),
                "connected": self._connected[one.name] > 0,
                "this": one.name == grant.name,
            }
            for one in self.pairing.kept(now_s)
        ]
        told = {
            "opened": self._opened,
            "codes": offered,
            "devices": devices,
            "fingerprint": self.fingerprint,
        }
        return json.dumps({"kind": "pairing", **told})

    def _remove(self, device: str) -> None:
        if self.pairing.remove(device):
            self._paired()
            self.hub.tell_private()

    async def pair(self, request: Request) -> Response:
        """Give a code, get a cookie and a key."""
        if request.headers.get("content-type") != "application/json":
            return JSONResponse({"error": "malformed"}, 415)
        try:
            async with asyncio.timeout(SLOW_S):
                code = await _code_in(request)
        except (TimeoutError, ValueError):
            return JSONResponse({"error": "malformed"}, 400)
        address = request.client.host if request.client else ""
        outcome = self.pairing.attempt(code, address, time.time())
        if isinstance(outcome, Refusal):
            self.renew()
            told = {"error": outcome.reason, "wait_s": round(outcome.wait_s)}
            return JSONResponse(told, 429 if outcome.wait_s else 403)
        if self._offered is not None and outcome.right is Right.ENTER:
            self._offered = None  # one of them has served
        self._paired()
        self.hub.tell_private()
        response = JSONResponse({"right": outcome.right.value, "key": outcome.key})
        response.set_cookie(
            self._cookie,
            outcome.cookie,
            max_age=int(GRANT_LIFE_S),
            httponly=True,
            secure=request.url.scheme == "https",
            samesite="strict",
        )
        return response

    async def live(self, socket: WebSocket) -> None:
        """One viewer, from its handshake to its end."""
        asked = socket.scope.get("subprotocols", [])
        key = asked[1] if len(asked) == 2 and asked[0] == PROTOCOL else ""
        grant = self._grant(socket.cookies, key)
        if grant is None or self.hub.viewers >= MAX_VIEWERS:
            await socket.close(1008)
            return
        peer = socket.client or ("", 0)
        self._places.keep((peer[0], peer[1]))
        await socket.accept(PROTOCOL)
        self._connected[grant.name] += 1
        self.hub.tell_private()
        private = partial(self._private, socket.cookies, key)
        tell = asyncio.create_task(self.hub.tell(socket.send_text, private))
        hear = asyncio.create_task(self._hear(socket, key))
        try:
            await asyncio.wait({tell, hear}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._connected[grant.name] -= 1
            self.hub.tell_private()
        for task in (tell, hear):
            task.cancel()
        told, heard = await asyncio.gather(tell, hear, return_exceptions=True)
        code, reason = 1001, "the program has ended"
        if private() is None:
            code, reason = 1008, "this screen is no longer paired"
        if isinstance(heard, tuple):
            code, reason = heard
        elif isinstance(told, Exception):
            code, reason = 1011, "too slow"
        with suppress(RuntimeError, WebSocketDisconnect, TimeoutError):
            async with asyncio.timeout(BEAT_S):
                await socket.close(code, reason)
        # Whoever does not read would hold its place with what was not yet sent.
        asyncio.get_running_loop().call_later(BEAT_S, self._places.close, (peer[0], peer[1]))

    async def _hear(self, socket: WebSocket, key: str) -> tuple[int, str]:
        """Take the lines of one page; the code and reason with which to close it."""
        bucket = Bucket(per_s=5, burst=20)
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return 1000, ""
            text = message.get("text")
            if text is None:
                return 1003, "text only"
            if len(text) > MESSAGE_BYTES:
                return 1009, "message too long"
            if not bucket.takes(time.monotonic()):
                return 1008, "too many messages"
            try:
                asked = MESSAGES.validate_json(text)
            except ValidationError:
                return 1008, "unknown message"
            grant = self._grant(socket.cookies, key)
            if grant is None or grant.right is not Right.ENTER:
                return 1008, "this screen only watches"
            match asked:
                case Tap():
                    self._take("")
                case AskCodes():
                    self.ask_codes()
                case Remove(device=device):
                    self._remove(device)
                case FilledIn():
                    async with asyncio.timeout(SLOW_S):
                        await socket.send_text(self._set_up(asked))
                case TypedLine(text=text):
                    if line := clean_line(text):
                        self._take(line)

    def _grant(self, cookies: dict[str, str], key: str) -> Grant | None:
        cookie = cookies.get(self._cookie, "")
        if not cookie or not key or len(cookie) > _SECRET or len(key) > _SECRET:
            return None
        return self.pairing.grant_of(cookie, key, time.time())

    @property
    def _cookie(self) -> str:
        """Cookies know no ports: the name keeps two programs on one machine apart."""
        return f"{PROTOCOL}_{self._port()}"


async def _code_in(request: Request) -> str:
    """The code in a small JSON body.

    Raises:
        ValueError: it is not there, or the body is too long.
    """
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MESSAGE_BYTES:
            raise ValueError("too long")
    given = json.loads(body)
    code = given.get("code") if isinstance(given, dict) else None
    if not isinstance(code, str) or not 0 < len(code) <= _SECRET:
        raise ValueError("no code")
    return code


def application(
    pages: Pages, names: frozenset[str], port: Callable[[], int], scheme: str = "http"
) -> ASGIApp:
    """The whole application, guarded; ``scheme`` is that of its addresses."""
    routes = [
        Route("/", pages.index),
        Route("/who", pages.who),
        Route("/pair", pages.pair, methods=["POST"]),
        WebSocketRoute("/live", pages.live),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    app = Starlette(routes=routes)
    app.router.redirect_slashes = False
    return Door(app, names, port, scheme)
