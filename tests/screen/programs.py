"""The real command, with a screen, stopped, killed and started again under a browser."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Playwright

from screen.room import browser_page, version, wait_until

SHOWN_WITHIN_S = 3.0


class Program:
    """``fillwarm run --typed --screen`` as a process, with what it printed."""

    def __init__(self, folder: Path, port: int = 0) -> None:
        home = {"XDG_DATA_HOME": str(folder), "XDG_CONFIG_HOME": str(folder)}
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "assistant", "run", "--typed", "--screen"),
                *("--screen-port", str(port), "--case", str(folder / "case")),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=os.environ | home | {"PYTHONUNBUFFERED": "1"},
            cwd=Path(__file__).parents[2],
        )
        self.printed = ""
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.printed += line

    def find(self, pattern: str) -> str:
        """The first group of a pattern in what was printed, once it is there."""
        wait_until(lambda: re.search(pattern, self.printed), 60, f"{pattern}: {self.printed}")
        found = re.search(pattern, self.printed)
        assert found is not None
        return found.group(1)

    def kill(self) -> None:
        """As a power cut would."""
        self.process.kill()
        self.process.wait(10)


def run(play: Playwright, report: Any) -> None:
    """A stopped program and a killed one show within 3 s; a restarted one is found."""
    with (
        tempfile.TemporaryDirectory() as name,
        browser_page(play, 1280, 720) as page,
    ):
        folder = Path(name)
        program = Program(folder)
        try:
            page.goto(program.find(r"once: (http\S+)"))
            port = int(program.find(r"127\.0\.0\.1:(\d+)/#"))
            wait_until(lambda: version(page) > 0, 20, "no view")
            page.keyboard.press("1")
            page.keyboard.type("1")
            page.keyboard.press("Enter")
            wait_until(lambda: "Canals" in page.inner_text("#step"), 10, "the tooth")
            report.check("a typed tooth reaches the real program", True)

            os.kill(program.process.pid, signal.SIGSTOP)
            held = wait_until(lambda: "LOST" in page.inner_text("#lost"), 10, "no banner")
            os.kill(program.process.pid, signal.SIGCONT)
            report.figures["stopped program shows after, s"] = round(held, 2)
            report.check("a stopped program shows", held <= SHOWN_WITHIN_S, f"{held:.2f} s")
            back = wait_until(lambda: not page.inner_text("#lost"), 10, "not back")
            report.figures["stopped program is back after, s"] = round(back, 2)

            began = time.monotonic()
            program.kill()
            wait_until(lambda: "LOST" in page.inner_text("#lost"), 10, "no banner")
            killed = time.monotonic() - began
            report.figures["killed program shows after, s"] = round(killed, 2)
            report.check("a killed program shows", killed <= SHOWN_WITHIN_S, f"{killed:.2f} s")
            report.check(
                "the banner says when it was last seen",
                re.search(r"last seen \d\d:\d\d:\d\d", page.inner_text("#lost")) is not None,
            )
            page.keyboard.press("Escape")
            page.keyboard.press("W")
            sent = page.inner_text("#sent")
            report.check("nothing is sent into the void", "NOT SENT" in sent, sent)

            began = time.monotonic()
            program = Program(folder, port)
            program.find(r"Screen at (http)")
            served = time.monotonic()
            wait_until(lambda: not page.inner_text("#lost"), 30, "not found again")
            report.figures["restarted program serves after, s"] = round(served - began, 2)
            report.figures["and is found again after, s"] = round(time.monotonic() - served, 2)
            here = wait_until(lambda: "Canals" in page.inner_text("#step"), 5, "the step")
            report.check("it goes on at the same step, without pairing again", here < 5)
            page.keyboard.press("/")
            page.keyboard.type("single")
            page.keyboard.press("Enter")
            wait_until(lambda: "Rubber dam" in page.inner_text("#step"), 10, "the canals")
            report.check("and takes what is typed", True)
        finally:
            program.kill()
