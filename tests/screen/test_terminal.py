"""The terminal: rows of a view that break no word, a view that takes keys, plain lines."""

from __future__ import annotations

import os
import pty
import re
import select
import struct
import sys
import time
from fcntl import ioctl
from pathlib import Path
from queue import Empty
from termios import TIOCSWINSZ

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput
from typical_case import Driver

from assistant.clock import SystemClock
from assistant.prompt.prompts import Prompt, Urgency
from assistant.screen.codes import half_blocks
from assistant.screen.console import Console
from assistant.screen.port import Entered
from assistant.screen.rows import COLUMNS, MARKS, ROWS, Row, rows
from assistant.screen.view import Seen, ShownTrouble, View, view
from assistant.sitting import assembly
from assistant.words.sayings import load_wording
from screen.states import Scene, scenes

LANGUAGE = assembly.language()
WORDS = load_wording(LANGUAGE.folder, LANGUAGE.phrases)
SCENES = list(scenes())


def seen(scene: Scene) -> View:
    shown = Seen(
        state=scene.state,
        prompts=scene.prompts,
        heard=scene.heard,
        meaning=scene.meaning,
        microphone=scene.microphone,
        trouble=ShownTrouble(scene.trouble, len(scene.state.entries))
        if scene.trouble
        else None,
    )
    return view(shown, WORDS, SystemClock().now())


def text(made: list[Row]) -> str:
    return " ".join(" ".join(row.text for row in made).split())


@pytest.mark.parametrize("scene", SCENES, ids=[scene.name for scene in SCENES])
def test_a_terminal_of_80_by_24_shows_what_matters_without_breaking_a_word(
    scene: Scene,
) -> None:
    shown = seen(scene)
    made = rows(shown, ["a line that was told"])
    assert len(made) == ROWS
    assert all(len(row.text) <= COLUMNS for row in made)
    drawn = text(made)
    for notice in shown.notices:
        assert f"{MARKS[notice.level].strip()} {notice.text}" in drawn
    if shown.countdown is None:
        assert shown.ask in drawn
    if shown.course.last and not shown.signed:
        assert f"Last: {shown.course.last[0].text}" in drawn
    for elsewhere in shown.canals:
        if elsewhere.warnings and not elsewhere.active:
            assert f"!{elsewhere.warnings} to answer" in drawn
    assert shown.microphone is not None
    assert made[0].text.endswith(f"{shown.microphone.words} ")


NAMES = {scene.name: seen(scene) for scene in SCENES}


@given(st.sampled_from(sorted(NAMES)), st.integers(20, 200), st.integers(4, 60))
def test_rows_fill_any_terminal_and_break_no_word(name: str, columns: int, height: int) -> None:
    shown = NAMES[name]
    made = rows(shown, ["told " * 30, "again"], columns, height)
    assert len(made) == height
    assert all(len(row.text) <= columns for row in made)
    known = {*" ".join((shown.ask, *(n.text for n in shown.notices), *MARKS.values())).split()}
    for row in made if columns >= 40 else ():
        if row.look in {"ask", "question", "warning", "trouble", "caution"}:
            assert {*row.text.split()} <= known | {">"}


def test_a_code_to_photograph_is_whole_or_not_there() -> None:
    code = half_blocks("http://192.0.2.2:7343/#0123456789abcdef0123456789")
    lines = code.strip("\n").splitlines()
    shown = seen(next(scene for scene in SCENES if scene.name == "reference"))
    made = rows(shown, ["Screen 1: to watch.", code, "Screen at 192.0.2.2"], COLUMNS, ROWS - 2)
    at = [i for i, row in enumerate(made) if row.text.startswith(lines[0][:20])]
    assert len(at) == 1
    assert [row.text[: len(lines[0])] for row in made[at[0] :]] == lines
    assert "Screen at 192.0.2.2" in text(made)
    assert shown.ask in text(made), "what is asked stays"
    short = rows(shown, [code], COLUMNS, 12)
    assert "more rows of this terminal" in text(short)
    assert not any("█" in row.text for row in short)


@pytest.mark.parametrize(
    ("elapsed_s", "words"),
    [(2.0, "HEAT ON 2 s, limit 4 s"), (3.9, "HEAT ON 3 s"), (4.0, "HEAT OVER LIMIT 4 s")],
)
def test_the_seconds_go_on_between_two_views(elapsed_s: float, words: str) -> None:
    shown = seen(next(scene for scene in SCENES if scene.name == "heat-on"))
    assert shown.countdown is not None
    since_s = elapsed_s - shown.countdown.elapsed_s
    assert words in text(rows(shown, [], since_s=since_s))


class Wide(DummyOutput):
    """The library's own test double, with the size of a usual terminal."""

    def __init__(self) -> None:
        self.written: list[str] = []

    def get_size(self) -> Size:
        return Size(rows=ROWS, columns=COLUMNS)

    def write(self, data: str) -> None:
        self.written.append(data)


def next_line(console: Console) -> Entered:
    try:
        return console.typed.get(timeout=5)
    except Empty:
        pytest.fail("nothing was typed")


def test_keys_become_lines_and_what_is_shown_is_drawn() -> None:
    told: list[str] = []
    shows = Wide()
    with create_pipe_input() as keys:
        console = Console(SystemClock(), WORDS, told.append, keys=keys, shows=shows)
        console.write("before it began")
        console.start()
        console.show_step(Driver(demo=True).state)
        console.show_prompts([Prompt("Which tooth?", Urgency.STEP)])
        keys.send_text("plugger 16.5\r")
        assert next_line(console) == "plugger 16.5"
        keys.send_text("\r")
        assert next_line(console) == "", "an empty line is the pedal"
        keys.send_text("x" * 1001 + "\r")
        keys.send_text("\x04")
        assert next_line(console) is None, "the end of what is typed"
        assert any("1000 characters" in line for line in console._told)
        console.write("while it is there")
        console.close()
    assert told == ["before it began"]
    drawn = text(console_rows(console))
    for wanted in ("INVENTED DATA", "Which tooth?", "before it began", "while it is there"):
        assert wanted in drawn
    assert "type>" in "".join(shows.written)


def console_rows(console: Console) -> list[Row]:
    return [Row(part[1]) for part in console._drawn()]


def test_in_a_real_terminal_a_line_is_typed_and_shown(tmp_path: Path) -> None:
    """``fillwarm run`` as a person starts it, over a pseudo-terminal of 80 by 24."""
    child, master = pty.fork()
    if child == 0:
        os.environ.update(
            TERM="xterm-256color",
            FILLWARM_CASES=str(tmp_path),
            XDG_DATA_HOME=str(tmp_path),
            XDG_CONFIG_HOME=str(tmp_path),
            PYTHON_KEYRING_BACKEND="keyring.backends.null.Keyring",
            PYTHONPATH=str(Path(__file__).parents[2]),
        )
        os.execv(
            sys.executable,
            [sys.executable, "-m", "assistant", "run", "--typed", "--case", "t", "--silent"],
        )
    ioctl(master, TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
    _until(master, "Which tooth", "type>")
    os.write(master, b"11\r")
    _until(master, "Which canals")
    os.write(master, b"\x04")
    # The terminal is given back before the last lines are written.
    assert "\x1b[?1049l" in _until(master, "Not signed yet")
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def _until(master: int, *wanted: str) -> str:
    printed, end = "", time.monotonic() + 240
    while time.monotonic() < end:
        if select.select([master], [], [], 0.2)[0]:
            try:
                printed += os.read(master, 65536).decode(errors="replace")
            except OSError:  # it has ended
                break
        plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", printed)
        if all(one in plain for one in wanted):
            return printed
    pytest.fail(f"{wanted!r} was not printed: {printed[-2000:]}")
