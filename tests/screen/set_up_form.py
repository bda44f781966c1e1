"""The set-up form in a browser: refused at its field, read back, and not asked again."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Playwright

from assistant.progress.state import CASE
from screen import room
from screen.room import LiveCase, browser_page, crowded, version, violations, wait_until
from screen.touched import LEAST_PX, SIZES

FILLED = (
    ("tooth", "24"),
    ("heat_setting", "200 C"),
    ("every_canal.apex_locator_mm", "no reading"),
    ("every_canal.taper", ".06"),
    ("every_canal.coronal_level_mm", "10"),
    ("canals.buccal.working_length_mm", "21"),
    ("canals.buccal.apical_size", "30"),
    ("canals.palatal.working_length_mm", "20,5"),
    ("canals.palatal.apical_size", "35"),
)
CHOSEN = (
    ("case.allergy_or_device", "none_known"),
    ("every_canal.reference_point", "cusp_tip"),
    ("every_canal.post_planned", "no"),
)


def run(play: Playwright, out: Path, report: Any) -> None:
    """Fill the form in on a tablet by touch; a wrong value first."""
    with (
        tempfile.TemporaryDirectory() as folder,
        browser_page(play, 1024, 768, has_touch=True) as page,
    ):
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        case = LiveCase(Path(folder) / "case")
        page.goto(room.link_of(case.screen))
        wait_until(lambda: version(page) > 0, 10, "the first view")
        for width, height in ((1920, 1080), (1280, 720), (800, 480), (1024, 768)):
            page.set_viewport_size({"width": width, "height": height})
            page.wait_for_timeout(300)
            report.check(f"its button has room, {width}", not (bad := crowded(page)), str(bad))
        page.evaluate("() => { document.body.dataset.hand = 'touch'; layOut(); }")
        page.tap("#setup-open")
        for canal in ("buccal", "palatal"):
            page.tap(f'#setup-canals button:text-is("{canal}")')
        for path, text in FILLED:
            page.fill(f'[data-path="{path}"]', text)
        for path, option in CHOSEN:
            page.select_option(f'[data-path="{path}"]', option)
        page.fill('[data-path="canals.buccal.apical_size"]', "33")
        page.tap("#setup-check")
        wrong = '[data-problem="canals.buccal.apical_size"]'
        wait_until(lambda: page.inner_text(wrong), 5, "the refusal")
        said = page.inner_text(wrong)
        report.check("a refused value is told at its field", "33 is no answer" in said, said)
        report.check("and cannot begin", page.is_disabled("#setup-begin"))
        page.screenshot(path=str(out / "set-up-refused.png"))
        page.fill('[data-path="canals.buccal.apical_size"]', "30")
        page.tap("#setup-check")
        wait_until(lambda: page.is_enabled("#setup-begin"), 5, "checked")
        read = page.inner_text("#setup-lines")
        report.check("it is read back", "Buccal: Length 21. Reference cusp tip." in read, read)
        small = [
            (text, width, height)
            for text, width, height in page.evaluate(SIZES)
            if min(width, height) < LEAST_PX and height > 0
        ]
        report.check("its buttons are 15 mm for gloves", not small, str(small))
        low = page.evaluate(
            "() => Math.min(...[...document.querySelectorAll('#setup input, #setup select')]"
            ".map((e) => e.getBoundingClientRect().height))"
        )
        report.check("its fields are 15 mm high", low >= LEAST_PX, f"{low} px")
        report.check("axe finds nothing", not (bad := violations(page)), str(bad))
        page.screenshot(path=str(out / "set-up-checked.png"))
        page.tap("#setup-begin")
        wait_until(lambda: page.is_hidden("#setup-open"), 5, "the form is gone")
        wait_until(lambda: page.is_hidden("#setup"), 5, "the form is closed")
        state = case.case.state
        told = [entry.value for entry in state.standing(CASE)]
        report.check("the case has it", told == [24, ("buccal", "palatal")], str(told))
        case.typed.put("all yes")
        wait_until(lambda: case.case.state.active == "buccal", 5, "the canal")
        state = case.case.state
        asked = state.step.id if state.step else ""
        report.check("what was prepared is not asked again", asked == "shaped", asked)
        report.check("the page has no faults", not faults, str(faults))
        case.typed.put(None)
