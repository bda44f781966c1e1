"""Comparisons made strict or lax, one at a time: does a test notice?

    .venv/bin/python tests/mutants.py assistant/procedure/rules.py tests/procedure

Each ``<``, ``<=``, ``>`` and ``>=`` of a module is exchanged for its neighbour in a copy of
the program, and the tests that are named are run on the copy. Those that no test notices
are printed; a comparison with a tolerance (``EPSILON_MM``, ``_DUST_MM``) is left out, for
no value lies exactly at a limit with the tolerance added.
"""

from __future__ import annotations

import argparse
import ast
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
NEIGHBOUR: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
TOLERANCES = ("EPSILON", "_DUST", "_PRECISION", "slack", "1e-")


class Mutant(NamedTuple):
    """The changed source, with the line and what stands there now."""

    line: int
    now: str
    source: str


def mutants(source: str) -> Iterator[Mutant]:
    """Every comparison changed, one at a time."""
    count = sum(len(node.ops) for node in _comparisons(ast.parse(source)))
    for wanted in range(count):
        tree, at = ast.parse(source), 0
        for node in _comparisons(tree):
            for place, kind in enumerate(node.ops):
                if at == wanted and type(kind) in NEIGHBOUR:
                    before = ast.unparse(node)
                    node.ops[place] = NEIGHBOUR[type(kind)]()
                    if not any(word in before for word in TOLERANCES):
                        yield Mutant(node.lineno, ast.unparse(node), ast.unparse(tree))
                at += 1


def _comparisons(tree: ast.AST) -> Iterator[ast.Compare]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.Compare))


def noticed(root: Path, module: Path, mutant: Mutant, tests: list[str]) -> bool:
    """Whether the tests fail on a copy of the program in ``root`` that has the mutant."""
    (root / module).write_text(mutant.source)
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-x",
        "-q",
        "-n0",
        "-p",
        "no:cacheprovider",
        *tests,
    ]
    done = subprocess.run(
        command,
        cwd=root,
        env=os.environ | {"PYTHONPATH": str(root), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        timeout=900,
        check=False,
    )
    # 1: a test failed; 2: the program could not even be loaded. All else is no answer.
    if done.returncode not in {0, 1, 2}:
        sys.exit(done.stdout.decode()[-2000:] + done.stderr.decode()[-2000:])
    return done.returncode != 0


def main() -> None:
    """Print the mutants that live; exit code 1 if there is one."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("module", type=Path)
    parser.add_argument("tests", nargs="+")
    given = parser.parse_args()
    alive = tried = 0
    with tempfile.TemporaryDirectory() as made:
        root = Path(made)
        for part in ("assistant", "tests", "grammars", "protocols"):
            shutil.copytree(ROOT / part, root / part, ignore=shutil.ignore_patterns("*.pyc"))
        shutil.copy(ROOT / "pyproject.toml", root)
        source = (ROOT / given.module).read_text()
        for mutant in mutants(source):
            tried += 1
            if not noticed(root, given.module, mutant, given.tests):
                alive += 1
                print(f"{given.module}:{mutant.line}: {mutant.now}", flush=True)
    print(f"{given.module}: {tried - alive} of {tried} noticed")
    sys.exit(1 if alive else 0)


if __name__ == "__main__":
    main()
