"""Read a YAML file into a pydantic model; an error says which line and field."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from assistant.errors import InputFileError

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


def parse_yaml(text: str, model: type[Model], name: str) -> Model:
    """As :func:`load_yaml`, from text; ``name`` stands in the error."""
    try:
        tree = YAML(typ="rt").load(text)
    except MarkedYAMLError as bad:
        mark = bad.problem_mark
        where = f" line {mark.line + 1}" if mark else ""
        raise InputFileError(
            f"{name}{where}: not YAML: {bad.problem or bad.context}."
        ) from None
    except (YAMLError, ValueError, RecursionError, AttributeError) as bad:
        # The last is what the parser makes of a merge (<<) of a value into itself.
        raise InputFileError(f"{name}: not YAML: {str(bad).splitlines()[0]}.") from None
    try:
        plain = _plain(tree)
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
        return model.model_validate(plain)
    except ValidationError as bad:
        lines = [_describe(error, tree, name) for error in bad.errors()]
        more = f"\n(and {len(lines) - 5} more)" if len(lines) > 5 else ""
        raise InputFileError("\n".join(lines[:5]) + more) from None


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
        return {str(key): _plain(value, budget, depth + 1) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(value, budget, depth + 1) for value in node]
    for builtin in (bool, int, float, str):
        if isinstance(node, builtin):
            return builtin(node)
    return node


def _describe(error: Any, tree: Any, name: str) -> str:
    # A check of the whole (procedure/coherence.py) says itself where it failed.
    at = error.get("ctx", {}).get("at", ())
    line, path = _locate(tree, (*error["loc"], *at))
    quiet = error["type"] == "missing" or at
    found = "" if quiet else f" found {_short(error['input'])};"
    message = error["msg"].removeprefix("Value error, ")
    return (
        f"{name} line {line}: {path or 'the file'}:{found} {message[0].lower()}{message[1:]}."
    )


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _locate(tree: Any, loc: tuple[Any, ...]) -> tuple[int, str]:
    """Walk pydantic's location down the YAML tree; parts that are not in it
    (the tags of a union) are passed over."""
    node: Any = tree
    line, path = 1, ""
    for part in loc:
        if isinstance(node, CommentedMap) and part in node:
            line = node.lc.key(part)[0] + 1
            path = f"{path}.{part}" if path else str(part)
        elif isinstance(node, CommentedSeq) and isinstance(part, int) and part < len(node):
            line = node.lc.item(part)[0] + 1
            path = f"{path}[{part}]"
        elif isinstance(node, dict) and part == loc[-1]:
            path = f"{path}.{part}" if path else str(part)
            break
        else:
            continue
        node = node[part]
    return line, path
