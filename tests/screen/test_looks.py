"""Three rooms: what is lettered can be read in each, by every kind of colour vision.

Contrast is that of WCAG 2 (relative luminance). Dichromatic vision is computed in linear RGB
by the matrices of Machado, Oliveira and Fernandes, 2009, severity 1 (from memory); no
colours at all by luminance.
"""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import pytest

from assistant.screen import server

Colour = tuple[float, float, float]

CSS = (Path(server.__file__).with_name("static") / "looks.css").read_text()

VISIONS: dict[str, tuple[Colour, Colour, Colour]] = {
    "usual": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
    "achromatopsia": ((0.2126, 0.7152, 0.0722),) * 3,
}

LETTERED = [
    # Ink and the ground it stands on.
    *((ink, ground) for ink in ("text", "quiet") for ground in ("ground", "panel", "deep")),
    *((f"on-{look}", look) for look in ("warning", "caution", "question")),
    ("on-warning", "warning-2"),
    *((look, ground) for look in ("caution", "in-order") for ground in ("ground", "panel")),
    ("limit", "panel"),
    ("ground", "quiet"),
    ("ground", "text"),
]
DRAWN = [
    *((look, "panel") for look in ("limit", "instrument", "fill", "line")),
    *((look, "deep") for look in ("instrument", "fill")),
    ("limit", "limit-ground"),
    ("fill", "fill-ground"),
    ("warning", "panel"),
]
SIX = ("warning", "caution", "limit", "instrument", "question", "in-order")


def themes() -> dict[str, dict[str, Colour]]:
    found = {}
    for selector, body in re.findall(r"([^{}]*)\{([^{}]*--ground[^{}]*)\}", CSS):
        name = re.findall(r'data-theme="(\w+)"', selector)[-1]
        colours = re.findall(r"--([\w-]+): #([0-9a-f]{3,6});", body)
        found[name] = {ink: linear(code) for ink, code in colours}
    return found


def linear(code: str) -> Colour:
    pairs = code if len(code) == 6 else "".join(2 * letter for letter in code)
    values = (int(pairs[i : i + 2], 16) / 255 for i in (0, 2, 4))
    red, green, blue = (
        v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values
    )
    return red, green, blue


def seen(colour: Colour, vision: str) -> Colour:
    red, green, blue = (
        min(1.0, max(0.0, sum(part * of for part, of in zip(row, colour, strict=True))))
        for row in VISIONS[vision]
    )
    return red, green, blue


def luminance(colour: Colour) -> float:
    return 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]


def contrast(one: Colour, other: Colour) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def apart(one: Colour, other: Colour) -> float:
    """Difference in CIELAB (1976), white D65."""
    a, b = _lab(one), _lab(other)
    return float(sum((x - y) ** 2 for x, y in zip(a, b, strict=True)) ** 0.5)


def _lab(colour: Colour) -> Colour:
    red, green, blue = colour
    x = (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.9505
    y = luminance(colour)
    z = (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.089
    fx, fy, fz = (v ** (1 / 3) if v > 0.008856 else 7.787 * v + 16 / 116 for v in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


THEMES = themes()


def test_there_are_three_rooms_with_the_same_meanings() -> None:
    assert set(THEMES) == {"dark", "bright", "contrast"}
    assert len({frozenset(theme) for theme in THEMES.values()}) == 1


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize("theme", THEMES)
def test_letters_and_lines_stand_out_for_every_vision(theme: str, vision: str) -> None:
    """4.5 for letters and 3 for what is drawn (WCAG 2, AA); 7 in the theme for contrast."""
    ink = {name: seen(colour, vision) for name, colour in THEMES[theme].items()}
    least = 7.0 if theme == "contrast" else 4.5
    poor = {
        f"{one} on {other}": round(found, 2)
        for pairs, wanted in ((LETTERED, least), (DRAWN, 3.0))
        for one, other in pairs
        if (found := contrast(ink[one], ink[other])) < wanted
    }
    assert not poor


@pytest.mark.parametrize("vision", [v for v in VISIONS if v != "achromatopsia"])
@pytest.mark.parametrize("theme", THEMES)
def test_six_meanings_are_six_colours_for_every_vision_of_two_or_more(
    theme: str, vision: str
) -> None:
    """10 apart, several times what is just noticed (chosen here). Shapes tell them too."""
    ink = {name: seen(THEMES[theme][name], vision) for name in SIX}
    near = {
        (one, other): round(found, 1)
        for one, other in combinations(SIX, 2)
        if (found := apart(ink[one], ink[other])) < 10
    }
    assert not near


def test_the_checks_notice_a_poor_colour() -> None:
    grey, dark = linear("777777"), linear("0b1016")
    assert contrast(linear("ffffff"), linear("000000")) == pytest.approx(21)
    assert contrast(grey, dark) < 4.5
    red, green = linear("b35900"), linear("808000")
    assert (
        apart(red, green) > 20 > apart(seen(red, "deuteranopia"), seen(green, "deuteranopia"))
    )
