"""What happens to sound and to the recogniser, and what the case does meanwhile.

    python tests/faults/audio.py --seed 1 --out DIR

Every fault is done to a real session on the real clock, with the real recogniser in its
worker process, the real voice, and a pretended sound system (``pretended_sound.py``) in
which somebody speaks with a synthetic voice. Of each it is told: after how many seconds
it was noticed, whether it was told aloud to the end, on the screen and on the record;
how many seconds later a typed line was answered while it lasted; whether a spoken phrase
was understood afterwards; and for how long the session's loop stood still at most.
Cases, names and sentences are invented. About four minutes.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from tempfile import mkdtemp

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import results
from failing_listener import failing
from pretended_sound import Pretended

from assistant.case.casefile import CaseFile, read_case
from assistant.clock import SystemClock
from assistant.errors import EquipmentError
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.prompt.mouth import Fate, Mouth
from assistant.prompt.voice import Pyttsx3Voice, Voice
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.screen.port import Microphone
from assistant.screen.terminal import TerminalScreen
from assistant.sitting import assembly
from assistant.sitting.dictation import dictate
from assistant.sitting.session import Session
from assistant.sound.player import SounddevicePlayer
from assistant.sound.reopening import ReopeningPlayer
from assistant.sound.samples import Samples
from assistant.sound.sources import MicrophoneSource
from assistant.speech.attention import Listen
from assistant.speech.hearing import Hearing
from assistant.speech.watchdog import Watched
from assistant.words.sayings import load_wording
from faults.table import as_text

VOICES = ("flite:slt", "flite:rms", "flite:awb")
PATIENCE_S = 12.0


class TestClock(SystemClock):
    """The machine's clock, which can be set and slept through; notes how long the
    session did not ask for it."""

    def __init__(self) -> None:
        self.set_by_s = self.slept_s = 0.0
        self.longest_s = 0.0
        self.thread: int | None = None
        self._asked_s = time.monotonic()

    def now(self) -> Moment:
        if threading.get_ident() == self.thread:
            asked_s, self._asked_s = self._asked_s, time.monotonic()
            self.longest_s = max(self.longest_s, self._asked_s - asked_s)
        now = super().now()
        wall = now.wall + timedelta(seconds=self.set_by_s + self.slept_s)
        return Moment(wall=wall, mono_s=now.mono_s + self.slept_s)


class Screen(TerminalScreen):
    """Keeps what it was told, and when."""

    def __init__(self) -> None:
        self.lines: list[tuple[float, str]] = []
        self.microphone: list[Microphone] = []
        super().__init__(lambda line: self.lines.append((time.monotonic(), line)), lambda: 0.0)

    def show_microphone(self, microphone: Microphone) -> None:
        self.microphone.append(microphone)
        super().show_microphone(microphone)

    def since(self, from_s: float, *texts: str) -> float | None:
        """When one of the texts was first shown."""
        for at_s, line in list(self.lines):
            if at_s >= from_s and any(text in line for text in texts):
                return at_s
        return None


class BreakingVoice:
    """A speech engine that can be taken away."""

    def __init__(self) -> None:
        self.broken = False
        self._within = Pyttsx3Voice()

    def render(self, text: str) -> Samples:
        if self.broken:
            raise EquipmentError("The speech engine is gone: read the screen.")
        return self._within.render(text)


class Scene:
    """A session in its own thread, and the room around it."""

    def __init__(self, folder: Path, ears: Hearing, sound: Pretended, voice: Voice) -> None:
        self.sound, self.ears, self.folder = sound, ears, folder
        ears.ear.reset()
        ears.urgent.reset()
        self.clock = TestClock()
        self.screen = Screen()
        words = assembly.language()
        case = CaseFile.create(
            folder,
            load_yaml(protocol_path("to-post-level"), Protocol),
            self.clock.now(),
            case_code="T-1",
            operator="Operator A",
        )
        self.player = ReopeningPlayer(
            partial(SounddevicePlayer, None, sound),
            sound,
        )
        self.mouth = Mouth(voice, self.player, self.clock.seconds)
        self.session = Session(
            case,
            self.clock,
            mouth=self.mouth,
            screen=self.screen,
            language=words,
            wording=load_wording(words.folder),
            hearing=ears,
        )
        self.source = MicrophoneSource(sound=sound)  # type: ignore[arg-type]
        self.typed_s: list[float] = []
        """When typed lines were taken."""
        self.session.on_taken = self._taken
        self.ended: BaseException | str | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        self.clock.thread = threading.get_ident()
        try:
            self.session.run(self.source)
            self.ended = "ended"
        except BaseException as error:
            self.ended = error

    def _taken(self, intent: it.AnyIntent, _events: object) -> None:
        if intent.heard.channel == "typed":
            self.typed_s.append(time.monotonic())

    def __enter__(self) -> Scene:
        self._thread.start()
        self.wait(lambda: bool(self.mouth.spoken) and self.quiet)
        self.clock.longest_s = 0.0
        return self

    def __exit__(self, *_: object) -> None:
        self.session.typed.put(None)
        self._thread.join(5.0)
        self.source.close()
        self.player.close()
        self.session.case.close()

    @property
    def quiet(self) -> bool:
        waits = self.mouth._waiting or self.mouth._current
        return not waits and not self.mouth.speaking and self.sound.silent

    def wait(self, until: Callable[[], bool], limit_s: float = PATIENCE_S) -> bool:
        end_s = time.monotonic() + limit_s
        while time.monotonic() < end_s:
            if until():
                return True
            if self.ended is not None:
                return False
            time.sleep(0.01)
        return until()

    def say(self, text: str, voice: str, gain: float = 1.0) -> None:
        said = dictate(text, voice).astype(np.float64) * gain
        self.sound.say(said)

    def heard_aloud(self, *texts: str) -> bool:
        return any(
            entry.fate is Fate.HEARD and any(text in entry.prompt.text for text in texts)
            for entry in list(self.mouth.spoken)
        )

    def on_record(self, *texts: str) -> bool:
        told = self.session.case.state.interruptions
        return any(text in line for _, line in told for text in texts)


@dataclass(frozen=True)
class Row:
    """What became of one fault."""

    fault: str
    noticed_s: float | None
    aloud: bool | None
    screen: bool
    record: bool
    shown_dead: bool
    typed_answered_s: float | None
    understood_after: bool
    loop_stood_s: float
    ended: str
    back_s: float | None = None


class Campaign:
    """All faults, one after another, with the same ears."""

    def __init__(self, seed: int, out: Path) -> None:
        self.rng = np.random.default_rng(seed)
        self.seed, self.out = seed, out
        self.told = Path(mkdtemp())
        words = assembly.language()
        build = partial(assembly.ready_listener, "own", None, words, Listen.OPEN)
        self.watched = Watched(partial(failing, self.told, build))
        ears = assembly.hearing("own", None, words)
        self.watched.ready()
        self.ears = replace(ears, listener=self.watched, recogniser=self.watched)

    @property
    def voice(self) -> str:
        return str(self.rng.choice(VOICES))

    def scene(self, name: str, sound: Pretended | None, voice: Voice | None = None) -> Scene:
        noise = float(self.rng.uniform(10.0, 40.0))
        sound = sound or Pretended(seed=self.seed)
        sound.room_rms = noise
        folder = self.out / name.replace(" ", "-").replace(",", "")
        return Scene(folder, self.ears, sound, voice or Pyttsx3Voice())

    def fault(
        self,
        name: str,
        do: Callable[[Scene], None],
        texts: tuple[str, ...],
        *,
        undo: Callable[[Scene], None] | None = None,
        back: tuple[str, ...] = (),
        sound: Pretended | None = None,
        voice: Voice | None = None,
        speaks: bool = True,
    ) -> Row:
        """Do it, wait until it is noticed, type a line, undo it, and speak a line."""
        with self.scene(name, sound, voice) as scene:
            began_s = time.monotonic()
            do(scene)
            scene.wait(lambda: scene.screen.since(began_s, *texts) is not None)
            noticed = scene.screen.since(began_s, *texts)
            typed = self._typed(scene)
            scene.wait(lambda: scene.quiet)
            dead = Microphone.DEAD in scene.screen.microphone
            back_s = None
            if undo is not None:
                undone_s = time.monotonic()
                undo(scene)
                if back:
                    scene.wait(lambda: scene.screen.since(undone_s, *back) is not None, 16.0)
                    at_s = scene.screen.since(undone_s, *back)
                    back_s = None if at_s is None else at_s - undone_s
                scene.wait(lambda: scene.quiet)
            understood = self._understood(scene)
            aloud = scene.heard_aloud(*texts)
            ended = "goes on" if scene.ended is None else str(scene.ended)
        return self._row(
            Row(
                fault=name,
                noticed_s=None if noticed is None else round(noticed - began_s, 2),
                aloud=aloud if speaks else None,
                screen=noticed is not None,
                record=_recorded(scene.folder, texts),
                shown_dead=dead,
                typed_answered_s=typed,
                understood_after=understood,
                loop_stood_s=round(scene.clock.longest_s, 2),
                ended=ended,
                back_s=None if back_s is None else round(back_s, 2),
            )
        )

    def works(self, name: str, sound: Pretended, notice: tuple[str, ...] = ()) -> Row:
        """A device that is odd but whole: a phrase is understood, at most with a notice."""
        began_s = time.monotonic()
        with self.scene(name, sound) as scene:
            understood = self._understood(scene)
            shown = scene.screen.since(began_s, *notice) if notice else None
            typed = self._typed(scene)
            aloud = scene.heard_aloud(*notice) if notice else None
            ended = "goes on" if scene.ended is None else str(scene.ended)
        return self._row(
            Row(
                fault=name,
                noticed_s=None if shown is None else round(shown - began_s, 2),
                aloud=aloud,
                screen=shown is not None,
                record=_recorded(scene.folder, notice),
                shown_dead=Microphone.DEAD in scene.screen.microphone,
                typed_answered_s=typed,
                understood_after=understood,
                loop_stood_s=round(scene.clock.longest_s, 2),
                ended=ended,
            )
        )

    def _row(self, row: Row) -> Row:
        click.echo(f"{row.fault}: noticed {row.noticed_s}, {row.ended}", err=True)
        return row

    def _typed(self, scene: Scene) -> float | None:
        """After how long a typed line is answered."""
        before, began_s = len(scene.typed_s), time.monotonic()
        scene.session.typed.put("where am i\n")
        scene.wait(lambda: len(scene.typed_s) > before, 6.0)
        answered = scene.typed_s[before:]
        return round(answered[0] - began_s, 2) if answered else None

    def _understood(self, scene: Scene) -> bool:
        """Whether one of three tries to say the tooth is taken; a question is confirmed."""
        for _ in range(3):
            scene.wait(lambda: scene.quiet)
            scene.say("tooth one one", self.voice)

            def answered() -> bool:
                state = scene.session.case.state
                return state.tooth is not None or state.pending is not None

            scene.wait(answered, 6.0)
            if scene.session.case.state.pending is not None:
                scene.session.typed.put("confirm\n")
                scene.wait(lambda: scene.session.case.state.tooth is not None, 2.0)
            if scene.session.case.state.tooth == 11:
                return True
        return False


def _recorded(folder: Path, texts: tuple[str, ...]) -> bool:
    """Whether the journal, read anew and verified, tells of it."""
    state, _ = read_case(folder)
    return any(text in line for _, line in state.interruptions for text in texts)


Fault = tuple[str, Callable[..., Row]]
GONE = ("has stopped delivering",)
ENGINE = ("engine is gone",)


def speak_into(run: Campaign, way: str) -> Callable[[Scene], None]:
    """Somebody says what the recogniser will fail at."""

    def do(scene: Scene) -> None:
        (run.told / way).touch()
        scene.say("repeat", run.voice)

    return do


def spoil(how: Callable[[np.ndarray], np.ndarray]) -> Callable[[Scene], None]:
    def do(scene: Scene) -> None:
        scene.sound.spoil = how

    return do


def whole(scene: Scene) -> None:
    scene.sound.spoil = lambda sound: sound
    scene.sound.overflows = scene.sound.hangs = False


def overflow(scene: Scene) -> None:
    scene.sound.overflows = True


def hang(scene: Scene) -> None:
    scene.sound.hangs = True


def cut_cable(scene: Scene) -> None:
    scene.sound.unplug("output")
    scene.session.typed.put("name the choices\n")


def take_voice(scene: Scene) -> None:
    assert isinstance(scene.mouth._voice, BreakingVoice)
    scene.mouth._voice.broken = True
    scene.session.typed.put("what is left\n")


def set_clock(seconds: float) -> Callable[[Scene], None]:
    def do(scene: Scene) -> None:
        scene.clock.set_by_s += seconds

    return do


def of_the_microphone(run: Campaign) -> Iterator[Fault]:
    offset = float(run.rng.choice([-1, 1]) * run.rng.uniform(4_000, 12_000))
    gain = float(run.rng.uniform(12, 30))
    unplug: Callable[[Scene], None] = lambda s: s.sound.unplug("input")  # noqa: E731
    plug: Callable[[Scene], None] = lambda s: s.sound.plug("input")  # noqa: E731
    again = partial(run.fault, undo=whole, back=("is back",))
    flat = partial(run.fault, undo=whole, back=("gives sound again",))
    none = ("no sound at all",)
    yield (
        "microphone unplugged",
        partial(run.fault, do=unplug, texts=GONE, undo=plug, back=("is back",)),
    )
    yield "its driver hangs", partial(again, do=hang, texts=GONE)
    yield "flat line", partial(flat, do=spoil(np.zeros_like), texts=none)
    level = spoil(lambda sound: np.full_like(sound, offset))
    yield "flat line with offset", partial(flat, do=level, texts=none)
    yield "overruns", partial(run.fault, do=overflow, texts=("is being lost",), undo=whole)
    loud: Callable[[Scene], None] = lambda s: s.say("name the choices", run.voice, gain)  # noqa: E731
    yield "clipping", partial(run.fault, do=loud, texts=("overdriven",))
    shifted = Pretended(seed=run.seed)
    shifted.spoil = lambda sound: sound + offset
    yield f"offset of {offset:.0f}", partial(run.works, sound=shifted)
    for rate_hz in (44_100, 48_000):
        sound = Pretended(rate_hz=rate_hz, seed=run.seed)
        yield f"{rate_hz} Hz", partial(run.works, sound=sound)
    stereo = Pretended(channels=2, rate_hz=48_000, seed=run.seed)
    yield "stereo only", partial(run.works, sound=stereo)
    poor = Pretended(rate_hz=8_000, seed=run.seed)
    yield "8000 Hz", partial(run.works, sound=poor, notice=("8000 samples",))


def of_the_rest(run: Campaign) -> Iterator[Fault]:
    slept_s = float(run.rng.uniform(30, 3000))
    for way in ("raise", "crash", "hang"):
        do = speak_into(run, way)
        yield f"recogniser: {way}", partial(run.fault, do=do, texts=("was started again",))
    quiet = partial(run.fault, speaks=False)
    plug: Callable[[Scene], None] = lambda s: s.sound.plug("output")  # noqa: E731
    stopped, again = ("loudspeaker has stopped",), ("can be heard again",)
    yield (
        "loudspeaker unplugged",
        partial(quiet, do=cut_cable, texts=stopped, undo=plug, back=again),
    )
    missing = BreakingVoice()
    missing.broken = True
    yield "no speech engine", partial(quiet, do=lambda _: None, texts=ENGINE, voice=missing)
    yield (
        "speech engine lost",
        partial(quiet, do=take_voice, texts=ENGINE, voice=BreakingVoice()),
    )
    was_set = ("was set from",)
    yield "clock set back", partial(run.fault, do=set_clock(-3600), texts=was_set)
    yield "clock set forward", partial(run.fault, do=set_clock(86_400), texts=was_set)

    def sleep(scene: Scene) -> None:
        scene.clock.slept_s += slept_s

    yield (
        "machine slept",
        partial(run.fault, do=sleep, texts=("slept or stood still", "Case reopened")),
    )


@click.command(help=__doc__)
@click.option("--seed", default=1, show_default=True)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default=None)
@click.option("--only", default="", help="Only faults whose name has this in it.")
@click.option("--results", "record", is_flag=True, help=results.HELP)
def main(seed: int, out: Path | None, only: str, record: bool) -> None:
    out = out or Path(mkdtemp())
    out.mkdir(parents=True, exist_ok=True)
    run = Campaign(seed, Path(mkdtemp(dir=out)))
    faults = [*of_the_microphone(run), *of_the_rest(run)]
    rows = [asdict(done(name=name)) for name, done in faults if only in name]
    run.watched.close()
    text = json.dumps({"seed": seed, "rows": rows}, indent=2)
    (out / "audio.json").write_text(text + "\n", "utf-8")
    table = as_text([{k: "-" if v is None else v for k, v in row.items()} for row in rows])
    (out / "audio.txt").write_text(table, "utf-8")
    with results.kept(__file__, "Sound", wanted=record):
        print(table)
    sys.exit(any(row["ended"] != "goes on" or not row["understood_after"] for row in rows))


if __name__ == "__main__":
    main()
