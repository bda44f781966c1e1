"""A short case heard from synthesised speech, for tests: one canal, to a post level."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path

from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.sitting.rehearsal import Line, Operator, Script
from assistant.sitting.session import Session

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

LINES = (
    Line(say="tooth one one"),
    Line(say="single"),
    Line(say="yes"),
    Line(say="none"),
    Line(say="working length twenty two"),
    Line(say="apex locator twenty two"),
    Line(say="taper point oh six"),
    Line(say="cone size forty"),
    Line(say="cone length twenty two"),
    Line(say="yes"),
    Line(say="radiograph accepted"),
    Line(say="plugger eighteen"),  # limit 17: warned
    Line(say="correction seventeen"),
    Line(say="carrier seventeen"),
    Line(say="dry"),
    Line(say="paper point twenty two"),
    Line(say="twenty two"),
    Line(say="confirm"),
    Line(say="confirm"),
    Line(say="yes"),
    Line(say="seated"),
    Line(say="sear eleven"),
    Line(say="heat on"),
    Line(say="heat off", after_s=1.5),
    Line(say="carrier seventeen plugger seventeen"),
    Line(say="press"),
    Line(say="stop", after_s=2.6),  # let go early
    Line(say="press"),
    Line(say="post level seventeen", wait_for_timer=True),
    Line(say="done"),
    Line(say="radiograph accepted"),
    Line(say="sign the note"),
    Line(say="confirm"),
)


LATERAL = (
    Line(say="tooth one one"),
    Line(say="single"),
    Line(say="yes"),
    Line(say="none"),
    Line(say="working length twenty two"),
    Line(say="apex locator twenty two"),
    Line(say="size forty"),
    Line(say="taper point oh six"),
    Line(say="coronal level eight"),
    Line(say="cone size forty"),
    Line(say="cone taper point oh two"),
    Line(say="cone length twenty two"),
    Line(say="yes"),
    Line(say="radiograph accepted"),
    Line(say="spreader twenty two"),  # limit 21: warned
    Line(say="correction twenty one"),
    Line(say="dry"),
    Line(say="paper point twenty two"),
    Line(say="twenty two"),
    Line(say="confirm"),
    Line(say="confirm"),
    Line(say="seated"),
    Line(say="spreader twenty"),
    Line(say="press"),
    Line(say="accessory twenty five", wait_for_timer=True),
    Line(say="canal full"),
    Line(say="none"),
    Line(say="eight"),
    Line(say="done"),
    Line(say="radiograph accepted"),
    Line(say="sign the note"),
    Line(say="confirm"),
)
"""The third technique, one accessory cone."""


def sit(
    folder: Path,
    voice: str,
    *,
    lines: tuple[Line, ...] = LINES,
    room_rms: float = 25.0,
    protocol: str = "to-post-level",
) -> tuple[Session, Operator]:
    """The session and the operator after the case has been heard to its end."""
    done = assembly.rehearse(
        Script(case_code="T-1", operator="Operator A", lines=lines),
        folder,
        load_yaml(protocol_path(protocol), Protocol),
        voice,
        START,
        lambda _line: None,
        room_rms=room_rms,
    )
    return done.session, done.operator


def heard(voice: str, room_rms: float) -> tuple[Session, Operator]:
    """As :func:`sit`, in a folder of its own, and closed."""
    session, operator = sit(Path(tempfile.mkdtemp()) / "case", voice, room_rms=room_rms)
    session.case.close()
    return session, operator
