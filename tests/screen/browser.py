"""Does the page do what it should, in a real browser? One command; minutes, and no test.

A whole case is entered by keyboard alone, and by touch alone while a second screen
watches, and followed live; every kind of page is looked at in four sizes and three themes,
checked for overlaps, for the size of letters and by axe-core, and pictured, also as people
see it whose colour vision differs; a hundred viewers watch the same case; the program is
stopped, killed and started again. Prints a table, writes ``report.json`` and the pictures,
and exits with 1 if a check failed.

Needs: ``pip install playwright axe-playwright-python websockets httpx2`` and Debian's
``chromium``. Times are of this machine; none of them decides but the three seconds within
which a dead program must show.
"""

from __future__ import annotations

import argparse
import base64
import json
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from playwright.sync_api import Page, Playwright, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.clock import SystemClock
from assistant.progress.state import CaseState
from assistant.protocol.moment import Moment
from assistant.screen.view import ShownTrouble
from assistant.screen.web import WebScreen
from screen import attacked, crowd, programs, room, set_up_form, touched
from screen.room import LiveCase, browser_page, crowded, letters, version, wait_until
from screen.states import Scene, scenes

SIZES = ((1920, 1080), (1280, 720), (1024, 768), (800, 480))
THEMES = ("dark", "bright", "contrast")
TABLET = (1024, 768)
VISIONS = ("deuteranopia", "protanopia", "achromatopsia")
FAR, NEAR = 0.0584 / 0.72, 0.0584 / 0.72 * 2 / 3
"""Font sizes in heights of the page by the rule of assistant/screen/view.py."""

TOLERANCE = 0.97

NEAR_PX = (
    "() => { const e = document.createElement('i'); e.style.cssText ="
    " 'position:absolute;height:var(--near)'; document.body.append(e);"
    " const px = e.getBoundingClientRect().height; e.remove(); return px; }"
)
"""What the page takes for letters that are read at 2 m."""

CASE = (
    # What is typed or pressed; a single capital or "Space" is a key, the rest is typed.
    *(
        "11",
        "single",
        "Y",
        "Y",
        "Y",
        "none",
        "22",
        "incisal edge",
        "no reading",
        "size 40",
        "point oh six",
        "N",
        "9",
    ),
    *(
        "Y",
        "size 40",
        "point oh six",
        "22.5",
        "Y",
        "accepted",
        "10",
        "13",
        "18",
        "correction 17",
        "17",
    ),
    *("dry", "22", "22.2", "22.1", "C", "C", "Y", "Y", "P", "P", "D", "9"),
    *(
        "Space",
        "wait 1.2",
        "Space",
        "12.5",
        "12.5",
        "Space",
        "wait 2",
        "Space",
        "Space",
        "hold",
    ),
    *("Space", "wait 0.6", "Space", "17", "17", "Space", "hold", "none"),
    *("3", "Space", "hold", "5", "Space", "hold", "Y", "D", "D", "accepted"),
    *("sign the note", "C"),
)
"""A whole case; values are too deep once, a press is let go once."""


class Report:
    """Checks and figures, in order."""

    def __init__(self) -> None:
        self.checks: list[tuple[str, bool, str]] = []
        self.figures: dict[str, object] = {}

    def check(self, what: str, right: bool, found: str = "") -> None:
        """Note one check, and print it if it failed."""
        self.checks.append((what, right, found))
        if not right:
            print(f"FAILED  {what}: {found}", flush=True)

    @property
    def failed(self) -> int:
        """How many checks failed."""
        return sum(not right for _, right, _ in self.checks)


def whole_case(play: Playwright, out: Path, report: Report) -> None:
    """Enter a whole case by keyboard; after each line the page must show the case."""
    with tempfile.TemporaryDirectory() as folder, browser_page(play, 1280, 720) as page:
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", lambda said: faults.append(said.text))
        outside: list[str] = []
        page.on("request", lambda asked: outside.append(asked.url))
        case = LiveCase(Path(folder) / "case")
        page.goto(room.link_of(case.screen))
        wait_until(lambda: version(page) > 0, 10, "the first view")
        delays, counted, seen = [], [], set()
        for line in CASE:
            if line.startswith("wait "):
                time.sleep(float(line[5:]))
                counted.append(page.text_content("#ring .number") or "")
                continue
            if line == "hold":
                counted.append(page.text_content("#ring .number") or "")
                wait_until(lambda: case.case.state.timer is None, 30, "the end of the press")
            else:
                delays.append(_enter(page, case, line))
                # Nobody types faster, and the server takes no more than 5 lines a second.
                time.sleep(max(0.0, 0.25 - delays[-1]))
            shown = _follows(page, case)
            report.check(f"the page follows after {line!r}", not shown, shown)
            for notice in case.expected().notices:
                seen.add(notice.level)
        report.check("the case is signed", case.case.state.signed is not None)
        wanted = {"warning", "question", "paused", "signed"}
        report.check("warning, question, pause, signature were seen", wanted <= seen, str(seen))
        numbers = all(number.isdigit() for number in counted)
        report.check("countdowns show numbers", numbers and len(counted) > 5, str(counted))
        page.screenshot(path=out / "whole-case-end.png")
        wait_until(lambda: not case._thread.is_alive(), 10, "the end of the session")
        case.screen.close()
        ended = wait_until(lambda: "PROGRAM ENDED" in page.inner_text("#lost"), 3, "the end")
        report.check("the end of the program is told", ended < 3)
        port = case.screen.port
        foreign = [u for u in outside if not u.startswith(f"http://127.0.0.1:{port}/")]
        report.check("no request goes anywhere else", not foreign, str(foreign))
        # After the end the page looks whether the program is back; these are no faults.
        faults = [f for f in faults if "ERR_CONNECTION_REFUSED" not in f]
        report.check("no fault in the page's code", not faults, str(faults))
        report.figures["key to page, whole case"] = crowd.summary(delays)


def _enter(page: Page, case: LiveCase, line: str) -> float:
    """Press or type, and wait until the page has something new."""
    before, head = version(page), case.case.head_hash
    began = time.monotonic()
    if line == "Space" or (len(line) == 1 and line.isupper()):
        page.evaluate("() => document.activeElement.blur()")
        page.keyboard.press(line)
    else:
        page.keyboard.press("/")
        page.keyboard.type(line)
        page.keyboard.press("Enter")
        page.keyboard.press("Escape")
    # The page may still be catching up with the line before: the case itself must move.
    try:
        wait_until(lambda: case.case.head_hash != head, 10, f"nothing entered by {line!r}")
    except TimeoutError as late:
        told = page.inner_text("#sent")
        link = page.evaluate("() => document.body.dataset.link")
        raise TimeoutError(f"{late}; the page says {told!r}, its link is {link!r}") from None
    wait_until(lambda: version(page) > before, 10, f"nothing new after {line!r}")
    return time.monotonic() - began


def _follows(page: Page, case: LiveCase) -> str:
    """What of the case the page does not show; empty if it shows all."""

    def missing() -> str:
        wanted = case.expected()
        shown = page.evaluate(
            "() => ({step: document.getElementById('step').textContent,"
            " ask: document.getElementById('ask').textContent,"
            " notices: [...document.querySelectorAll('.notice')].map(e => e.className + ' ' +"
            " e.querySelector('span:last-child').textContent),"
            " keys: [...document.querySelectorAll('#keys button')].map(e => e.dataset.line),"
            " depths: document.querySelector('#depths svg')?.getAttribute('aria-label') ?? '',"
            " ring: !document.getElementById('ring').hidden})"
        )
        lacking = []
        # What was just said stands there too, in words of its own: cautions, what is in order.
        notices = [f"notice {n.level} {n.text}" for n in wanted.notices]
        said = ("notice caution", "notice in-order")
        extra = [n for n in shown["notices"] if not n.startswith(said) and n not in notices]
        lacking += [n for n in notices if n not in shown["notices"]] + extra
        if shown["step"] != wanted.step:
            lacking.append(f"step {wanted.step!r}, shown {shown['step']!r}")
        if shown["ask"] != ("" if wanted.countdown else wanted.ask):
            lacking.append(f"question {wanted.ask!r}, shown {shown['ask']!r}")
        if shown["keys"] != [key.line or "" for key in wanted.keys]:
            lacking.append(f"keys, shown {shown['keys']}")
        if shown["ring"] != (wanted.countdown is not None):
            lacking.append("the countdown")
        lacking += [strip.text for strip in wanted.strips if strip.text not in shown["depths"]]
        return "; ".join(lacking)

    try:
        wait_until(lambda: not missing(), 3, "")
    except TimeoutError:
        return missing()
    return ""


class SceneClock(SystemClock):
    """The time of a scene: a little after its last entry."""

    def __init__(self, state: CaseState) -> None:
        last = state.entries[-1].at if state.entries else state.opened
        self._wall = last.wall + timedelta(seconds=20)

    def now(self) -> Moment:
        return Moment(wall=self._wall, mono_s=self.seconds())


def show(screen: WebScreen, page: Page, scene: Scene) -> None:
    """Have the page show a scene; a running timer is 1.6 s old."""
    before, state = version(page), scene.state
    now = screen._clock.now()
    past = Moment(wall=now.wall, mono_s=now.mono_s - 1.6)
    if state.timer is not None:
        running = state.timer.model_copy(update={"started": past})
        state = state.model_copy(update={"timer": running})
    if state.here.heat_off is not None:
        off = state.here.heat_off.model_copy(update={"at": past})
        here = state.here.model_copy(update={"heat_off": off})
        tracks = tuple(here if t.name == here.name else t for t in state.tracks)
        state = state.model_copy(update={"tracks": tracks})
    screen._clock = SceneClock(scene.state)
    screen._see(
        state=state,
        prompts=scene.prompts,
        heard=scene.heard,
        meaning=scene.meaning,
        microphone=scene.microphone,
        trouble=ShownTrouble(scene.trouble, len(state.entries)) if scene.trouble else None,
    )
    wait_until(lambda: version(page) > before, 10, f"the page does not show {scene.name}")
    page.wait_for_timeout(60)


def pictures(play: Playwright, out: Path, report: Report) -> None:
    """Every scene in every size: overlaps, letters, axe, pictures."""
    screen = room.bare_screen()
    for width, height in SIZES:
        with browser_page(play, width, height) as page:
            base = room.link_of(screen).partition("#")[0]
            page.goto(base)
            page.wait_for_selector("#code")
            page.screenshot(path=out / f"pairing-{width}x{height}.png")
            _axe(page, f"pairing {width}x{height}", report)
            assert screen._pairing._codes is not None
            page.keyboard.type(screen._pairing._codes.enter)  # each serves once
            page.keyboard.press("Enter")
            wait_until(lambda page=page: version(page) > 0, 10, "no view")
            hand = "touch" if (width, height) == TABLET else "keys"
            for scene in scenes():
                show(screen, page, scene)
                for theme in THEMES:
                    name = f"{scene.name}-{width}x{height}-{theme}"
                    _wear(page, theme, hand)
                    page.screenshot(path=out / f"{name}.png")
                    wrong = crowded(page)
                    report.check(f"nothing overlaps, is cut off: {name}", not wrong, str(wrong))
                    _letters(page, name, height, hand, report)
                    _axe(page, name, report)
                    if width == SIZES[1][0] and scene.name in {"too-deep", "backfill"}:
                        _as_others_see(page, out, f"{scene.name}-{theme}")
                _whole_tooth(page, f"{scene.name}-{width}x{height}", height, out, report)
            room.cut_off(page)
            wait_until(lambda page=page: "LOST" in page.inner_text("#lost"), 5, "no banner")
            page.screenshot(path=out / f"lost-{width}x{height}.png")
            _axe(page, f"connection lost {width}x{height}", report)
            room.join_again(page)
    screen.close()


def _wear(page: Page, theme: str, hand: str) -> None:
    page.evaluate(f"() => {{ looks.theme = '{theme}'; looks.hand = '{hand}'; wear(); }}")
    page.wait_for_timeout(60)


def _whole_tooth(page: Page, name: str, height: int, out: Path, report: Report) -> None:
    """All canals side by side: letters for 2 m, where a tooth has up to four."""
    if not page.locator("#tooth-open").is_visible():
        return
    page.evaluate("() => showTooth()")
    page.screenshot(path=out / f"tooth-{name}.png")
    _axe(page, f"whole tooth, {name}", report)
    size = letters(page).get("tooth")
    least = page.evaluate(NEAR_PX)
    holds = size is not None and size >= least * TOLERANCE
    report.check(f"letters of the whole tooth: {name}", holds, f"{size} px of {least:.0f}")
    page.evaluate("() => showTooth()")


def _letters(page: Page, name: str, height: int, hand: str, report: Report) -> None:
    # A tablet that is touched is held in the hand: its letters are smaller.
    least_far, least_near = (FAR, NEAR) if hand == "keys" else (0.8 * FAR, 0.8 * NEAR)
    found = {what: size for what, size in letters(page).items() if size is not None}
    report.figures[f"letters, px, {name}"] = {k: round(v, 1) for k, v in found.items()}
    wanted = (("notice", least_far), ("number", least_far), ("limit", least_near * 0.8))
    for what, least in wanted:
        size = found.get(what)
        if size is not None and name.partition("-")[0] != "microphone":
            holds = size >= least * height * TOLERANCE * min(1, 800 / 480 / (16 / 9))
            report.check(f"letters of {what} are large enough: {name}", holds, f"{size:.0f} px")
    # Below what waits first the step's question is the second one, and gives way.
    second = page.get_attribute("#left", "data-asked") == "yes" and hand == "touch"
    if "ask" in found and "notice" not in found and not second:
        holds = found["ask"] >= least_near * height * TOLERANCE * min(1, 800 / 480 / (16 / 9))
        report.check(f"the question is large enough: {name}", holds, f"{found['ask']:.0f} px")


def _axe(page: Page, name: str, report: Report) -> None:
    found = room.violations(page)
    report.check(f"axe finds nothing: {name}", not found, " | ".join(found))


def _as_others_see(page: Page, out: Path, name: str) -> None:
    session = page.context.new_cdp_session(page)
    for vision in VISIONS:
        session.send("Emulation.setEmulatedVisionDeficiency", {"type": vision})
        page.wait_for_timeout(60)
        # Through the same session: another one would not have the emulation.
        taken = session.send("Page.captureScreenshot", {"format": "png"})
        (out / f"{name}-{vision}.png").write_bytes(base64.b64decode(taken["data"]))
    session.send("Emulation.setEmulatedVisionDeficiency", {"type": "none"})


def reduced_motion(play: Playwright, report: Report) -> None:
    """Who asked for less motion sees a ring that moves once a second, and no animation."""
    screen = room.bare_screen()
    with browser_page(play, 1280, 720, reduced_motion="reduce") as page:
        page.goto(room.link_of(screen))
        wait_until(lambda: version(page) > 0, 10, "no view")
        show(screen, page, next(s for s in scenes() if s.name == "hold"))
        drawn = set()
        for _ in range(20):
            drawn.add(page.get_attribute("#ring .arc", "stroke-dasharray"))
            page.wait_for_timeout(50)
        report.check("with less motion the ring steps by seconds", len(drawn) <= 3, str(drawn))
        show(screen, page, next(s for s in scenes() if s.name == "too-deep"))
        moving = page.evaluate("() => document.getAnimations().length")
        report.check("with less motion nothing is animated", moving == 0, str(moving))
    screen.close()


def main() -> int:
    """Run everything; 1 if a check failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("out/screen"))
    parser.add_argument("--viewers", type=int, default=100)
    parser.add_argument(
        "--only", default="", metavar="PART", help="parts with this in their name"
    )
    parser.add_argument("--results", action="store_true", help=results.HELP)
    chosen = parser.parse_args()
    with results.kept(__file__, "The page in a browser", wanted=chosen.results):
        out: Path = chosen.out
        out.mkdir(parents=True, exist_ok=True)
        report = Report()
        with sync_playwright() as play:
            parts: tuple[tuple[str, Callable[[], object]], ...] = (
                ("whole case by keyboard", lambda: whole_case(play, out, report)),
                ("whole case by touch", lambda: touched.whole_case(play, out, report)),
                ("set-up form", lambda: set_up_form.run(play, out, report)),
                ("a phone", lambda: touched.phone(play, out, report)),
                ("pictures", lambda: pictures(play, out, report)),
                ("less motion", lambda: reduced_motion(play, report)),
                ("under attack", lambda: attacked.run(report)),
                ("program stopped, killed, restarted", lambda: programs.run(play, report)),
            )
            for what, part in (one for one in parts if chosen.only in one[0]):
                began, count = time.monotonic(), len(report.checks)
                try:
                    part()
                except Exception as bad:  # the other parts still tell something
                    report.check(what, False, f"{type(bad).__name__}: {bad}")
                made, took = len(report.checks) - count, time.monotonic() - began
                print(f"{what}: {made} checks, {took:.0f} s")
        if not chosen.only:
            crowd.run(chosen.viewers, report)
        for name, figure in report.figures.items():
            if not name.startswith("letters"):
                print(f"{name:45} {figure}")
        passed = len(report.checks) - report.failed
        written = {
            "checks": [{"what": w, "passed": r, "found": f} for w, r, f in report.checks],
            "figures": report.figures,
        }
        (out / "report.json").write_text(json.dumps(written, indent=1))
        print(f"{passed} passed, {report.failed} failed")
        return 1 if report.failed else 0


if __name__ == "__main__":
    sys.exit(main())
