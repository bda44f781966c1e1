"""What the campaign needs around the page: a case in a thread, Chromium, paired viewers."""

from __future__ import annotations

import json
import re
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import axe_playwright_python
import httpx2 as httpx
from playwright.sync_api import Page, Playwright

from assistant.case.casefile import CaseFile
from assistant.clock import SystemClock
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.protocol.model import Protocol
from assistant.screen.view import Seen, View, view
from assistant.screen.web import WebScreen
from assistant.sitting import assembly
from assistant.sound.player import SilentPlayer

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
AXE = Path(axe_playwright_python.__file__).with_name("axe.min.js").read_text()


class LiveCase:
    """A whole session in a thread of its own, typed from the page, in real time."""

    def __init__(self, folder: Path) -> None:
        self.lines: list[str] = []
        self._ready = threading.Event()
        self.screen: WebScreen
        self._thread = threading.Thread(target=self._run, args=(folder,), daemon=True)
        self._thread.start()
        assert self._ready.wait(60), "the session did not start"

    def _run(self, folder: Path) -> None:
        words = assembly.language()
        clock = SystemClock()
        self.screen = WebScreen("127.0.0.1", 0, clock, words, self.lines.append)
        self.case = CaseFile.create(
            folder,
            load_yaml(protocol_path("warm-vertical"), Protocol),
            clock.now(),
            case_code="D-1",
            operator="Operator A",
            demo=True,
        )
        session = assembly.session(
            self.case,
            clock,
            SilentPlayer(),
            self.lines.append,
            words,
            None,
            [self.screen],
        )
        session.on_pass = self.screen.beat
        self.typed = session.typed
        self.screen.start(self.typed)
        self._ready.set()
        session.run(None)
        self.case.close()

    def expected(self) -> View:
        """The page as it must be now, but for what was heard and said."""
        words = self.screen._words
        return view(Seen(state=self.case.state), words, SystemClock().now())

    def end(self) -> None:
        """Leave, and stop serving."""
        self.typed.put(None)
        self._thread.join(10)
        self.screen.close()


def bare_screen() -> WebScreen:
    """A screen that is told things directly, without a session."""
    screen = WebScreen("127.0.0.1", 0, SystemClock(), assembly.language(), list[str]().append)
    screen.start(SimpleQueue())
    screen._hub._idle_s = lambda: 0.0
    return screen


@contextmanager
def browser_page(play: Playwright, width: int, height: int, **options: Any) -> Iterator[Page]:
    """A page of a fresh Chromium with a profile of its own."""
    with tempfile.TemporaryDirectory() as profile:
        context = play.chromium.launch_persistent_context(
            profile,
            executable_path=CHROMIUM,
            headless=True,
            args=FLAGS,
            viewport={"width": width, "height": height},
            **options,
        )
        try:
            page = context.pages[0]
            page.set_default_timeout(15_000)
            yield page
        finally:
            context.close()


def link_of(screen: WebScreen) -> str:
    """The one-time link that the terminal shows."""
    assert screen.codes is not None
    return f"http://127.0.0.1:{screen.port}/#{screen.codes.link}"


def pair(port: int, code: str) -> tuple[str, str]:
    """Pair without a browser: the cookie header and the key."""
    base = f"http://127.0.0.1:{port}"
    answer = httpx.post(f"{base}/pair", json={"code": code}, headers={"Origin": base})
    answer.raise_for_status()
    cookie = re.match(r"[^;]+", answer.headers["set-cookie"])
    assert cookie is not None
    return cookie.group(), answer.json()["key"]


def violations(page: Page) -> list[str]:
    """What axe-core complains about on the page as it stands.

    Evaluated through the debugging protocol, past the page's own content policy.
    """
    page.evaluate("async () => { await document.fonts.ready; }")
    session = page.context.new_cdp_session(page)
    session.send("Runtime.evaluate", {"expression": AXE})
    found = session.send(
        "Runtime.evaluate",
        {
            "expression": "axe.run(document).then(r => JSON.stringify(r.violations.map("
            "v => v.id + ': ' + v.nodes.map(n => n.target.join(' ') + ' ' + "
            "n.failureSummary).join('; '))))",
            "awaitPromise": True,
            "returnByValue": True,
        },
    )
    result: list[str] = json.loads(found["result"]["value"])
    return result


CHECKS = (Path(__file__).parent / "checks.js").read_text()
"""Functions for the page: ``crowded()``, ``letters()``."""


def crowded(page: Page) -> list[str]:
    """What overlaps, is cut off or stands outside the page."""
    found: list[str] = page.evaluate(f"() => {{ {CHECKS}; return crowded(); }}")
    return found


def letters(page: Page) -> dict[str, float | None]:
    """Font sizes in pixels of what must be read from afar; None where it is not shown."""
    found: dict[str, float | None] = page.evaluate(f"() => {{ {CHECKS}; return letters(); }}")
    return found


def wait_until(holds: Any, seconds: float, what: str) -> float:
    """Seconds until ``holds()`` is true.

    Raises:
        TimeoutError: it did not become true.
    """
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        if holds():
            return time.monotonic() - began
        time.sleep(0.01)
    raise TimeoutError(what)


def version(page: Page) -> int:
    """Number of the view that the page shows."""
    return int(page.evaluate("() => +(document.body.dataset.version ?? 0)"))


def cut_off(page: Page) -> None:
    """From now on the page hears nothing, as when a cable is pulled."""
    page.evaluate("() => { window.heardBefore = receive; window.receive = () => {}; }")


def join_again(page: Page) -> None:
    """The page hears again."""
    page.evaluate("() => { window.receive = window.heardBefore; }")
