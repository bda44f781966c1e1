"""Every example size and every number of a protocol says where it comes from."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from labels import LABEL, SIZES_IN_YAML, in_markdown, in_python, in_yaml
from pydantic import BaseModel

from assistant.protocol import expect, limits
from assistant.protocol import model as shapes

TOP = Path(__file__).parents[1]
SOURCES = sorted(
    path
    for folder in ("assistant", "tests", "protocols", "grammars")
    for path in (TOP / folder).rglob("*")
    if path.suffix in {".py", ".yaml", ".yml", ".md", ".js", ".html", ".css"}
)
DOCUMENTS = sorted(TOP.glob("*.md"))
OWN = {Path(__file__), TOP / "tests" / "labels.py"}
"""These two show files without labels."""


def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def named(path: Path) -> str:
    return str(path.relative_to(TOP))


PROTOCOLS = [
    path
    for kind in ("", "shared")
    for path in sorted((TOP / "protocols" / kind).glob("*.yaml"))
]
SETS = [
    path
    for path in SOURCES
    if path.suffix in {".yaml", ".yml"} and SIZES_IN_YAML.search(text_of(path))
]


# -- ours -----------------------------------------------------------------------


@pytest.mark.parametrize("path", [*PROTOCOLS, *SETS], ids=named)
def test_every_number_of_a_file_has_a_label(path: Path) -> None:
    assert in_yaml(text_of(path)) == []


def test_every_size_written_out_in_code_and_tests_has_a_label() -> None:
    found = {
        named(path): missing
        for path in SOURCES
        if path.suffix == ".py" and path not in OWN
        if (missing := in_python(text_of(path)))
    }
    assert found == {}


def test_every_size_in_the_documents_has_a_label() -> None:
    pages = [*DOCUMENTS, *(path for path in SOURCES if path.suffix == ".md")]
    assert {named(p): found for p in pages if (found := in_markdown(text_of(p)))} == {}


def test_the_walk_comes_to_what_there_is() -> None:
    assert {"warm-vertical", "to-post-level"} <= {path.stem for path in PROTOCOLS}
    assert {"example", "example-variable"} <= {path.stem for path in SETS}
    # Without the module's docstring the makers of sizes in these are found.
    for name in ("test_fit.py", "test_points.py"):
        text = next(text_of(path) for path in SOURCES if path.name == name)
        assert in_python(re.sub(r"invented|chosen here|common practice", "", text, flags=re.I))
    assert len(DOCUMENTS) >= 2


def test_defaults_of_a_protocol_have_a_label_too() -> None:
    """Numbers that a file may leave out stand in the models instead."""
    rooms = (shapes, expect, limits)
    here = {room.__name__ for room in rooms}
    models = {m for room in rooms for m in vars(room).values() if isinstance(m, type)}
    seen = 0
    for model in models:
        if not issubclass(model, BaseModel) or model.__module__ not in here:
            continue
        own = [
            name
            for name, field in model.model_fields.items()
            if name in model.__annotations__ and isinstance(field.default, int | float)
        ]
        seen += len(own)
        assert not own or LABEL.search(model.__doc__ or ""), model
    assert seen >= 3


def test_every_standard_that_is_named_has_its_edition_stated() -> None:
    stated = set(
        re.findall(
            r"^- (ISO \d+(?:-\d+)?)(?=:\d{4}| \(edition not opened)",
            text_of(TOP / "DEVELOPERS.md"),
            re.MULTILINE,
        )
    )
    for path in [*SOURCES, *DOCUMENTS]:
        if path not in OWN:
            found = re.findall(r"ISO (\d{4,5}(?:-\d+)?)", text_of(path))
            assert {f"ISO {number}" for number in found} <= stated, named(path)


# -- that it fires ----------------------------------------------------------------

SET = """\
title: Somebody's
source: "{source}"
pluggers:
  - {{name: thin, tip_mm: 0.43, taper: 0.03}}
"""


@pytest.mark.parametrize(
    ("source", "labelled"),
    [
        ("invented for demonstration", True),
        ("ISO 6877:2025", True),
        ("ISO 6877 (edition not opened)", True),
        ("published: J Endod 2006;32:683", True),
        ("common practice", True),
        ("chosen here: it fits", True),
        ("ISO 6877", False),
        ("published: somewhere", False),
        ("our own", False),
        ("as on the box", False),
        ("not common practice", False),
    ],
)
def test_what_is_a_label(source: str, labelled: bool) -> None:
    assert in_yaml(SET.format(source=source)) == (
        [] if labelled else ["pluggers[0].tip_mm", "pluggers[0].taper"]
    )


def test_a_set_without_a_source_is_told(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("name: Mine\ntable:\n  - {from_tip_mm: 0, diameter_mm: 0.28}\n")
    assert in_yaml(text_of(path)) == ["table[0].from_tip_mm", "table[0].diameter_mm"]


def test_a_protocol_number_without_a_label_is_told() -> None:
    good = text_of(TOP / "protocols" / "warm-vertical.yaml")
    for old, new, told in (
        ("common practice: hold while", "hold while", ["limits.press_s.value"]),
        ("chosen here: free of the wall", "free of it", ["limits.plugger_clearance_mm.value"]),
        ('5.0, source: "common practice: no', '5.0, was: "no', ["limits.short_of_wl_mm.value"]),
        ("typical_s       chosen here:", "typical_s       it is", ["canal[17].typical_s"]),
        ("min_mm, max_mm  chosen", "max_mm  chosen", ["canal[0].expect.min_mm"]),
    ):
        assert good.count(old) == 1
        assert in_yaml(good.replace(old, new))[: len(told)] == told


BARE = 'def test_it():\n    assert Plugger("x", 0.5, 0.02)\n'


def test_code_without_a_label_is_told() -> None:
    assert in_python(BARE) == ["line 2"]
    for label in ("# Invented.", "# chosen here", "# ISO 6877 (edition not opened)"):
        assert in_python(f"{label}\n{BARE}") == []
    assert in_python(f'"""All sizes are invented."""\n{BARE}') == []
    assert in_python(f"# ISO 6877\n{BARE}") == ["line 3"]
    assert in_python('A = table_point("x", [(0, 0.28), (2, 0.41)], 0.05)') == ["line 1"]
    assert in_python('A = Plugger("x", 0.5, 0.02)\n"""Invented."""\n') == []
    bare = "name: x\ntable:\n  - {from_tip_mm: 0, diameter_mm: 0.28}\n"
    assert in_python(f'A = """{bare}"""') == [
        "line 1, table[0].from_tip_mm",
        "line 1, table[0].diameter_mm",
    ]


def test_a_document_without_a_label_is_told() -> None:
    block = "```yaml\npluggers:\n  - {name: x, tip_mm: 0.5}\n```\n"
    assert in_markdown(f"A set:\n\n{block}") == ["```yaml"]
    assert in_markdown(f"A set (invented sizes):\n\n{block}") == []
    assert in_markdown("Take the plugger that is 0.5 mm wide.") != []
    assert in_markdown("Take the plugger (invented) that is 0.5 mm wide.") == []
