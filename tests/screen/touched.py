"""A whole case by touch alone on a tablet, while a second screen watches; the first minute."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, Playwright

from assistant.screen.web import WebScreen
from screen import room
from screen.room import LiveCase, browser_page, version, wait_until
from screen.states import scenes

TABLET = (1024, 768)
LEAST_PX = 78
"""15 mm on a tablet of 10 inches: 1024 px over 200 mm, so 5.1 px a millimetre."""

PHONE_PX = 48

SIZES = (
    "() => [...document.querySelectorAll('button')]"
    ".filter(b => b.getClientRects().length)"
    ".map(b => [b.textContent, b.getBoundingClientRect()])"
    ".map(([text, box]) => [text, box.width, box.height])"
)
"""Text, width and height of every button that is shown."""

DIGITS = {
    # Steps at which a number is tapped together; the others take what is suggested.
    "tooth": ("11",),
    "coronal_level": ("9",),
    "plugger_coronal": ("10",),
    "plugger_middle": ("13",),
    "sear": ("9",),
    "heat_depth": ("13", "17.5"),
    "plugger_depth": ("13.5", "19", "17.5"),
    "increment": ("3", "6"),
}
"""A plugger is told too deep once: the warning is answered by a correction."""

PREFERRED = ("yes", "accepted", "incisal edge", "no reading", "dry", "complete", "none")
NO = frozenset({"post"})


class Hands:
    """Taps on what is shown, and nothing else; counts them."""

    def __init__(self, page: Page, case: LiveCase) -> None:
        self.page = page
        self.case = case
        self.taps = 0
        self.told: dict[str, int] = {}

    def tap(self, selector: str) -> None:
        """One tap; the button must be there to be seen."""
        self.page.locator(selector).first.tap(timeout=5000)
        self.taps += 1

    def shows(self, selector: str) -> bool:
        """Whether a button is visible."""
        shown: bool = self.page.locator(selector).first.is_visible()
        return shown

    def words(self, box: str, text: str) -> str:
        """The selector of a button by its exact words."""
        return f'{box} button:text-is("{text}")'

    def digits(self, number: str) -> None:
        """A number, digit by digit."""
        if not self.shows("#digits button"):
            self.tap("#taps button[aria-label='Another number']")
        for digit in number:
            self.tap(self.words("#digits", digit))
        self.tap(self.words("#digits", "Enter"))

    def answer(self) -> None:
        """Whatever is asked now."""
        state = self.case.case.state
        step = state.step
        if any(w.open for w in state.warnings) and state.timer is None:
            return self._warned()
        if state.pending is not None:
            return self.tap(self.words("#keys", "confirm"))
        assert step is not None
        kind = step.expect.kind
        if kind == "timed":
            return self._timed(step.id)
        if step.id in DIGITS:
            number = self.told.get(step.id, 0)
            self.told[step.id] = number + 1
            values = DIGITS[step.id]
            if number >= len(values):
                return self._choose()
            return self.digits(values[number])
        if kind == "sign":
            return self.tap(self.words("#phrases", "sign the note"))
        if kind == "done":
            return self.tap("#keys button[data-key='D']")
        if kind == "canals":
            return self.tap(self.words("#taps", "single"))
        if kind == "size":
            return self.tap(self.words("#taps", "40"))
        if kind == "taper":
            return self.tap(self.words("#taps", ".06"))
        if self.shows(self.words("#phrases", "confirm")) or self.shows(
            "#keys .now >> text=confirm"
        ):
            return self.tap(self.words("#keys", "confirm"))
        if kind in {"measure", "readings"} and self.shows("#taps .suggested"):
            return self.tap("#taps .suggested")
        self._choose(no=step.id in NO)
        return None

    def _choose(self, *, no: bool = False) -> None:
        for text in ("no",) if no else PREFERRED:
            for box in ("#phrases", "#keys"):
                if self.shows(self.words(box, text)):
                    return self.tap(self.words(box, text))
        # What is left leads on: "level reached", "downpack done".
        self.tap("#phrases .first button")
        return None

    def _warned(self) -> None:
        if self.shows("#phrases button:text-is('correction')"):
            self.tap(self.words("#phrases", "correction"))
            self.told["plugger_depth"] = 3
            return self.digits("17.5")
        self.tap(self.words("#keys", "keep it"))
        return None

    def _timed(self, step: str) -> None:
        self.tap("#keys button.act")
        wait_until(lambda: self.case.case.state.timer is not None, 5, "no timer")
        if self.case.case.state.timer.mode == "until_off":  # type: ignore[union-attr]
            time.sleep(0.8)
            self.tap("#keys button.act")
        wait_until(lambda: self.case.case.state.timer is None, 30, f"no end of {step}")


def whole_case(play: Playwright, out: Path, report: Any) -> None:
    """Everything from the tooth to the signature by taps, and a screen that watches."""
    options = {"has_touch": True}
    with (
        tempfile.TemporaryDirectory() as folder,
        browser_page(play, *TABLET, **options) as page,
        browser_page(play, 1280, 720) as watcher,
    ):
        began = time.monotonic()
        case = LiveCase(Path(folder) / "case")
        page.goto(room.link_of(case.screen))
        wait_until(lambda: version(page) > 0, 10, "the first view")
        hands = Hands(page, case)
        page.evaluate("() => { looks.hand = 'touch'; wear(); }")
        hands.answer()
        wait_until(lambda: case.case.state.tooth == 11, 10, "the tooth")
        report.figures["first minute: pair, see, answer, s"] = round(
            time.monotonic() - began, 1
        )
        report.check("paired, seen and answered in a minute", time.monotonic() - began < 60)
        # The second screen: a code from the page itself.
        hands.tap("#devices-open")
        wait_until(lambda: page.locator("#codes b").count() == 2, 5, "no codes")
        code = page.locator("#codes b").first.inner_text()
        page.screenshot(path=out / "touch-pairing.png")
        hands.tap("#devices-close")
        watcher.goto(f"http://127.0.0.1:{case.screen.port}/")
        watcher.fill("#code", code)
        watcher.keyboard.press("Enter")
        wait_until(lambda: version(watcher) > 0, 10, "nothing to watch")
        small: set[str] = set()
        stuck = 0
        while case.case.state.signed is None and hands.taps < 300 and stuck < 3:
            head = case.case.head_hash
            step = case.case.state.here.step
            try:
                hands.answer()
                wait_until(lambda head=head: case.case.head_hash != head, 5, "not taken")
            except Exception as bad:
                stuck += 1
                page.screenshot(path=out / f"touch-stuck-{stuck}.png")
                report.check(f"touch leads on from {step}", False, str(bad)[:300])
            wait_until(
                lambda: version(page) >= case.screen._hub.version, 5, "the page is behind"
            )
            for text, wide, tall in page.evaluate(SIZES):
                if min(wide, tall) < LEAST_PX - 0.5:
                    small.add(f"{text} {wide:.0f}x{tall:.0f}")
            report.check(
                f"the watcher sees {step}",
                bool(
                    wait_until(
                        lambda: watcher.inner_text("#step") == page.inner_text("#step"),
                        5,
                        "the watcher is behind",
                    )
                    < 5
                ),
            )
            time.sleep(0.2)
        report.check("a whole case by touch alone", case.case.state.signed is not None)
        report.check("touch targets of 15 mm", not small, "; ".join(sorted(small)[:8]))
        report.check(
            "a watcher has no buttons to enter", watcher.locator("#keys button").count() == 0
        )
        report.figures["taps of a whole case"] = hands.taps
        page.screenshot(path=out / "touch-end.png")
        watcher.screenshot(path=out / "watch-end.png")
        case.end()


def _hold_to_talk(page: Page, screen: WebScreen, report: Any) -> None:
    """A finger that rests anywhere on the page is the pedal, once, with a sign meanwhile."""
    page.mouse.move(200, 700)
    page.mouse.down()
    wait_until(lambda: page.locator("#talk").is_visible(), 10, "no sign while it is held")
    page.mouse.up()
    hidden = not page.locator("#talk").is_visible()
    taps = [screen._typed.get(timeout=10)]
    report.check("holding a finger is one tap", hidden and taps == [""], str(taps))
    report.check("and no more", screen._typed.empty())


def phone(play: Playwright, out: Path, report: Any) -> None:
    """Targets of 48 px on a phone, nothing beside the page, no finding of axe."""
    screen = room.bare_screen()
    with browser_page(play, 390, 844, has_touch=True) as page:
        page.goto(room.link_of(screen))
        wait_until(lambda: version(page) > 0, 10, "no view")
        page.evaluate("() => { looks.hand = 'touch'; wear(); }")
        _hold_to_talk(page, screen, report)
        for scene in scenes():
            before = version(page)
            screen._see(state=scene.state, prompts=scene.prompts, heard=scene.heard)
            wait_until(lambda before=before: version(page) > before, 10, scene.name)
            if scene.state.signed is not None:
                told = page.inner_text("#entries")
                report.check("the summary stands on a phone", "warnings and cautions" in told)
            page.screenshot(path=out / f"phone-{scene.name}.png", full_page=True)
            small = [
                f"{text} {wide:.0f}x{tall:.0f}"
                for text, wide, tall in page.evaluate(SIZES)
                if min(wide, tall) < PHONE_PX - 0.5
            ]
            report.check(f"targets on a phone: {scene.name}", not small, "; ".join(small))
            wide = page.evaluate("() => document.documentElement.scrollWidth")
            report.check(f"nothing beside the page of a phone: {scene.name}", wide <= 390)
            found = room.violations(page)
            report.check(f"axe on a phone: {scene.name}", not found, " | ".join(found))
    screen.close()
