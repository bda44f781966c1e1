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
    except (YAMLError, ValueError, RecursionError) as bad:
        raise InputFileError(f"{name}: not YAML: {str(bad).splitlines()[0]}.") from None
    try:
        return model.model_validate(_plain(tree))
    except ValidationError as bad:
        lines = [_describe(error, tree, name) for error in bad.errors()]
        more = f"\n(and {len(lines) - 5} more)" if len(lines) > 5 else ""
        raise InputFileError("\n".join(lines[:5]) + more) from None


def _plain(node: Any) -> Any:
    """ruamel's annotated containers and scalars as the built-in ones."""
    if isinstance(node, dict):
        return {str(key): _plain(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(value) for value in node]
    for builtin in (bool, int, float, str):
        if isinstance(node, builtin):
            return builtin(node)
    return node


def _describe(error: Any, tree: Any, name: str) -> str:
    line, path = _locate(tree, error["loc"])
    found = "" if error["type"] == "missing" else f" found {_short(error['input'])};"
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
