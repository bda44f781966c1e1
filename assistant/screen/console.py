"""A terminal shown as one clean view: what the case shows above, what is typed below.

What stands there is made by :mod:`.rows`; here are only the keys, the thread and the
library that draws. Where it cannot be used (a pipe, a terminal without a name, ``--plain``)
:mod:`.terminal` writes lines.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from queue import SimpleQueue
from typing import Any

from prompt_toolkit.application import Application
from prompt_toolkit.buffer import Buffer
from prompt_toolkit.formatted_text import StyleAndTextTuples
from prompt_toolkit.history import InMemoryHistory
from prompt_toolkit.input import Input
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.layout import HSplit, Layout, Window
from prompt_toolkit.layout.controls import BufferControl, FormattedTextControl
from prompt_toolkit.layout.processors import BeforeInput
from prompt_toolkit.output import Output
from prompt_toolkit.styles import Style

from assistant.clock import Clock
from assistant.screen.newest import Newest
from assistant.screen.port import LONGEST_LINE, Entered
from assistant.screen.rows import rows
from assistant.screen.view import Seen, ShownTrouble, View, view
from assistant.words.sayings import Wording

AGAIN_S = 0.25
"""How often times and countdown are drawn anew."""

_TYPING = 2
"""Rows for typing: a line and what is typed."""

_KEPT = 200
"""Lines that were written, of which the newest are shown."""

# Both colours of a block are set, so that it can be read on any ground; as on the page.
_LOOKS = Style.from_dict(
    {
        "status": "reverse bold",
        "warning": "bg:#d55e00 #000000 bold",
        "trouble": "bg:#d55e00 #000000 bold",
        "late": "bg:#d55e00 #000000 bold",
        "waits": "bg:#d55e00 #000000",
        "caution": "bg:#f0e442 #000000",
        "question": "bg:#0067a3 #ffffff bold",
        "in-order": "bg:#2fc496 #000000",
        "signed": "bg:#2fc496 #000000 bold",
        "paused": "reverse",
        "closed": "reverse",
        "timer": "bg:#56b4e9 #000000 bold",
        "ask": "bold",
        "quiet": "",
    }
)


def usable() -> bool:
    """Whether a person sits at a terminal that can be drawn on."""
    named = os.environ.get("TERM", "dumb") not in {"", "dumb", "unknown"}
    return named and sys.stdin.isatty() and sys.stdout.isatty()


class Console(Newest):
    """A :class:`~.port.Screen` on the whole terminal, from :meth:`start` to :meth:`close`.

    Lines that are typed go into ``typed``, an empty one as a tap; with ``ends`` the end of
    the input (Ctrl-D) ends the sitting. Ctrl-C interrupts the program, as anywhere.

    Args:
        write: writes a line while the view is not there yet, or no longer.
        told: what has been written already and must be seen here too.
        keys, shows: a terminal of one's own, for tests; None is the present one.
    """

    def __init__(
        self,
        clock: Clock,
        wording: Wording,
        write: Callable[[str], None],
        told: Sequence[str] = (),
        *,
        keys: Input | None = None,
        shows: Output | None = None,
    ) -> None:
        super().__init__()
        self.typed: SimpleQueue[Entered] = SimpleQueue()
        self.ends = True
        self._clock = clock
        self._wording = wording
        self._plain = write
        self._told = list(told)
        self._made: tuple[Seen, View, float] | None = None
        self._thread: threading.Thread | None = None
        self._there = threading.Event()
        self._line = Buffer(
            multiline=False, accept_handler=self._entered, history=InMemoryHistory()
        )
        above = Window(FormattedTextControl(self._drawn), wrap_lines=False)
        asked = BufferControl(self._line, input_processors=[BeforeInput("type> ")])
        self._app: Application[None] = Application(
            Layout(HSplit([above, Window(height=1, char="="), Window(asked, height=1)])),
            key_bindings=self._keys(),
            style=_LOOKS,
            full_screen=True,
            refresh_interval=AGAIN_S,
            input=keys,
            output=shows,
        )
        self._app.layout.focus(self._line)

    # -- what the case shows; nothing here waits ------------------------------

    def write(self, line: str) -> None:
        """A line for whoever sits here: in the view while it is there."""
        self._told = [*self._told, line][-_KEPT:]
        if self._thread is None:
            self._plain(line)
        self._app.invalidate()

    def show_trouble(self, text: str) -> None:
        """Something failed; what still works."""
        super().show_trouble(text)
        # Libraries of sound devices write about such things too, over what is drawn.
        self._call(self._app.renderer.clear)

    def _see(self, **new: Any) -> None:
        super()._see(**new)
        self._app.invalidate()

    # -- life -------------------------------------------------------------------

    def start(self) -> None:
        """Take the terminal."""
        self._thread = threading.Thread(target=self._run, daemon=True, name="console")
        self._thread.start()
        self._there.wait(5)

    def _run(self) -> None:
        with suppress(EOFError):  # the terminal is gone
            self._app.run(pre_run=self._there.set, handle_sigint=False)
        self._there.set()
        if self._thread is not None and self.ends:
            self.typed.put(None)

    def close(self) -> None:
        """Give the terminal back as it was."""
        thread, self._thread = self._thread, None
        if thread is not None:
            self._call(self._leave)
            thread.join(5)

    def _leave(self) -> None:
        if self._app.is_running and not self._app.is_done:
            self._app.exit()

    def _call(self, what: Callable[[], object]) -> None:
        """In the thread that draws."""
        if (loop := self._app.loop) is not None:
            with suppress(RuntimeError):  # it has just been closed
                loop.call_soon_threadsafe(what)

    # -- keys -------------------------------------------------------------------

    def _entered(self, line: Buffer) -> bool:
        if len(line.text) > LONGEST_LINE:
            self.write(f"!! A line of more than {LONGEST_LINE} characters was not taken.")
        else:
            # What was written before has been read.
            self._told = [told for told in self._told if "\n" not in told]
            self.typed.put(line.text)
        return False

    def _keys(self) -> KeyBindings:
        keys = KeyBindings()

        @keys.add("c-c")
        def _interrupt(event: KeyPressEvent) -> None:
            event.app.exit()
            os.kill(os.getpid(), signal.SIGINT)

        @keys.add("c-d")
        def _end(event: KeyPressEvent) -> None:
            if self.ends and not self._line.text:
                self.typed.put(None)

        return keys

    # -- drawing ------------------------------------------------------------------

    def _drawn(self) -> StyleAndTextTuples:
        size = self._app.output.get_size()
        shown, since_s = self._view()
        drawn = rows(shown, self._told, size.columns, max(1, size.rows - _TYPING), since_s)
        return [
            (f"class:{row.look.replace(' ', '-')}" if row.look else "", f"{row.text}\n")
            for row in drawn
        ]

    def _view(self) -> tuple[View, float]:
        seen, now = self._seen, self._clock.now()
        if self._made is None or self._made[0] is not seen:
            try:
                made = view(seen, self._wording, now)
            except Exception as bad:
                # A view that stands still would look like a case that stands still.
                text = f"The view cannot show the case ({type(bad).__name__})."
                made = view(Seen(trouble=ShownTrouble(text, 0)), self._wording, now)
            self._made = (seen, made, time.monotonic())
        return self._made[1], time.monotonic() - self._made[2]
