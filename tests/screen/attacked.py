"""How long a typed line takes to be stored while connections that never read come and stay."""

from __future__ import annotations

import random
import socket
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx2 as httpx

from screen import crowd, room

LINES = 60
HELD = 150


def run(report: Any) -> None:
    """The same lines, idle and under attack; a paired screen asks meanwhile."""
    with tempfile.TemporaryDirectory() as folder:
        case = room.LiveCase(Path(folder) / "case")
        assert case.screen.codes is not None
        port = case.screen.port
        cookie, key = room.pair(port, case.screen.codes.watch)
        idle = _lines(case)
        over, answered = threading.Event(), list[bool]()
        threads = [
            threading.Thread(target=_mute, args=(port, over, random.Random(1)), daemon=True),
            threading.Thread(target=_mute, args=(port, over, random.Random(2)), daemon=True),
            threading.Thread(
                target=_ask, args=(port, cookie, key, over, answered), daemon=True
            ),
        ]
        for thread in threads:
            thread.start()
        time.sleep(1)
        hit = _lines(case)
        over.set()
        for thread in threads:
            thread.join(10)
        case.end()
    report.figures["line to record, idle"] = crowd.summary(idle)
    report.figures["line to record, under attack"] = crowd.summary(hit)
    report.figures["a paired screen was answered"] = f"{sum(answered)} of {len(answered)}"
    slower = sorted(hit)[LINES // 2] / sorted(idle)[LINES // 2]
    report.check("under attack the median is within twice idle", slower <= 2, f"{slower:.2f}")


def _lines(case: room.LiveCase) -> list[float]:
    took = []
    for _ in range(LINES):
        head, began = case.case.head_hash, time.monotonic()
        case.typed.put("where are we")
        room.wait_until(lambda head=head: case.case.head_hash != head, 10, "not stored")
        took.append(time.monotonic() - began)
        time.sleep(0.05)
    return took


def _mute(port: int, over: threading.Event, chance: random.Random) -> None:
    """Connections that ask for the page and never read it, ask half, or say nothing."""
    host = f"Host: 127.0.0.1:{port}\r\n".encode()
    asked = (
        b"GET /static/screen.js HTTP/1.1\r\n" + host + b"\r\n",
        b"GET / HT",
        b"POST /pair HTTP/1.1\r\n" + host + b"Content-Length: 999\r\n\r\n",
        b"",
    )
    held: list[socket.socket] = []
    while not over.is_set():
        with suppress(OSError):
            one = socket.create_connection(("127.0.0.1", port), 1)
            held.append(one)
            one.sendall(chance.choice(asked))
        if len(held) > HELD:
            held.pop(0).close()
        time.sleep(0.004)
    for one in held:
        one.close()


def _ask(port: int, cookie: str, key: str, over: threading.Event, answered: list[bool]) -> None:
    headers = {"X-Key": key, "Cookie": cookie}
    while not over.is_set():
        try:
            asked = httpx.get(f"http://127.0.0.1:{port}/who", headers=headers, timeout=3)
            answered.append(asked.status_code == 200)
        except httpx.HTTPError:
            answered.append(False)
        time.sleep(0.1)
