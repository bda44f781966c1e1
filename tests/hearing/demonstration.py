"""The demonstration over suction: is it signed, and after how many questions?

    python tests/hearing/demonstration.py --voice flite:awb --voice piper:joe

The script of ``fillwarm demo``, heard by the own ears alone from voices of the report half,
none of which they were trained or tuned on. The noise goes on all the time, at 10 dB under
the operator. A question is whatever the operator had to say besides the script: a line again,
or the answer about a value in doubt. It fails if a case is not signed or a voice needed more
than :data:`MOST_QUESTIONS`. With ``--lines`` only so many of the script are said, and no case
is signed: the sample of CI.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from datetime import UTC, datetime
from itertools import cycle
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.case.casefile import CaseFile
from assistant.clock import SampleClock
from assistant.files.shipped import demo_script, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.sitting.dictation import LEVEL_RMS
from assistant.sitting.rehearsal import Operator, Script
from assistant.sound.player import TimelinePlayer
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples, to_int16
from hearing.halves import noise_variant
from hearing.noises import Condition, active_rms, background
from hearing.voices import speak, usable

VOICES = ("flite:awb", "espeak-ng:en-gb", "piper:joe")
MOST_QUESTIONS = 2
NOISE_S = 60


def level(text: str, voice: str, slower: int) -> Samples:
    """A line at the level that the noise is measured against."""
    said = speak(text, voice, None, slower)
    return to_int16(said * (LEVEL_RMS / (active_rms(said) or 1.0)))


def rehearse(
    voice: str, snr_db: float, number: int, lines: int | None = None
) -> tuple[Operator, bool]:
    """The operator after the case, or after so many lines, and whether it was signed."""
    room = background(NOISE_S * RATE_HZ, Condition("suction", snr_db), number)
    frames = cycle(
        room[: len(room) // FRAME_SAMPLES * FRAME_SAMPLES].reshape(-1, FRAME_SAMPLES)
    )

    def next_of_room(_count: int) -> NDArray[np.float64]:
        return next(frames).copy()

    script = load_yaml(demo_script(), Script)
    script = script.model_copy(update={"lines": script.lines[:lines]})
    clock, words = SampleClock(datetime(2026, 3, 2, 9, 0, tzinfo=UTC)), assembly.language()
    with tempfile.TemporaryDirectory() as folder:
        case = CaseFile.create(
            Path(folder) / "case",
            load_yaml(protocol_path("warm-vertical"), Protocol),
            clock.now(),
            case_code=script.case_code,
            operator=script.operator,
            demo=True,
        )
        player = TimelinePlayer(clock.seconds)
        ears = assembly.hearing("own", None, words)
        sitting = assembly.session(case, clock, player, lambda _line: None, words, ears)
        operator = Operator(script, sitting, voice, speak=level, room=next_of_room)
        sitting.run(operator)
        case.close()
        return operator, case.state.signed is not None and operator.failed is None


def main() -> None:
    """Each voice once."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--voice", action="append", help=f"default: {', '.join(VOICES)}")
    parser.add_argument("--snr", type=float, default=10.0, help="dB of the operator over it")
    parser.add_argument("--lines", type=int, help="only so many of the script")
    parser.add_argument("--results", action="store_true", help=results.HELP)
    asked = parser.parse_args()
    known = {voice.name for voice in usable("report")}
    failed = False
    with results.kept(__file__, "The demonstration over suction", wanted=asked.results):
        for number, voice in enumerate(asked.voice or VOICES):
            if voice not in known:
                sys.exit(f"{voice} is no voice of the report half here: {', '.join(known)}.")
            operator, signed = rehearse(
                voice, asked.snr, noise_variant("report", number), asked.lines
            )
            tally = operator.tally
            questions = tally.asked_again + tally.confirmed
            part = asked.lines is not None and operator.failed is None
            failed |= not (signed or part) or questions > MOST_QUESTIONS
            told = "signed" if signed else f"NOT SIGNED: {operator.failed}"
            if part:
                told = f"the first {asked.lines} lines"
            print(
                f"{voice:<16} {told}; "
                f"{tally.said} phrases said, {questions} questions "
                f"({tally.asked_again} said again, {tally.confirmed} confirmed), "
                f"{tally.taken_back} taken back"
            )
            for repair in tally.repairs:
                print(f"    {repair}")
            sys.stdout.flush()
    sys.exit(failed)


if __name__ == "__main__":
    main()
