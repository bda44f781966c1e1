"""The room check: verdicts and thresholds, the file, and one check from sound."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hearing.noises import Condition
from hearing.scenes import scenes
from hypothesis import given
from hypothesis import strategies as st
from room_recording import recording
from scipy.stats import binomtest

from assistant.clock import SampleClock
from assistant.commandline.main import main
from assistant.errors import InputFileError
from assistant.prompt.mouth import Mouth
from assistant.prompt.voice import Pyttsx3Voice
from assistant.room import check as roomcheck
from assistant.room.learning import Known
from assistant.room.plan import Asked, CheckPlan, ask, load_plan, phrases, taken_for
from assistant.room.profile import (
    CEILING,
    MARGIN,
    MAX_GAIN,
    Outcome,
    RoomProfile,
    Taken,
    gain_for,
    profile,
    raised,
)
from assistant.shares import wilson
from assistant.sitting import assembly
from assistant.sitting.dictation import dictate
from assistant.sound.player import SilentPlayer, TimelinePlayer
from assistant.sound.samples import RATE_HZ, Samples
from assistant.sound.sources import SampleSource, write_wav
from assistant.speech.hearing import Hearing
from assistant.words.recognised import Recognised
from assistant.words.understand import Trust

pytestmark = pytest.mark.sound

DEFAULT = Trust(accept=0.6, command=0.35, reject=0.15)
GOOD = Outcome("plugger eleven", "plugger eleven", 0.97, "said", -25.0, 9000)
WRONG = Outcome("plugger thirty", "plugger thirteen", 0.8, "value", -25.0, 9000)
MISSED = Outcome("no")


def noise(dbfs: float, seconds: float = 1.0) -> Samples:
    steps = 32768 * 10 ** (dbfs / 20)
    samples = np.random.default_rng(5).normal(0, steps, round(seconds * RATE_HZ))
    return np.rint(samples).astype(np.int16)


def made(outcomes: list[Outcome], noise_dbfs: float = -60.0) -> RoomProfile:
    return profile(
        noise(noise_dbfs),
        outcomes,
        DEFAULT,
        target_rms=3000.0,
        made_at=datetime(2026, 3, 2, 9, tzinfo=UTC),
        microphone="Microphone A",
        listener="own",
        seed=1,
    )


# -- the verdict ----------------------------------------------------------------


def test_all_right_in_a_quiet_room_is_good() -> None:
    found = made([GOOD] * 12)
    assert (found.verdict, found.advice) == ("good", ())
    assert found.noise_dbfs == pytest.approx(-60, abs=1)
    assert found.snr_db == pytest.approx(35, abs=1)
    assert (found.right, found.misheard, found.missed) == (12, 0, 0)
    assert found.trust(DEFAULT) == DEFAULT


@pytest.mark.parametrize(
    ("outcomes", "noise_dbfs", "verdict", "advice"),
    [
        ([GOOD] * 10 + [MISSED] * 2, -60, "good", set()),
        ([GOOD] * 9 + [MISSED] * 3, -60, "usable", {"again"}),
        ([GOOD] * 7 + [MISSED] * 5, -60, "not_good_enough", {"again", "typed"}),
        ([GOOD] * 12, -36, "usable", {"nearer", "suction", "listen"}),
        ([GOOD] * 12, -27, "not_good_enough", {"nearer", "suction", "listen", "typed"}),
        ([GOOD] * 11 + [WRONG], -60, "usable", {"read_back"}),
        ([GOOD] * 10 + [WRONG] * 2, -60, "not_good_enough", {"read_back", "typed"}),
        # A wrong phrase that would have been questioned does no harm.
        ([GOOD] * 11 + [replace(WRONG, confidence=0.5)], -60, "good", set()),
        ([GOOD] * 11 + [replace(GOOD, clipped=True)], -60, "usable", {"softer"}),
        ([replace(GOOD, level_dbfs=-50.0)] * 12, -80, "usable", {"nearer"}),
        ([MISSED] * 12, -60, "not_good_enough", {"nearer", "typed"}),
        ([MISSED] * 12, -120, "not_good_enough", {"muted", "typed"}),
    ],
)
def test_verdicts(
    outcomes: list[Outcome], noise_dbfs: float, verdict: str, advice: set[str]
) -> None:
    found = made(outcomes, noise_dbfs)
    assert found.verdict == verdict
    assert set(found.advice) == advice


def test_a_door_does_not_make_a_room_loud() -> None:
    room = noise(-60, 10.0)
    room[:8000] = noise(-10, 0.5)
    found = profile(
        room,
        [GOOD] * 12,
        DEFAULT,
        target_rms=3000.0,
        made_at=datetime(2026, 3, 2, 9, tzinfo=UTC),
        microphone="",
        listener="",
        seed=1,
    )
    assert found.noise_dbfs == pytest.approx(-60, abs=1)


def test_the_gain_brings_speech_to_the_level_wanted() -> None:
    assert gain_for(None, 0, 3000.0) == 1.0
    level = -30.0
    assert gain_for(level, 3000, 3000.0) * 32768 * 10 ** (level / 20) == pytest.approx(
        3000, rel=0.01
    )
    assert gain_for(-80.0, 100, 3000.0) == MAX_GAIN
    assert gain_for(-5.0, 32768, 3000.0) < 1.0


@given(st.floats(-100, 0), st.integers(1, 32768))
def test_a_gain_never_clips_what_was_heard(level: float, peak: int) -> None:
    gain = gain_for(level, peak, 3000.0)
    assert gain <= 1.0 or gain * peak < 32768


@pytest.mark.parametrize("of", [1, 12, 30])
def test_wilson_is_scipys(of: int) -> None:
    for right in range(of + 1):
        theirs = binomtest(right, of).proportion_ci(0.95, method="wilson")
        assert wilson(right, of) == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    assert wilson(0, 0) == (0.0, 1.0)


# -- the thresholds ---------------------------------------------------------------

TAKEN = st.sampled_from(["said", "value", "command", "harmless", "nothing"])
OUTCOMES = st.lists(
    st.builds(
        lambda taken, confidence: Outcome("x", "y", confidence, taken, -25.0, 9000),
        TAKEN,
        st.floats(0, 1),
    ),
    max_size=12,
)


@st.composite
def _trust(draw_: st.DrawFn) -> Trust:
    reject, command, accept = sorted(draw_(st.tuples(*[st.floats(0, 1)] * 3)))
    return Trust(accept=accept, command=command, reject=reject)


@given(_trust(), OUTCOMES)
def test_thresholds_are_never_lower_and_end_at_the_ceiling(
    default: Trust, outcomes: list[Outcome]
) -> None:
    found = raised(default, outcomes)
    assert default.accept <= found.accept <= max(default.accept, CEILING)
    assert default.command <= found.command <= max(default.command, CEILING)
    assert found.reject == default.reject


@given(OUTCOMES, st.integers(0, 11), st.floats(0, 1))
def test_a_surer_mistake_never_lowers_them(
    outcomes: list[Outcome], index: int, surer: float
) -> None:
    if index >= len(outcomes) or surer < outcomes[index].confidence:
        return
    after = [*outcomes]
    after[index] = replace(outcomes[index], confidence=surer)
    one, other = raised(DEFAULT, outcomes), raised(DEFAULT, after)
    assert one.accept <= other.accept and one.command <= other.command


@given(st.floats(0, 1), st.sampled_from(["value", "command"]))
def test_a_mistake_that_passed_would_not_pass_again(confidence: float, taken: Taken) -> None:
    found = raised(DEFAULT, [replace(WRONG, confidence=confidence, taken_for=taken)])
    limit = found.accept if taken == "value" else found.command
    assert confidence < limit or confidence > CEILING - MARGIN


def test_a_profile_never_loosens_stricter_thresholds() -> None:
    stricter = Trust(accept=0.9, command=0.7, reject=0.3)
    assert made([GOOD] * 12).trust(stricter) == stricter
    assert made([GOOD] * 11 + [WRONG]).trust(DEFAULT).accept == pytest.approx(0.85)


# -- the phrases -------------------------------------------------------------------


@pytest.fixture(scope="module")
def plan() -> CheckPlan:
    return load_plan(assembly.language().folder)


@pytest.fixture(scope="module")
def every(plan: CheckPlan) -> dict[str, Asked]:
    """All phrases of the file, by their words."""
    said = [
        (phrase, one.at)
        for one in plan.draws
        for entry in one.phrases
        for phrase in ((entry,) if isinstance(entry, str) else entry)
    ]
    return {one.phrase: one for one in ask(said, plan, assembly.language())}


def test_every_draw_is_twelve_phrases_that_can_be_said_there(
    plan: CheckPlan, every: dict[str, Asked]
) -> None:
    drawn = [[phrase for phrase, _ in phrases(plan, seed)] for seed in range(100)]
    assert {len(said) for said in drawn} == {12}
    assert all(len(set(said)) == 12 for said in drawn)
    assert drawn[1] == [phrase for phrase, _ in phrases(plan, 1)]
    assert {phrase for said in drawn for phrase in said} == set(every)


def test_a_phrase_that_cannot_be_said_is_named(plan: CheckPlan) -> None:
    with pytest.raises(InputFileError, match="'plugger ninety' cannot be said at cone_size"):
        ask([("plugger ninety", "cone_size")], plan, assembly.language())


def test_the_places_are_those_of_the_protocol(plan: CheckPlan) -> None:
    real = {one.place: one.wanted for one in scenes("warm-vertical")}
    for name, place in plan.places.items():
        ours, theirs = place.wanted, real[f"warm-vertical/{name}"]
        assert set(ours.corrections) == set(theirs.corrections)
        # Sentences for several steps, corrected answers and findings are not asked for here.
        assert replace(ours, corrections=()) == replace(
            theirs, corrections=(), ahead=(), all_yes=0, answers=(), findings=(), unasked=()
        )


def test_what_a_phrase_is_taken_for(every: dict[str, Asked]) -> None:
    thirty = every["plugger thirty"]
    for text, confidence, taken in (
        ("plugger thirty", 0.9, "said"),
        ("thirty", 0.3, "said"),  # questioned, and right
        ("plugger thirty", 0.1, "nothing"),
        ("plugger thirteen", 0.9, "value"),
        ("go back", 0.9, "command"),
        ("where are we", 0.9, "harmless"),
        ("", 0.0, "nothing"),
    ):
        assert taken_for(thirty, Recognised(text, confidence), DEFAULT) == taken, text
    assert taken_for(every["no"], Recognised("yes", 0.9), DEFAULT) == "value"


# -- the file ------------------------------------------------------------------------


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(roomcheck, "stored", lambda: tmp_path / "settings" / "room.json")
    return tmp_path / "settings" / "room.json"


def test_a_stored_profile_is_used_where_it_fits(settings: Path) -> None:
    assert roomcheck.choose(None, "Microphone A") == (None, "")
    kept = made([GOOD] * 12)
    roomcheck.store(kept, settings)
    assert roomcheck.choose(None, "Microphone A") == (kept, "")
    used, line = roomcheck.choose(None, "Microphone B")
    assert used is None and "is for Microphone A" in line
    assert roomcheck.choose(None, None) == (None, "")
    assert roomcheck.choose("none", "Microphone A") == (None, "")
    assert roomcheck.choose(str(settings), "Microphone B") == (kept, "")


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[:40],
        lambda _text: "",
        lambda text: text.replace('"gain": ', '"gain": 99'),
        lambda text: text.replace('"accept": 0.6', '"accept": NaN'),
        lambda text: text.replace('"microphone"', '"microfone"'),
    ],
)
def test_a_damaged_profile_is_one_sentence(damage, settings: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    roomcheck.store(made([GOOD] * 12), settings)
    settings.write_text(damage(settings.read_text(encoding="utf-8")), encoding="utf-8")
    wav = tmp_path / "said.wav"
    write_wav(wav, np.zeros(RATE_HZ, np.int16))
    case = tmp_path / "case"
    run = CliRunner().invoke(
        main, ["run", "--wav", str(wav), "--room", str(settings), "--case", str(case)]
    )
    assert run.exit_code == 3
    assert "room-check" in run.stderr and "room.json" in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1
    assert not case.exists()


OTHERS = made([GOOD] * 12).model_copy(
    update={"listener": "other", "accept": 0.99, "command": 0.0, "reject": 0.0}
)


@pytest.fixture(scope="module")
def ears() -> Hearing:
    """Made with the profile of another recogniser, which must change nothing."""
    return assembly.hearing("own", None, assembly.language(), room=OTHERS)


def test_a_profile_reaches_the_ears_of_its_recogniser_alone(
    ears: Hearing, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert ears.trust == assembly.TRUST[ears.listener.name]
    mine = OTHERS.model_copy(update={"listener": ears.listener.name})
    monkeypatch.setattr(assembly, "listener", lambda *_args, **_kwargs: ears.listener)
    strict = assembly.hearing("own", None, assembly.language(), room=mine)
    assert strict.trust == replace(ears.trust, accept=0.99)
    used, line = roomcheck.fit(mine, ears, asked_for=False)
    assert used == mine and "Microphone A, good" in line
    used, line = roomcheck.fit(OTHERS, ears, asked_for=False)
    assert used is None and "not used" in line
    with pytest.raises(InputFileError, match="recogniser other, not"):
        roomcheck.fit(OTHERS, ears, asked_for=True)


def test_the_gain_is_applied_before_the_ear() -> None:
    source = roomcheck.Amplified(SampleSource("a", np.full(960, 1000, np.int16)), 2.5)
    assert [set(frame.tolist()) for frame in source.frames()] == [{2500}, {2500}]


# -- from sound ------------------------------------------------------------------------

NOISE_S, SAID = 2.0, 3
"""Shorter than the real check: three phrases, each of which is a long decode."""


def checked(
    sound: Samples, asked: Sequence[Asked], plan: CheckPlan, ears: Hearing
) -> tuple[RoomProfile, str]:
    """The profile, and all that was shown."""
    ears.ear.reset()
    clock = SampleClock(datetime(2026, 3, 2, 9, tzinfo=UTC))
    mouth = Mouth(Pyttsx3Voice(), SilentPlayer(), clock.seconds)
    lines: list[str] = []
    found = roomcheck.check(
        SampleSource("a.wav", sound),
        ears,
        plan.model_copy(update={"noise_s": NOISE_S}),
        asked,
        clock,
        mouth,
        lines.append,
        seed=1,
        learn_with=[Known(0.9, True)] * 24,
    )
    return found, "\n".join(lines)


def test_a_quiet_room_is_good(ears: Hearing, plan: CheckPlan) -> None:
    asked = ask(phrases(plan, 1)[:SAID], plan, assembly.language())
    said = [one.phrase for one in asked]
    sound = recording(said, "flite:slt", Condition("quiet"), noise_s=NOISE_S + 0.5)
    found, shown = checked(sound, asked, plan, ears)
    assert "P L U G G E R   T H I R T Y" in shown
    assert (found.right, found.verdict, found.advice) == (SAID, "good", ()), shown
    assert found.snr_db == pytest.approx(40, abs=5)
    assert found.microphone == "a.wav"
    assert "will do" in roomcheck.summary(found, plan)[0]
    assert found.learned is not None and found.learned.phrases == 24 + SAID
    assert f"Learned from {24 + SAID} phrases" in roomcheck.summary(found, plan)[-1]


class AlwaysRight:
    """Hears what was asked, so that only the noise counts."""

    def __init__(self, name: str, said: list[str]) -> None:
        self.name = name
        self._said = iter(said)

    def prepare(self, grammar: object) -> None: ...

    def hear(self, _samples: Samples) -> Recognised:
        return Recognised(next(self._said), 1.0)


def test_a_noisy_room_is_not_even_if_all_is_heard(ears: Hearing, plan: CheckPlan) -> None:
    asked = ask(phrases(plan, 1)[:SAID], plan, assembly.language())
    said = [one.phrase for one in asked]
    sound = recording(said, "flite:slt", Condition("suction", 3.0), noise_s=NOISE_S + 0.5)
    sure = replace(ears, listener=AlwaysRight(ears.listener.name, said))
    found, shown = checked(sound, asked, plan, sure)
    assert (found.right, found.verdict) == (SAID, "not_good_enough"), shown
    assert found.snr_db is not None and found.snr_db < 6
    assert any("suction off" in line for line in roomcheck.summary(found, plan))


def test_a_recording_without_phrases(
    tmp_path: Path, ears: Hearing, plan: CheckPlan, every: dict[str, Asked]
) -> None:
    asked = list(every.values())[:3]
    with pytest.raises(InputFileError, match=r"a\.wav ends before the phrases"):
        checked(noise(-60, NOISE_S / 2), asked, plan, ears)
    found, shown = checked(noise(-60, NOISE_S + 1), asked, plan, ears)
    assert (found.missed, found.verdict, found.gain) == (3, "not_good_enough", 1.0)
    assert shown.count("nothing heard") == 3
    roomcheck.store(found, tmp_path / "new" / "room.json")
    assert roomcheck.load(tmp_path / "new" / "room.json") == found


def test_what_the_assistant_says_is_neither_noise_nor_an_answer(
    ears: Hearing, plan: CheckPlan, every: dict[str, Asked]
) -> None:
    clock = SampleClock(datetime(2026, 3, 2, 9, tzinfo=UTC))
    player = TimelinePlayer(clock.seconds)
    mouth = Mouth(Pyttsx3Voice(), player, clock.seconds)
    loud, quiet = dictate("plugger eleven", "flite:slt")[: 20 * 480], noise(-60, 0.03)

    class Loudspeaker:
        name = "room"

        def frames(self) -> Iterator[Samples]:
            for at in range(2000):
                frame = loud[at % 20 * 480 :][:480]
                yield frame if player.busy else quiet

        def close(self) -> None: ...

    ears.ear.reset()
    found = roomcheck.check(
        Loudspeaker(),
        ears,
        plan.model_copy(update={"noise_s": NOISE_S, "wait_s": 2.0}),
        [every["confirm"], every["no"]],
        clock,
        mouth,
        lambda _line: None,
        seed=1,
    )
    assert len(mouth.spoken) == 4
    assert found.noise_dbfs == pytest.approx(-60, abs=1)
    assert found.missed == 2 and found.speech_dbfs is None


def test_the_command(
    tmp_path: Path, settings: Path, ears: Hearing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(assembly, "hearing", lambda *_args, **_kwargs: ears)
    listed = CliRunner().invoke(main, ["room-check", "--list", "--seed", "7"])
    assert len(listed.stdout.splitlines()) == 12
    wav, out = tmp_path / "noise.wav", tmp_path / "room.json"
    write_wav(wav, noise(-60, 11.0))
    run = CliRunner().invoke(
        main, ["room-check", "--wav", str(wav), "--json", "--out", str(out)]
    )
    assert run.exit_code == 0, run.stderr  # a bad room is an answer, not a failure
    assert json.loads(run.stdout) == json.loads(out.read_text(encoding="utf-8"))
    assert not settings.exists()
