"""Read a YAML file into a pydantic model; an error says which line and field."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.scanner import RoundTripScanner

from assistant.errors import InputFileError
from assistant.files.shipped import data_folder

Model = TypeVar("Model", bound=BaseModel)

MAX_NODES = 100_000
MAX_DEPTH = 40
"""Values in a file, and lists within lists; a protocol has a thousand, five deep."""

MAX_BYTES = 1_000_000
"""A protocol or a grammar is a few kilobytes; more is a wrong file (or an attack)."""


def read_text(path: Path) -> str:
    """The file as UTF-8 text.

    Raises:
        InputFileError: missing, unreadable, a folder, too large, or not UTF-8.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputFileError(
                f"{path} is larger than {MAX_BYTES} bytes; is it the right file?"
            )
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputFileError(f"{path} does not exist; check the name.") from None
    except UnicodeDecodeError as bad:
        raise InputFileError(
            f"{path} is not UTF-8 text (byte {bad.start}); save it as UTF-8."
        ) from None
    except OSError as bad:
        raise InputFileError(f"{path} cannot be read: {bad.strerror}.") from None


def load_yaml(path: Path, model: type[Model]) -> Model:
    """Parse ``path`` and validate it as ``model``.

    Raises:
        InputFileError: the file cannot be read, is not YAML, or does not fit
            the model; up to five misfits are listed, each with its line.
    """
    return parse_yaml(read_text(path), model, str(path))


def load_shared(kind: str, model: type[Model]) -> Model:
    """What files of a kind share and name only (``protocols/shared/KIND.yaml``).

    Raises:
        InputFileError: as :func:`load_yaml`.
    """
    return load_yaml(data_folder("protocols") / "shared" / f"{kind}.yaml", model)


FROM_FILE: Mapping[str, Any] = {"file": True, "shared": load_shared}
"""Validation context of what a file says, for what is asked of a file alone, and the reader
of what it shares with others."""


class _Scanner(RoundTripScanner):
    """Stops where the nesting passes ``MAX_DEPTH``: the scanner's time grows with its
    square, and 3000 brackets took four seconds before they were refused."""

    def fetch_flow_collection_start(self, *args: Any, **named: Any) -> None:
        self._check_depth()
        super().fetch_flow_collection_start(*args, **named)

    def add_indent(self, column: int) -> bool:
        self._check_depth()
        return bool(super().add_indent(column))

    def _check_depth(self) -> None:
        if len(self.flow_context) + len(self.indents) > MAX_DEPTH:
            mark = self.reader.get_mark()
            raise MarkedYAMLError(
                problem=f"lists nested more than {MAX_DEPTH} deep", problem_mark=mark
            )


_UNUSUAL = re.compile(r"^%|<<|[!&*\t\x85\u2028\u2029\ufeff]", re.MULTILINE)
"""Directives, tags, anchors, aliases, merges, tabs and the line ends of other alphabets: not
all readers make the same of them."""

MAX_BRACKETS, MAX_INDENT = 2_000, 200
"""No text within them is nested so deep that the parser in C, which has no limit of its own,
runs out of stack."""


def _is_usual(text: str) -> bool:
    """Whether the parser in C, seven times as fast, may read it first."""
    deep = max((len(one) - len(one.lstrip(" -?")) for one in text.splitlines()), default=0)
    brackets = text.count("[") + text.count("{")
    return brackets <= MAX_BRACKETS and deep <= MAX_INDENT and not _UNUSUAL.search(text)


def parse_yaml(text: str, model: type[Model], name: str) -> Model:
    """As :func:`load_yaml`, from text; ``name`` stands in the error. The same text gives the
    same value, which nobody changes: a protocol takes 0.06 s, an unusual one 0.4 s."""
    return cast(Model, _parsed(text, model, name))


@lru_cache(maxsize=32)
def _parsed(text: str, model: type[BaseModel], name: str) -> BaseModel:
    with contextlib.suppress(Exception):  # of what is wrong the slow reader knows the line
        if _is_usual(text):
            return model.model_validate(_plain(YAML(typ="safe").load(text)), context=FROM_FILE)
    try:
        reader = YAML(typ="rt")
        reader.Scanner = _Scanner
        tree = reader.load(text)
    except MarkedYAMLError as bad:
        mark = bad.problem_mark
        where = f" line {mark.line + 1}" if mark else ""
        said = _printable(str(bad.problem or bad.context))
        raise InputFileError(f"{name}{where}: not YAML: {said}.") from None
    except Exception as bad:
        # The parser has defects of its own: AttributeError for a merge (<<) of a value
        # into itself, AssertionError for some comments, IndexError, TypeError.
        raise InputFileError(f"{name}: not YAML: {_first_line(bad)}.") from None
    try:
        plain = _plain(tree)
    except _HalfCharacterError as bad:
        raise InputFileError(
            f"{name}: {_short(bad.args[0])} holds half of a character (\\ud800 to \\udfff), "
            "which cannot be written to a record; take it out."
        ) from None
    except _TooMuchError:
        raise InputFileError(
            f"{name}: more than {MAX_NODES} values, or lists within lists without end, "
            "once its aliases (*name) are followed; write it without aliases."
        ) from None
    if not isinstance(plain, dict):
        raise InputFileError(
            f"{name}: found {_short(plain)} where 'key: value' lines are expected; "
            "is it the right file?"
        )
    try:
        return model.model_validate(plain, context=FROM_FILE)
    except ValidationError as bad:
        lines = [_describe(error, tree, name) for error in bad.errors()]
        more = f"\n(and {len(lines) - 5} more)" if len(lines) > 5 else ""
        raise InputFileError("\n".join(lines[:5]) + more) from None


def _first_line(bad: Exception) -> str:
    """What a parser has to say, on one line; some have nothing to say."""
    return _printable((str(bad).splitlines() or [type(bad).__name__])[0])


def _printable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


class _HalfCharacterError(Exception):
    """A lone surrogate: an escape (``"\\ud800"``) can make one, UTF-8 cannot hold it."""


class _TooMuchError(Exception):
    """Aliases make more of the file than anybody can have meant."""


def _plain(node: Any, budget: list[int] | None = None, depth: int = 0) -> Any:
    """ruamel's annotated containers and scalars as the built-in ones.

    ``budget`` holds how many values are left: an alias costs as much as what it
    stands for, so that a few lines cannot grow into billions of values.
    """
    budget = budget if budget is not None else [MAX_NODES]
    budget[0] -= 1
    if budget[0] < 0 or depth > MAX_DEPTH:
        raise _TooMuchError
    if isinstance(node, dict):
        return {
            _plain(_key(key), budget): _plain(value, budget, depth + 1)
            for key, value in node.items()
        }
    if isinstance(node, list):
        return [_plain(value, budget, depth + 1) for value in node]
    for builtin in (bool, int, float, str):
        if isinstance(node, builtin):
            if isinstance(node, str) and _printable(node) != node:
                raise _HalfCharacterError(str(node))
            return builtin(node)
    return node


def _key(key: Any) -> str:
    return _text(key, str)


def _text(value: Any, write: Callable[[Any], str] = repr) -> str:
    try:
        return write(value)
    except ValueError:  # Python writes no number of more than 4300 digits
        return "a number of thousands of digits"


def where_and_what(error: Any) -> tuple[tuple[Any, ...], str]:
    """Of an error of pydantic, its place in the tree and its sentence, without a full stop. A
    check of the whole (protocol/coherence.py) says itself where it failed."""
    at = error.get("ctx", {}).get("at", ())
    return (*error["loc"], *at), error["msg"].removeprefix("Value error, ")


def _describe(error: Any, tree: Any, name: str) -> str:
    place, message = where_and_what(error)
    line, path = _locate(tree, place)
    quiet = error["type"] == "missing" or len(place) > len(error["loc"])
    found = "" if quiet else f" found {_short(error['input'])};"
    return (
        f"{name} line {line}: {path or 'the file'}:{found} {message[0].lower()}{message[1:]}."
    )


def _short(value: Any) -> str:
    text = _text(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _line(place: Callable[[Any], Any], part: Any, before: int) -> int:
    """The line of a key or item; some kinds of mapping (!!omap) keep no lines."""
    try:
        return int(place(part)[0]) + 1
    except (TypeError, KeyError, AttributeError):
        return before


def _locate(tree: Any, loc: tuple[Any, ...]) -> tuple[int, str]:
    """Walk pydantic's location down the YAML tree; parts that are not in it
    (the tags of a union) are passed over."""
    node: Any = tree
    line, path = 1, ""
    for part in loc:
        if isinstance(node, CommentedMap) and part in node:
            line = _line(node.lc.key, part, line)
            path = f"{path}.{part}" if path else str(part)
        elif isinstance(node, CommentedSeq) and isinstance(part, int) and part < len(node):
            line = _line(node.lc.item, part, line)
            path = f"{path}[{part}]"
        elif isinstance(node, dict) and part == loc[-1]:
            path = f"{path}.{part}" if path else str(part)
            break
        else:
            continue
        node = node[part]
    return line, path
