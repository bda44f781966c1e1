"""A hundred viewers of one case, one of them slow: who gets what, and when."""

from __future__ import annotations

import asyncio
import json
import socket
import statistics
import time
from collections.abc import Sequence
from typing import Any

from websockets.asyncio.client import connect

from assistant.prompt.prompts import Prompt, Urgency
from assistant.screen.places import UNPAIRED_OF_ONE
from assistant.screen.web import WebScreen
from screen import room
from screen.states import scenes

CHANGES = 30


def summary(seconds: Sequence[float]) -> dict[str, float]:
    """Median, 95th percentile and largest, in ms."""
    ordered = sorted(seconds)
    return {
        "n": len(ordered),
        "median_ms": round(1000 * statistics.median(ordered), 1),
        "p95_ms": round(1000 * ordered[int(0.95 * (len(ordered) - 1))], 1),
        "max_ms": round(1000 * ordered[-1], 1),
    }


def run(count: int, report: Any) -> None:
    """``count`` viewers and a slow one watch :data:`CHANGES` changes."""
    screen = room.bare_screen()
    assert screen.codes is not None
    cookie, key = room.pair(screen.port, screen.codes.watch)
    slow = _slow_viewer(screen.port, cookie, key)
    arrivals, last, shown_s = asyncio.run(_watch(screen, count, cookie, key))
    report.figures[f"change to {count} viewers"] = summary(arrivals)
    report.figures["show_prompts, in the loop of the case"] = summary(shown_s)
    report.check(
        f"{count} viewers end with the same view", len(set(last)) == 1 and "29" in last[0]
    )
    report.check("each viewer saw changes", len(arrivals) >= count * CHANGES // 2)
    slow.close()
    screen.close()


def _slow_viewer(port: int, cookie: str, key: str) -> socket.socket:
    """A paired viewer that never reads."""
    slow = socket.create_connection(("127.0.0.1", port))
    slow.sendall(
        f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        f"Cookie: {cookie}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        f"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
        f"Sec-WebSocket-Protocol: fillwarm, {key}\r\n\r\n".encode()
    )
    return slow


async def _watch(
    screen: WebScreen, count: int, cookie: str, key: str
) -> tuple[list[float], list[str], list[float]]:
    arrivals: list[float] = []
    last = [""] * count
    made: dict[str, float] = {}
    final = f"change {CHANGES - 1}"
    base = f"127.0.0.1:{screen.port}"

    # All come from one address, which has only so many places until they are known.
    coming = asyncio.Semaphore(UNPAIRED_OF_ONE // 2)

    async def viewer(number: int) -> None:
        async with coming:
            link = await connect(
                f"ws://{base}/live",
                origin=f"http://{base}",  # type: ignore[arg-type]
                additional_headers={"Cookie": cookie},
                subprotocols=["fillwarm", key],  # type: ignore[list-item]
                proxy=None,
            )
        async with link:
            ready.release()
            async for text in link:
                told = json.loads(text)
                if told["kind"] != "view":
                    continue
                last[number] = " ".join(told["view"]["said"])
                if last[number] in made:
                    arrivals.append(time.monotonic() - made[last[number]])
                if last[number] == final:
                    return

    ready = asyncio.Semaphore(0)
    state = next(s.state for s in scenes() if s.name == "backfill")
    screen.show_step(state)
    viewers = [asyncio.create_task(viewer(i)) for i in range(count)]
    async with asyncio.timeout(60):
        for _ in range(count):
            await ready.acquire()
    shown_s = []
    for number in range(CHANGES):
        text = f"change {number}"
        made[text] = began = time.monotonic()
        screen.show_prompts([Prompt(text, Urgency.READ_BACK)])
        shown_s.append(time.monotonic() - began)
        await asyncio.sleep(0.15)
    async with asyncio.timeout(20):
        await asyncio.gather(*viewers)
    return arrivals, last, shown_s
