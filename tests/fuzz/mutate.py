"""Changes to inputs that know a little of what they change: lines, scalars, JSON trees."""

from __future__ import annotations

import copy
import json
from random import Random
from typing import Any

SCALARS: tuple[bytes, ...] = (
    b"",
    b"0",
    b"-1",
    b"1e400",
    b".nan",
    b".inf",
    b"-.inf",
    b"1e308",
    b"9" * 5000,
    b"0x" + b"f" * 5000,
    b"1_0",
    b"1:30:30",
    b"2026-03-09",
    b"true",
    b"null",
    b"~",
    b"''",
    b'"\\0"',
    b'"\\ud800"',
    b"\x00",
    b"\xff\xfe",
    b"\xed\xa0\x80",
    b"\xef\xbb\xbf",
    b"\xe2\x80\xae",
    b"*a",
    b"&a x",
    b"&a [*a]",
    b"<<: *a",
    b"!!python/object:os.system x",
    b"!!binary aGk=",
    b"!!set {a}",
    b"!!omap [a: 1]",
    b"!x y",
    b"? [a]\n: b",
    b"[" * 60,
    b"[" * 3000,
    b"{" * 60,
    b"{a: " * 30,
    b"- " * 400,
    b"{x}",
    b"{0}",
    b"{value!r:>99999999}",
    b"{value.__class__}",
    b"{",
    b"}",
    b"%s",
    b"(a|b|",
    b"[a",
    b"<mm>",
    b"<x>",
    b"{list:slot}",
    b"({reason})",
    b"|",
    b"|\n  a\n",
    b"---\n",
    b"...\n",
    b"%YAML 9.9\n",
    b"\t",
    b"a: a: a",
    b"stay",
    b"finished",
    b"case",
    b"NaN",
    b"-Infinity",
    b"1E+9999",
    b"\\u0000",
    b"RIFF",
    b"data",
    b"\xff\xff\xff\xff",
    b"fmt ",
)
"""What has troubled readers of YAML, JSON, templates and sound files."""

VALUES: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    10**30,
    1.5,
    1e308,
    "",
    "x",
    "\x00",
    "case",
    "finished",
    "nobody",
    [],
    {},
    [[]],
    {"a": 1},
    "2026-03-09T14:05:00",
    "urgent",
    ["buccal"],
    2**63,
    -0.0,
    "standing",
    999,
)


def changed(rng: Random, raw: bytes, longest: int) -> bytes:
    """The input with one to four changes."""
    for _ in range(rng.choice((1, 1, 2, 4))):
        raw = _change(rng, raw)[:longest]
    return raw


def _change(rng: Random, raw: bytes) -> bytes:
    lines = raw.split(b"\n")
    place = rng.randrange(len(lines))
    match rng.randrange(9):
        case 0:
            del lines[place]
        case 1:
            lines.insert(rng.randrange(len(lines) + 1), lines[place])
        case 2:
            lines[place] = b" " * rng.randrange(5) + lines[place].lstrip()
        case 3:
            key, colon, _ = lines[place].partition(b": ")
            lines[place] = key + (colon or b": ") + rng.choice(SCALARS)
        case 4:
            return _byte(rng, raw)
        case 5:
            at = rng.randrange(len(raw) + 1)
            return raw[:at] + rng.choice(SCALARS) + raw[at:]
        case 6:
            low, high = sorted((rng.randrange(len(raw) + 1), rng.randrange(len(raw) + 1)))
            return raw[:low] + raw[high:]
        case 7:
            return _word(rng, raw)
        case _:
            other = rng.randrange(len(lines))
            lines[place], lines[other] = lines[other], lines[place]
    return b"\n".join(lines)


def _byte(rng: Random, raw: bytes) -> bytes:
    if not raw:
        return bytes([rng.randrange(256)])
    at = rng.randrange(len(raw))
    return raw[:at] + bytes([rng.randrange(256)]) + raw[at + 1 :]


def _word(rng: Random, raw: bytes) -> bytes:
    """One word or number in the place of another."""
    words = raw.split(b" ")
    words[rng.randrange(len(words))] = rng.choice((rng.choice(words), rng.choice(SCALARS)))
    return b" ".join(words)


def changed_tree(rng: Random, tree: Any, raw: bytes) -> Any:
    """A copy of a JSON value with something else at one of its places."""
    tree = copy.deepcopy(tree)
    node = tree
    path: list[Any] = []
    while isinstance(node, dict | list) and node:
        keys = list(node) if isinstance(node, dict) else range(len(node))
        if path and rng.random() < 0.15:
            break
        path.append((node, rng.choice(keys)))
        node = node[path[-1][1]]
    if not path:
        return rng.choice(VALUES)
    holder, key = path[-1]
    match rng.randrange(6):
        case 0 if isinstance(holder, dict):
            del holder[key]
        case 1 if isinstance(holder, dict):
            holder[rng.choice(("x", "kind", "seq", ""))] = rng.choice(VALUES)
        case 2 if isinstance(holder[key], int | float):
            holder[key] = holder[key] + rng.choice((-1, 1, 1000, -1000))
        case 3:
            holder[key] = raw.decode("utf-8", "replace")
        case _:
            holder[key] = rng.choice(VALUES)
    return json.loads(json.dumps(tree))
