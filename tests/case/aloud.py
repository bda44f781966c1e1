"""The written stories played by sound: the same lines, spoken, and the same note expected.

    python tests/case/aloud.py --voice flite:slt
    python tests/case/aloud.py --story wrong_tooth

Each is heard by the own ears, at the level of a headset in a quiet room. A story is right if
the note says all that it must and, of one sitting, what stands is what stands when its lines
are typed. Printed are also how many phrases were said, how often one had to be said again, with
what became of it, and how often a value in doubt was confirmed. It fails if a story does not
come out right.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.case.casefile import JOURNAL, CaseFile
from assistant.case.practice_file import load_practice, prefilled
from assistant.clock import SampleClock
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.protocol.model import Protocol
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.sitting import assembly
from assistant.sitting.rehearsal import Operator, Script, Tally
from assistant.sound.player import TimelinePlayer
from case.written import (
    ONE_SITTING,
    SITTINGS,
    Sitting,
    Story,
    however_told,
    load,
    stands,
    typed,
)

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
STORIES = {path.stem: path for path in (*ONE_SITTING, *SITTINGS)}


class Aloud(NamedTuple):
    """A story after it was heard: its state, its note, what was said in it by the program,
    and the tally of each sitting."""

    state: CaseState
    text: str
    said: str
    tallies: tuple[Tally, ...]
    failed: str | None

    def missing(self, story: Story) -> list[str]:
        """What the note and the program should have said and did not."""
        note_, said = however_told(self.text), however_told(self.said)
        lost = [one for one in story.note if however_told(one) not in note_]
        lost += [one for one in story.said if however_told(one) not in said]
        if STORIES[story.name] in ONE_SITTING:
            here, there = stands(self.state), stands(typed(story).state)
            lost += [f"typed it stands, not said: {one}" for one in there if one not in here]
            lost += [f"said it stands, not typed: {one}" for one in here if one not in there]
        if (self.state.signed is not None) != story.signed:
            lost.append("the signature" if story.signed else "no signature")
        return lost + ([self.failed] if self.failed else [])


def heard(story: Story, folder: Path, voice: str) -> Aloud:
    """Play a story by sound; its sittings are a week apart."""
    said: list[str] = []
    tallies: list[Tally] = []
    failed = None
    for number, sitting in enumerate(story.sittings):
        clock = SampleClock(START + timedelta(days=7 * number))
        operator, case = _sit(story, sitting, folder, clock, voice, said)
        tallies.append(operator.tally)
        failed = failed or operator.failed
        case.close()
    text = as_text(note(case.state, case.head_hash))
    return Aloud(case.state, text, " ".join(said), tuple(tallies), failed)


def _sit(
    story: Story,
    sitting: Sitting,
    folder: Path,
    clock: SampleClock,
    voice: str,
    said: list[str],
) -> tuple[Operator, CaseFile]:
    told = dict(zip(sitting.options[::2], sitting.options[1::2], strict=True))
    operates, now = told["--operator"], clock.now()
    practice = None
    if (folder / JOURNAL).exists():
        case = CaseFile.reopen(folder, now)
        if operates != case.state.operator:
            taken = it.TakeOver(role="operator", name=operates, heard=it.Heard(channel="key"))
            case.reopening += case.take(taken, now)
    else:
        with tempfile.NamedTemporaryFile("w", suffix=".yaml") as file:
            file.write(story.practice)
            file.flush()
            practice = load_practice(Path(file.name))
        people = (operates, *([told["--also"]] if "--also" in told else []))
        case = CaseFile.create(
            folder,
            load_yaml(protocol_path(story.protocol), Protocol),
            now,
            case_code=story.name,
            operator=operates,
            assistant=told.get("--assistant", ""),
            people=people,
            demo=True,
        )
    words = assembly.language()
    ears = assembly.hearing("own", None, words)
    player = TimelinePlayer(clock.seconds)
    session = assembly.session(case, clock, player, said.append, words, ears)
    session.prepared = prefilled(None, practice) if practice else None
    script = Script(case_code=story.name, operator=operates, lines=sitting.lines)
    operator = Operator(script, session, voice)
    session.run(operator)
    return operator, case


def main() -> None:
    """Each story once."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--voice", default="flite:slt")
    parser.add_argument("--story", action="append", choices=sorted(STORIES))
    parser.add_argument("--results", action="store_true", help=results.HELP)
    asked = parser.parse_args()
    wrong = 0
    with results.kept(__file__, "The written stories by sound", wanted=asked.results):
        for name in asked.story or STORIES:
            story, began = load(STORIES[name]), time.process_time()
            with tempfile.TemporaryDirectory() as folder:
                played = heard(story, Path(folder) / "case", asked.voice)
            lost = played.missing(story)
            wrong += bool(lost)
            phrases = sum(tally.said for tally in played.tallies)
            again = sum(tally.asked_again for tally in played.tallies)
            confirmed = sum(tally.confirmed for tally in played.tallies)
            print(
                f"{name:<26} {'WRONG' if lost else 'right'}; {phrases} phrases, {again} said "
                f"again, {confirmed} confirmed, {time.process_time() - began:.0f} s"
            )
            for line in (*lost, *(r for tally in played.tallies for r in tally.repairs)):
                print(f"    {line}")
            sys.stdout.flush()
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
