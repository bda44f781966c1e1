"""Which sizes and protocol numbers stand without a label that says where they come from.

A label is one of: a standard with its edition (or "edition not opened"), a published
source with its year, common practice, chosen here, invented. Looked at are

- YAML (protocols, and sets and points as files or in texts of the tests): every number is
  under a ``source`` that begins with a label, or its key has one in the file's first
  comment (``#   min_mm, max_mm  chosen here: ...``);
- Python: what calls :data:`MAKERS` with a size written out has a label within the same
  function, class or assignment, in the comment above it, or in the module's docstring;
- Markdown: a paragraph or block with a size of an instrument has one, or the paragraph
  before it.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

_STANDARD = r"ISO \d{4,5}(?:-\d+)?(?::\d{4}| \(edition not opened\b)"
_PUBLISHED = r"published: .*\b(?:18|19|20)\d\d\b"
_LABEL = rf"(?:{_STANDARD}|{_PUBLISHED}|common practice\b|chosen here\b|invented\b)"
LABEL = re.compile(_LABEL, re.IGNORECASE)

MAKERS = {"Plugger", "PluggerLine", "table_point", "Point", "PointFile", "Profile", "TableRow"}
"""Calls that make a point, a plugger or a carrier of the sizes given."""

COUNTS = {"version"}
"""Keys whose number is no size and no limit."""

SIZES_IN_YAML = re.compile(r"\b(?:tip_mm|diameter_mm):\s*[\d.]")
SIZES_IN_TEXT = re.compile(
    rf"{SIZES_IN_YAML.pattern}"
    r"|\b(?:plugger|carrier|point)s?\b[^.\n|]{0,40}\b[01]\.\d+ ?mm (?:wide|thick|at its tip)",
    re.IGNORECASE,
)


def in_yaml(text: str) -> list[str]:
    """Paths of the numbers without a label; the text itself if it is no YAML."""
    try:
        tree = YAML(typ="safe").load(text)
    except YAMLError:
        return ["no YAML"]
    return list(_numbers(tree, "", False, _labelled_keys(text)))


def _labelled_keys(text: str) -> set[str]:
    lines = text.splitlines()
    first = next((n for n, line in enumerate(lines) if not line.startswith("#")), len(lines))
    found = (re.match(rf"#\s+(\w+(?:, \w+)*)\s+{_LABEL}", line) for line in lines[:first])
    return {key for match in found if match for key in match[1].split(", ")}


def _numbers(node: Any, path: str, labelled: bool, keys: set[str]) -> Iterator[str]:
    match node:
        case dict():
            source = node.get("source")
            own = labelled if source is None else bool(LABEL.match(str(source)))
            for key, value in node.items():
                known = own or key in keys or key in COUNTS
                yield from _numbers(value, f"{path}.{key}".lstrip("."), known, keys)
        case list():
            for number, value in enumerate(node):
                yield from _numbers(value, f"{path}[{number}]", labelled, keys)
        case bool():
            return
        case int() | float() if not labelled:
            yield path


def in_python(text: str) -> list[str]:
    """Lines that make something of sizes written out without a label."""
    module = ast.parse(text)
    lines = text.splitlines()
    if LABEL.search(ast.get_docstring(module) or ""):
        outer = []
    else:
        outer = [f"line {line}" for top in module.body for line in _made(top, lines)]
    return outer + [
        f"line {node.lineno}, {path}"
        for node in ast.walk(module)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and "\n" in node.value
        and SIZES_IN_YAML.search(node.value)
        for path in in_yaml(node.value)
    ]


def _made(top: ast.stmt, lines: list[str]) -> Iterator[int]:
    first = min([top.lineno, *(d.lineno for d in getattr(top, "decorator_list", []))]) - 1
    last = top.end_lineno or first
    while first and lines[first - 1].startswith("#"):
        first -= 1
    if last < len(lines) and lines[last].startswith('"""'):  # what an assignment means
        last = next(n for n in range(last, len(lines)) if lines[n].endswith('"""')) + 1
    if LABEL.search(" ".join(line.strip(" #") for line in lines[first:last])):
        return
    for node in ast.walk(top):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        written = (n for part in (*node.args, *node.keywords) for n in ast.walk(part))
        if name in MAKERS and any(
            isinstance(n, ast.Constant) and isinstance(n.value, float) and 0 < n.value < 3
            for n in written
        ):
            yield node.lineno


def in_markdown(text: str) -> list[str]:
    """First lines of the parts with a size without a label."""
    parts = re.split(r"\n\s*\n", text)
    return [
        part.strip().splitlines()[0]
        for before, part in zip(["", *parts], parts, strict=False)
        if SIZES_IN_TEXT.search(part)
        and not LABEL.search(f"{before} {part}".replace("\n", " "))
    ]
