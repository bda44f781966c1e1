"""What the gate learns of a voice: one number, kept only where it helps, taken back at will."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from assistant.commandline.main import main
from assistant.errors import InputFileError
from assistant.progress import intents as it
from assistant.room import check as roomcheck
from assistant.room.learning import (
    FEWEST,
    LEAST,
    MOST,
    Judged,
    Known,
    Learned,
    confirmed,
    learned,
    shift_of,
)
from assistant.room.profile import Outcome, RoomProfile, known
from assistant.words.understand import Trust
from room import front_tooth

TRUST = Trust(accept=0.95, command=0.6, reject=0.2, harmless=0.4, stop=0.3, ours=0.6)
MODEST = [Known(0.9, True)] * 36
"""A voice that is always heard right, and never surely."""

SOME = Learned(
    shift=0.5, phrases=36, before=Judged(asked=9, wrong=0), after=Judged(asked=4, wrong=0)
)


def made(found: Learned | None, microphone: str = "A") -> RoomProfile:
    return RoomProfile(
        made_at=datetime(2026, 3, 2, 9, tzinfo=UTC), microphone=microphone, listener="own",
        seed=1, noise_dbfs=-60, speech_dbfs=-25, snr_db=35, gain=1, clipped=0, right=36,
        misheard=0, missed=0, right_low=0.9, right_high=1, accept=0.95, command=0.6, reject=0.2,
        verdict="good", advice=(), learned=found,
    )  # fmt: skip


def test_a_voice_that_is_right_with_little_confidence_is_asked_less() -> None:
    found = learned([*MODEST, *[Known(0.94, True)] * 12], TRUST.accept)
    assert found is not None
    assert (found.phrases, found.before.asked, found.after.asked) == (48, 48, 0)
    assert found.before.wrong == found.after.wrong == 0
    trust = made(found).trust(TRUST)
    assert 0.81 < trust.accept < 0.95
    assert trust.command < 0.6
    # What is obeyed because it does no harm, and what is other talk, is no matter of the voice.
    assert (trust.reject, trust.harmless, trust.stop, trust.ours) == (0.2, 0.4, 0.3, 0.6)


def test_a_voice_that_is_misheard_with_much_confidence_is_asked_more() -> None:
    found = learned([Known(0.97, True), Known(0.97, True), Known(0.97, False)] * 12, 0.95)
    assert found is not None
    assert found.shift < 0
    assert (found.before.wrong, found.after.wrong) == (12, 0)
    assert made(found).trust(TRUST).accept > 0.97


def test_too_few_phrases_teach_nothing() -> None:
    assert learned(MODEST[: FEWEST - 1], 0.95) is None
    assert learned(MODEST[:FEWEST], 0.95) is not None


def test_what_does_not_help_those_held_out_is_not_kept() -> None:
    # One half of the phrases is right and the other wrong: each misleads about the other.
    assert learned([Known(0.9, True), Known(0.9, False)] * 18, 0.95) is None
    # Without any doubt there is nothing to learn.
    assert learned([Known(1.0, True)] * 36, 0.95) is None


def test_what_would_have_something_wrong_taken_is_not_kept() -> None:
    said = [*[Known(0.85, True)] * 200, Known(0.945, False)]
    assert shift_of(said) > 0.1
    assert learned(said, 0.95) is None


@given(st.lists(st.builds(Known, st.floats(0, 1), st.booleans()), max_size=60))
def test_the_shift_has_limits(said: list[Known]) -> None:
    assert LEAST <= shift_of(said) <= MOST
    assert shift_of([]) == 0


def test_only_phrases_of_which_something_was_heard_teach() -> None:
    said = [
        Outcome("no", "no", 0.7, "said", meant=True),
        Outcome("no", "yes", 0.1, "nothing"),
        Outcome("no"),
    ]
    assert known(said) == [Known(0.7, True), Known(0.1, False)]


def test_a_case_tells_what_was_asked_in_doubt_and_answered() -> None:
    room = front_tooth()
    room.doubtful("mm", 21.0)
    room.command("confirm")
    if room.state.pending is not None:  # a length unusual for the tooth
        room.command("confirm")
    room.command("undo")
    room.doubtful("mm", 22.0)
    room.do(it.Chosen(option="no"))
    heard = it.Heard(text="20", confidence=0.6, doubt="Not sure: perhaps 19.")
    room.do(it.Given(kind="mm", value=20.0, rival=19.0, heard=heard))
    room.do(it.Given(kind="mm", value=19.0))
    assert confirmed(room.events) == [Known(0.4, True), Known(0.4, False), Known(0.6, False)]


def test_what_was_learned_is_kept_by_another_check_and_undone_by_one_command(
    tmp_path: Path,
) -> None:
    path = tmp_path / "room.json"
    assert roomcheck.kept_of(path, made(None)) is None
    roomcheck.store(made(SOME), path)
    assert roomcheck.kept_of(path, made(None)) == SOME
    assert roomcheck.kept_of(path, made(None, "B")) is None
    for line in ("Forgotten what was learned from 36 phrases", "Nothing was learned"):
        run = CliRunner().invoke(main, ["room-check", "--forget", "--out", str(path)])
        assert run.exit_code == 0, run.stderr
        assert run.stdout.startswith(line)
        assert roomcheck.load(path) == made(None)


def test_forgetting_where_nothing_is_kept_is_one_sentence(tmp_path: Path) -> None:
    missing = tmp_path / "room.json"
    run = CliRunner().invoke(main, ["room-check", "--forget", "--out", str(missing)])
    assert run.exit_code != 0
    assert "Traceback" not in run.stderr and str(missing) in run.stderr


@pytest.mark.parametrize("shift", [LEAST - 0.01, MOST + 0.01])
def test_a_profile_with_a_shift_out_of_bounds_is_refused(shift: float, tmp_path: Path) -> None:
    path = tmp_path / "room.json"
    roomcheck.store(made(SOME), path)
    path.write_text(path.read_text(encoding="utf-8").replace("0.5", str(shift)), "utf-8")
    with pytest.raises(InputFileError, match="not a whole room profile"):
        roomcheck.load(path)
