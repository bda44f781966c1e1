"""Where a campaign leaves its figures for readers: ``RESULTS.md`` beside its command.

Every campaign has ``--results``; given, it puts what it prints into the section of its
own name there, with the day, the version and the command, in the place of the figures
before. The first lines of the file and the sections of other campaigns stay.
"""

from __future__ import annotations

import io
import re
import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout
from datetime import UTC, datetime
from pathlib import Path

from assistant import __version__

FILE = "RESULTS.md"
HELP = f"put what is printed into {FILE} beside the command, too"


class _Both(io.StringIO):
    """Prints, and keeps what was printed."""

    def __init__(self) -> None:
        super().__init__()
        self._shown = sys.stdout

    def write(self, text: str) -> int:
        self._shown.write(text)
        return super().write(text)

    def flush(self) -> None:
        self._shown.flush()


@contextmanager
def kept(script: str, title: str, *, wanted: bool) -> Iterator[None]:
    """What is printed meanwhile becomes the section ``title`` beside ``script``, if wanted.

    A campaign that breaks off with an error leaves the section as it was.
    """
    if not wanted:
        yield
        return
    both = _Both()
    try:
        with redirect_stdout(both):
            yield
    except SystemExit:
        record(Path(script), title, both.getvalue())
        raise
    record(Path(script), title, both.getvalue())


def record(script: Path, title: str, told: str) -> None:
    """Put ``told`` under the heading ``title`` of the ``RESULTS.md`` beside ``script``."""
    given = [one for one in sys.argv[1:] if one != "--results"]
    command = shlex.join([f"tests/{script.parent.name}/{script.name}", *given])
    about = f"{datetime.now(UTC).date().isoformat()}, version {__version__}: `{command}`"
    path = script.parent / FILE
    path.write_text(with_section(path.read_text(), title, about, told))


def with_section(text: str, title: str, about: str, told: str) -> str:
    """``text`` with the section of that title made anew, or added at the end."""
    section = f"## {title}\n\n{about}\n\n```text\n{told.strip()}\n```\n\n"
    pattern = rf"^## {re.escape(title)}\n.*?(?=^## |\Z)"
    new, count = re.subn(
        pattern, lambda _: section, text, count=1, flags=re.MULTILINE | re.DOTALL
    )
    return (new if count else f"{text.rstrip()}\n\n{section}").rstrip() + "\n"
