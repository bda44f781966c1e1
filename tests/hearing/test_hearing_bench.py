"""The pure parts of the hearing benchmark: levels, rooms, phrases, scores. Nothing
is decoded here, and nothing spoken; the benchmark itself is ``hearing/campaign.py``."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from assistant.procedure.requests import QUERIES
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.sitting.dictation import LEVEL_RMS
from assistant.sound.samples import RATE_HZ, Samples
from assistant.words.expected import wanted_now
from hearing import halves, noises, operator_sim, score
from hearing.chatter import TALK
from hearing.ears import Caught, Outcome, later, step_on
from hearing.noises import Condition, Sound
from hearing.phrases import Phrase, perfect, phrase_set
from hearing.scenes import scenes

# -- sound -----------------------------------------------------------------------


def voice(pause_s: float = 0.3) -> Samples:
    """Stands for a voice: two buzzing syllables with a pause between them."""
    seconds = np.arange(RATE_HZ // 2) / RATE_HZ
    buzz = sum(np.sin(2 * np.pi * 140 * k * seconds) / k for k in range(1, 12))
    syllable = 4000 * np.hanning(len(seconds)) ** 0.25 * buzz
    pause = np.zeros(round(pause_s * RATE_HZ))
    return np.concatenate([syllable, pause, syllable]).astype(np.int16)


def decibels(ratio: float) -> float:
    return 20 * float(np.log10(ratio))


def talk(n: int, rng: np.random.Generator) -> Sound:
    voices = ["a", "b", "c", "d", "e"]
    return noises.babble(n, rng, ["x", "y"], voices, lambda _text, _voice: voice())


@pytest.mark.parametrize("kind", [*noises.MADE, "babble"])
@pytest.mark.parametrize("snr_db", [20.0, 5.0])
def test_a_mixture_has_the_level_it_states(kind: str, snr_db: float) -> None:
    said, room = voice(), Condition(kind, snr_db)
    mixed = noises.mix(said, room, 3, chatter=talk)
    lead = round(noises.LEAD_S * RATE_HZ)
    clean = np.zeros(len(mixed.sound))
    clean[lead : lead + len(said)] = said * (LEVEL_RMS / noises.active_rms(said))
    noise = mixed.sound - clean
    assert decibels(noises.active_rms(clean) / LEVEL_RMS) == pytest.approx(0, abs=0.1)
    level = decibels(noises.active_rms(clean) / float(np.sqrt((noise**2).mean())))
    assert level == pytest.approx(snr_db, abs=0.2)


def test_pauses_do_not_lower_the_active_level() -> None:
    brief, long = noises.active_rms(voice(0.1)), noises.active_rms(voice(2.0))
    assert decibels(brief / long) == pytest.approx(0, abs=0.1)


def test_the_end_of_the_voice_is_known_and_the_room_does_not_move_it() -> None:
    said = voice()
    dry = noises.mix(said, Condition("quiet"), 1)
    wet = noises.mix(said, Condition("reverb", None, 0.6), 1)
    assert dry.ended_s == wet.ended_s
    assert dry.ended_s == pytest.approx(noises.LEAD_S + len(said) / RATE_HZ, abs=0.05)


@pytest.mark.parametrize("kind", noises.MADE)
def test_a_noise_is_known_by_its_number(kind: str) -> None:
    room = Condition(kind, 10.0)
    first, again, other = (noises.background(8000, room, n) for n in (5, 5, 7))
    assert (first == again).all()
    assert not np.allclose(first, other)


def test_babble_without_anybody_is_refused() -> None:
    with pytest.raises(ValueError, match="somebody"):
        noises.background(8000, Condition("babble", 10.0), 1)


@pytest.mark.parametrize("rt60_s", [0.3, 0.6])
def test_the_room_dies_away_in_its_time(rt60_s: float) -> None:
    """Schroeder's backward integration (1965); 5 to 25 dB down, times three, as
    ISO 3382 has it for T20 (from memory)."""
    response = noises.impulse_response(rt60_s, 1)
    response[0] = 0.0  # the direct sound is not part of the decay
    decay = np.cumsum(response[::-1] ** 2)[::-1]
    decay_db = 10 * np.log10(decay / decay[0] + 1e-12)
    at = [int(np.argmax(decay_db <= db)) / RATE_HZ for db in (-5.0, -25.0)]
    assert 3 * (at[1] - at[0]) == pytest.approx(rt60_s, rel=0.1)


def test_the_halves_share_no_voice_and_no_noise() -> None:
    for table in (halves.FLITE, halves.ESPEAK):
        assert not set(table["calibrate"]) & set(table["report"])
    numbers = {h: {halves.noise_variant(h, n) for n in range(50)} for h in halves.FLITE}
    assert not numbers["calibrate"] & numbers["report"]


# -- phrases ---------------------------------------------------------------------


def test_phrases_are_known_by_their_seed_and_cover_every_step() -> None:
    places = {scene.place for scene in scenes()}
    drawn = phrase_set(1, len(places))
    assert {phrase.step for phrase in drawn} == places
    for scene in scenes():
        named = {s.step.id for s in scenes() if s.state.protocol == scene.state.protocol}
        # What is asked about a finding has no scene: it is not measured.
        protocol = scene.state.protocol
        steps = (*protocol.opening, *protocol.canal, *protocol.closing)
        assert named == {step.id for step in steps if step.asked}

    def said(phrases: list[Phrase]) -> list[tuple[str, str]]:
        return [(phrase.step, phrase.text) for phrase in phrases]

    assert said(phrase_set(1, 12)) == said(drawn[:12])
    assert said(phrase_set(2, 12)) != said(drawn[:12])
    assert said(phrase_set(1, 12, "calibrate")) != said(drawn[:12])
    for phrase in drawn:
        assert perfect(phrase.text, phrase.wanted) == phrase.meaning


def test_talk_is_no_phrase() -> None:
    some = [s for s in scenes() if s.step.id in {"tooth", "dry", "reference_point"}]
    wanted = {scene.wanted for scene in some}
    assert len(wanted) >= 3
    assert [line for line in TALK for w in wanted if perfect(line.lower(), w)] == []


# -- scores ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611)],
)
def test_wilson_interval(count: int, of: int, low: float, high: float) -> None:
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3
    (from memory)."""
    rate = score.share(count, of)
    assert rate.low == pytest.approx(low, abs=5e-5)
    assert rate.high == pytest.approx(high, abs=5e-5)


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (10, 4.795, 18.390)])
def test_poisson_interval(count: int, low: float, high: float) -> None:
    """F. Garwood, Biometrika 28 (1936) 437-442: exact limits (from memory)."""
    rate = score.per_hour(count, 3600)
    assert rate.low == pytest.approx(low, abs=1e-3)
    assert rate.high == pytest.approx(high, abs=1e-3)
    assert score.per_hour(count, 1800).high == pytest.approx(2 * high, abs=2e-3)


DOUBT = it.Heard(doubt="Not heard clearly.")
MEANT = it.Given(kind="mm", value=21.5)


def given(value: float, heard: it.Heard | None = None) -> it.Given:
    return it.Given(kind="mm", value=value, heard=heard or it.Heard(confidence=0.9))


UNCLEAR = it.Unclear(reason="heard too faintly")


@pytest.mark.parametrize(
    ("heard", "verdict"),
    [
        ([given(21.5)], ("right", None)),
        ([UNCLEAR, given(21.5)], ("right", None)),
        ([it.Given(kind="mm", value=21.5, quantity="plugger_mm")], ("right", None)),
        ([given(21.0)], ("wrong value", None)),
        ([given(21.5), given(25.0)], ("wrong value", None)),
        ([it.Chosen(option="binds")], ("wrong value", None)),
        ([it.Correction(kind="mm", value=21.5)], ("wrong value", None)),
        ([it.Command(verb="undo")], ("wrong command", None)),
        ([it.Skip()], ("wrong command", None)),
        ([it.Command(verb="repeat")], ("wrong query", None)),
        ([given(21.5, DOUBT)], ("questioned", True)),
        ([given(25.0, DOUBT)], ("questioned", False)),
        ([UNCLEAR], ("unclear", None)),
        ([], ("nothing", None)),
    ],
)
def test_what_was_heard_is_judged(heard: list[it.AnyIntent], verdict: object) -> None:
    assert score.judge(MEANT, heard) == verdict


def test_a_command_taken_for_a_value_is_a_wrong_value_and_queries_are_harmless() -> None:
    stop = it.Command(verb="stop")
    assert score.judge(stop, [given(6.0)])[0] == "wrong value"
    assert score.judge(stop, [it.Command(verb="stop")])[0] == "right"
    assert {score.judge(stop, [it.Command(verb=q)])[0] for q in QUERIES} == {"wrong query"}


def row(verdict: str, end: str = "right", *, content: bool = True) -> score.Row:
    answers = [] if verdict == "right" else ["no"]
    right = True if verdict == "questioned" else None
    spread = {"question_right": right, "content": content, "answers": answers}
    return {"verdict": verdict, "end": end, **spread}


def test_rows_are_counted() -> None:
    rows = [
        *(row("right") for _ in range(5)),
        row("questioned"),
        row("unclear", "missing", content=False),
        row("nothing"),
        row("wrong value", "wrong"),
        row("wrong value", "wrong", content=False),
    ]
    figures = score.of_phrases(rows)
    counts = {k: v.count for k, v in figures.items() if isinstance(v, score.Rate)}
    assert figures["n"] == 10
    assert counts == {
        "right": 5,
        "asked_again": 2,
        "questioned": 1,
        "questioned_rightly": 1,
        "wrong_value": 2,
        "wrong_command": 0,
        "wrong_query": 0,
        "wrong_stored": 2,
        "wrong_unnoticed": 1,
        "not_stored": 1,
        "elsewhere": 0,
    }
    assert figures["right"].low == pytest.approx(score.share(5, 10).low)
    assert figures["answers"] == 0.5


def test_latency_is_counted_from_the_end_of_the_voice() -> None:
    one = {"sound_s": 2.0, "at_s": 3.4, "process_s": 0.25, "cpu_s": 0.2, "prepare_s": 0.0}
    rows = [
        {"key": "a", "ended_s": 3.0, "utterances": [one | {"flushed": False}]},
        {"key": "b", "ended_s": 3.0, "utterances": [one | {"flushed": True}]},
        {"key": "c", "ended_s": 3.0, "utterances": []},
    ]
    found = score.of_latency(rows)
    assert found["from_voice_s"]["median"] == pytest.approx(0.65)
    assert found["endpoint_s"] == pytest.approx({"median": 0.4, "p95": 0.4, "max": 0.4, "n": 1})
    assert found["real_time_factor"] == pytest.approx(0.125)
    assert (found["no_end_found"].count, found["no_end_found"].of) == (1, 2)


# -- the simulated operator ------------------------------------------------------


def at(step: str, text: str) -> Phrase:
    scene = next(s for s in scenes() if s.place == f"warm-vertical/{step}")
    meaning = perfect(text, scene.wanted)
    assert meaning is not None
    return Phrase(scene, "value", text, meaning)


def taken(state: CaseState, text: str, doubt: str | None = None) -> Outcome:
    """The case after the ears made ``text`` of whatever was said ("" is nothing clear)."""
    intent = perfect(text, wanted_now(state)) if text else UNCLEAR
    assert intent is not None
    intent = intent.model_copy(update={"heard": it.Heard(text=text, doubt=doubt)})
    events, after = step_on(state, intent, later(state))
    one = Caught(text, 0.9, "fake", intent, 1.0, 1.0, 0.0, 0.0, 0.0, flushed=False)
    return Outcome((one,), events, after)


PLUGGER = ("plugger_apical", "sixteen")
ASIDE = ("sear", "where are we")


@pytest.mark.parametrize(
    ("phrase", "first", "doubt", "ears", "answers", "end"),
    [
        (PLUGGER, "sixteen", None, [], [], "right"),
        (PLUGGER, "fifteen", None, ["correction sixteen"], ["correction sixteen"], "right"),
        (PLUGGER, "it binds", None, ["correction sixteen"], ["correction sixteen"], "right"),
        (PLUGGER, "sixteen", "Faint.", ["confirm"], ["confirm"], "right"),
        (PLUGGER, "fifteen", "Faint.", ["no", "sixteen"], ["no", "sixteen"], "right"),
        (PLUGGER, "", None, ["sixteen"], ["sixteen"], "right"),
        (PLUGGER, "fifteen", None, [""] * 5, ["correction sixteen"] * 5, "wrong"),
        (PLUGGER, "", None, [""] * 5, ["sixteen"] * 5, "missing"),
        (
            ("dry", "dry"),
            "still wet",
            None,
            ["undo that", "dry"],
            ["undo that", "dry"],
            "right",
        ),
        (ASIDE, "pause", None, ["", "resume", ASIDE[1]], ["resume"] * 2 + [ASIDE[1]], "right"),
    ],
)
def test_the_operator_answers_truthfully(
    monkeypatch: pytest.MonkeyPatch,
    phrase: tuple[str, str],
    first: str,
    doubt: str | None,
    ears: list[str],
    answers: list[str],
    end: str,
) -> None:
    meant = at(*phrase)
    heard = iter(ears)
    monkeypatch.setattr(
        operator_sim, "hear", lambda _e, _s, state, *_, **__: taken(state, next(heard))
    )
    outcome = taken(meant.scene.state, first, doubt)
    said: list[str] = []

    def room(text: str, _time: int) -> Samples:
        said.append(text)
        return np.zeros(1, np.int16)

    done = operator_sim.converse(None, meant, outcome, room, None)  # type: ignore[arg-type]
    assert said == answers
    assert (done.end, done.answers) == (end, tuple(answers))
    assert done.content == (end == "right")
    assert next(heard, None) is None


def test_a_room_is_drawn_in_turn_and_its_key_is_unique() -> None:
    import random

    from hearing.campaign import phrase_tasks
    from hearing.voices import Voice

    phrases = [at("plugger_apical", "sixteen")] * (2 * len(noises.CONDITIONS))
    voices = [Voice(f"flite:{n}", "report") for n in "abc"] + [Voice("piper:x", "report")]
    rng = random.Random(1)
    made = list(phrase_tasks(phrases, voices, "report", rng, every_room=False))
    rooms = [task.condition.label for task in made]
    assert all(rooms.count(room.label) == 2 for room in noises.CONDITIONS)
    assert len({task.key for task in made}) == len(made)
    assert all(task.voice.name not in task.others for task in made)
    assert all(one != other for one, other in pairwise(task.key for task in made))
