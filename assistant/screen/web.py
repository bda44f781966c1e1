"""The screen in a browser: a :class:`~.port.Screen` served by a thread of its own.

The loop of the case only leaves the newest of everything in one place and rings a bell;
what is shown is worked out, and sent, by the thread. So no viewer, however slow or
hostile, can hold the case up.
"""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import uvicorn
from pydantic import TypeAdapter
from uvicorn.protocols.http.h11_impl import H11Protocol

from assistant.clock import Clock
from assistant.errors import EquipmentError, RecordUnwritable
from assistant.files.atomic import write_atomically
from assistant.screen import set_up
from assistant.screen.codes import half_blocks
from assistant.screen.guard import Codes, Grant, Pairing, Right, is_loopback, own_names
from assistant.screen.hub import Hub
from assistant.screen.messages import MESSAGE_BYTES, FilledIn
from assistant.screen.newest import Newest
from assistant.screen.places import Places
from assistant.screen.port import Entered
from assistant.screen.server import Pages, application
from assistant.screen.view import Seen, ShownTrouble, view
from assistant.words.grammar import Language
from assistant.words.sayings import load_wording

if TYPE_CHECKING:  # it loads a library that a plain page does without
    from assistant.screen.tls import Certificate

TOGETHER_S = 0.02
"""What is shown within this time is sent as one view."""

HEADERS_S = 5.0
"""A connection that has not asked for anything by then is closed."""

WHOLE_S = 15.0
"""No connection but a paired screen's lives longer: whoever does not read what was sent
would else hold its place for ever. The page with all its parts is 60 KB."""

SENT_AHEAD_BYTES = 32 * 1024
"""Send buffer of a connection: a slow viewer must not be many views behind."""

_GRANTS: TypeAdapter[tuple[Grant, ...]] = TypeAdapter(tuple[Grant, ...])


class WebScreen(Newest):
    """Serves the page from :meth:`start` to :meth:`close`.

    Args:
        host: address to listen on; one that is not loopback is open to the network.
        port: 0 takes any free one; afterwards the attribute ``port`` tells which.
        write: writes a line for the person at the terminal (codes, who was paired).
        grants: file where the hashes of paired devices' secrets are kept, so that they
            find the program again after a restart; None keeps them in memory.
        certificate: encrypts the page; None leaves it plain.
    """

    def __init__(
        self,
        host: str,
        port: int,
        clock: Clock,
        words: Language,
        write: Callable[[str], None],
        grants: Path | None = None,
        certificate: Certificate | None = None,
    ) -> None:
        super().__init__()
        self.host = host
        self.port = port
        self._clock = clock
        self._beat_s = time.monotonic()
        self.codes: Codes | None = None
        self._words = load_wording(words.folder, words.phrases)
        self._write = write
        self._grants = grants
        self._certificate = certificate
        self._scheme = "https" if certificate else "http"
        self._pairing = Pairing(_load(grants))
        self._told = {one.name: one for one in self._pairing.kept(time.time())}
        self._hub = Hub(self.idle_s)
        self._typed: SimpleQueue[Entered] = SimpleQueue()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._bell = asyncio.Event()
        self._ready = threading.Event()
        self._server: uvicorn.Server | None = None
        self._pages: Pages | None = None
        self._places = Places()
        self._thread: threading.Thread | None = None

    # -- what the case shows; nothing here waits ------------------------------

    def beat(self) -> None:
        """The loop of the case is at work; it says so many times a second."""
        self._beat_s = time.monotonic()

    def idle_s(self) -> float:
        """Seconds since the last :meth:`beat`: after many, the case is stuck."""
        return time.monotonic() - self._beat_s

    def _see(self, **new: Any) -> None:
        super()._see(**new)
        if self._loop is not None:
            with suppress(RuntimeError):  # it has just been closed
                self._loop.call_soon_threadsafe(self._bell.set)

    def ask_codes(self) -> None:
        """Show codes for one more device, on the pages that may enter and the terminal."""
        if self._loop is not None:
            with suppress(RuntimeError):  # it has just been closed
                self._loop.call_soon_threadsafe(self._show_codes)

    def _show_codes(self) -> None:
        if self._pages is None:
            return
        codes = self._pages.ask_codes(show=True)
        self._tell_codes(codes)
        if link := self._link(codes):
            self._write(half_blocks(link))
        for one in self._pairing.kept(time.time()):
            self._write(f"Screen {one.number}: {one.right.value}, from {one.address}.")

    # -- life -------------------------------------------------------------------

    def start(self, typed: SimpleQueue[Entered]) -> None:
        """Serve; lines entered on a page go into ``typed``.

        Raises:
            EquipmentError: the address cannot be listened on.
        """
        self._typed = typed
        listener = _listen(self.host, self.port)
        self.port = int(listener.getsockname()[1])
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._serve(listener)), daemon=True, name="screen"
        )
        self._thread.start()
        self._ready.wait(10)
        if self._certificate is not None:
            self._write(f"Its certificate (SHA-256): {self._certificate.fingerprint}")
        elif not is_loopback(self.host):
            self._write(
                "!! The screen is open to the network and not encrypted: whoever can listen "
                "in on that network can read along. Use a network of your own, or --screen-tls."
            )

    def close(self) -> None:
        """Tell every viewer that the program ends, and stop serving."""
        if self._loop is None or self._thread is None:
            return
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._hub.end)
        time.sleep(0.1)  # for the last message
        if self._server is not None:
            self._server.should_exit = True
        self._thread.join(5)

    async def _serve(self, listener: socket.socket) -> None:
        self._pages = pages = Pages(
            self._hub,
            self._pairing,
            lambda: self.port,
            self._take,
            self._tell_codes,
            self._paired,
            self._link,
            self._places,
            self._filled_in,
        )
        if self._certificate is not None:
            pages.fingerprint = self._certificate.fingerprint
        names = own_names(self.host, socket.gethostname())

        class Impatient(_Impatient):
            places = self._places

        config = uvicorn.Config(
            application(pages, names, lambda: self.port, self._scheme),
            http=Impatient,
            ws="websockets-sansio",
            ws_max_size=2 * MESSAGE_BYTES,
            ws_ping_interval=5,
            ws_ping_timeout=5,
            ws_per_message_deflate=False,
            lifespan="off",
            interface="asgi3",
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,
            timeout_keep_alive=5,
            ssl_certfile=self._certificate.chain if self._certificate else None,
            ssl_keyfile=self._certificate.key if self._certificate else None,
            timeout_graceful_shutdown=1,
        )
        self._loop = asyncio.get_running_loop()
        self._server = uvicorn.Server(config)
        pages.renew()
        building = asyncio.create_task(self._build())
        self._bell.set()
        self._ready.set()
        try:
            await self._server.serve(sockets=[listener])
        finally:
            building.cancel()

    async def _build(self) -> None:
        """Make and publish a view whenever something new was shown."""
        while True:
            await self._bell.wait()
            await asyncio.sleep(TOGETHER_S)
            self._bell.clear()
            try:
                made = view(self._seen, self._words, self._clock.now())
            except Exception as bad:
                # A page that stands still would look like a case that stands still.
                trouble = f"This screen cannot show the case ({type(bad).__name__})."
                self._write(f"!! {trouble}")
                seen = Seen(trouble=ShownTrouble(trouble, 0))
                made = view(seen, self._words, self._clock.now())
            self._hub.publish(made.model_dump_json())

    # -- from the page ------------------------------------------------------------

    def _take(self, line: str) -> None:
        self._typed.put(line)

    def _filled_in(self, filled: FilledIn) -> str:
        answer, told = set_up.check(filled.set_up, self._seen.state, self._words)
        if filled.begin and told is not None:
            self._typed.put(told)
            answer = answer.model_copy(update={"taken": True})
        return answer.model_dump_json()

    def _tell_codes(self, codes: Codes) -> None:
        self.codes = codes
        here = self._address()
        if codes.link and is_loopback(self.host):
            self._write(f"Screen, on this machine, once: {here}#{codes.link}")
        self._write(
            f"Screen at {here} for ten minutes with code "
            f"{_spaced(codes.watch)} (to watch) or {_spaced(codes.enter)} (to enter too, once)."
        )

    def _address(self) -> str:
        """Where another device finds the page; "everywhere" is no address to type."""
        host = this_machine() if self.host in {"0.0.0.0", "::"} else self.host
        shown = f"[{host}]" if ":" in host else host
        return f"{self._scheme}://{shown}:{self.port}/"

    def _link(self, codes: Codes) -> str:
        """The link for another device; "" where none can reach this one."""
        if is_loopback(self.host) or not codes.link:
            return ""
        return f"{self._address()}#{codes.link}"

    def _paired(self) -> None:
        """The paired devices have changed."""
        kept = self._pairing.kept(time.time())
        known, self._told = self._told, {one.name: one for one in kept}
        for one in kept:
            if one.name not in known:
                may = "and may enter" if one.right is Right.ENTER else "to watch"
                self._write(f"Screen {one.number}, at {one.address}, was paired {may}.")
        for name, one in known.items():
            if name not in self._told:
                self._write(f"Screen {one.number}, at {one.address}, was removed.")
        if self._grants is not None:
            try:
                _save(self._grants, kept)
            except (OSError, RecordUnwritable) as bad:
                self._write(f"!! The screen has to be paired again after a restart: {bad}")


class _Impatient(H11Protocol):
    """HTTP that waits for ever neither for a request nor for its answer to be read."""

    places = Places()

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._peer = (self.client or ("", id(self)))[:2]
        self.places.take(self._peer, transport.abort)
        self.loop.call_later(HEADERS_S, self._give_up, transport)
        self.loop.call_later(WHOLE_S, self._end, transport)

    def connection_lost(self, exc: Exception | None) -> None:
        self.places.leave(self._peer)
        super().connection_lost(exc)

    def _give_up(self, transport: Any) -> None:
        if self.cycle is None and transport.get_protocol() is self:
            transport.abort()

    def _end(self, transport: Any) -> None:
        if transport.get_protocol() is self:
            transport.abort()


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, _, _, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SENT_AHEAD_BYTES)
            listener.bind(address)
            listener.listen(256)
        except OSError:
            listener.close()
            raise
    except (OSError, OverflowError, UnicodeError) as bad:
        why = getattr(bad, "strerror", None) or "it is no address"
        raise EquipmentError(
            f"The screen cannot be served at {host} port {port} ({why}); choose another one "
            "with --screen-host or --screen-port."
        ) from bad
    return listener


def _load(path: Path | None) -> tuple[Grant, ...]:
    """Grants of an earlier run; none where the file is missing or is not one."""
    if path is None:
        return ()
    try:
        return _GRANTS.validate_json(path.read_bytes())
    except (OSError, ValueError):
        return ()


def _save(path: Path, grants: tuple[Grant, ...]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomically(path, _GRANTS.dump_json(grants))  # readable by its owner only


def this_machine() -> str:
    """This machine's address on its network, else its name; nothing is sent to find it."""
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        asked.connect(("192.0.2.1", 9))  # an address kept for documents (RFC 5737)
        return str(asked.getsockname()[0])
    return socket.gethostname()


def _spaced(code: str) -> str:
    half = len(code) // 2
    return f"{code[:half]} {code[half:]}"
