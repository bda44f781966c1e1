"""How well does the program hear? One command; long, and never a timed test.

Phrases of every step are spoken by synthetic voices in noise and go the program's
own road from sound to case; then come talk that is not meant for the program, and
rooms in which nobody speaks. Every row is written as it comes, so a run that was
broken off goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from hearing import ears, plot, score, work
from hearing.halves import SEED_OFFSET, Half
from hearing.noises import CONDITIONS, Condition
from hearing.phrases import Phrase, for_recordings, phrase_set
from hearing.scenes import scenes
from hearing.voices import CACHE, NEURAL, Voice, kept_as, recordings, speak, usable

STRETCH_S = 30.0
"""One stretch of talk or of silence; each at another step."""

TALK_ROOMS = tuple(
    c for c in CONDITIONS if c.rt60_s is None and c.kind != "babble" and c.snr_db != 5.0
)
NOISE_ROOMS = tuple(
    c for c in CONDITIONS if c.rt60_s is None and c.kind not in {"babble", "quiet"}
)
COLUMNS = (
    "n",
    "right",
    "asked_again",
    "questioned",
    "questioned_rightly",
    "wrong_value",
    "wrong_command",
    "wrong_query",
    "wrong_stored",
    "wrong_unnoticed",
    "not_stored",
)


def options() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--phrases", type=int, default=150, help="phrases, one room each")
    parser.add_argument("--every-room", action="store_true", help="every phrase in every room")
    parser.add_argument("--talk-min", type=float, help="minutes of talk (phrases / 10)")
    parser.add_argument("--people", type=Path, help="as much talk of these (making/human.py)")
    parser.add_argument("--steps", type=int, help="talk at so many steps only")
    parser.add_argument("--answers", type=int, default=5, help="of the simulated operator")
    parser.add_argument("--half", choices=["report", "calibrate", "all"], default="report")
    parser.add_argument("--voices", type=Path, help="*.flitevox, *.onnx, *.wav with *.txt")
    parser.add_argument("--listener", default="own")
    parser.add_argument("--model", type=Path, help="model folder of the listener")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path)
    parser.add_argument(
        "--so-far", action="store_true", help="figures of what is done, no more"
    )
    parser.add_argument("--cache", type=Path, default=CACHE, help="where speech is kept")
    parser.add_argument("--results", action="store_true", help=results.HELP)
    return parser.parse_args()


def phrase_tasks(
    phrases: Sequence[Phrase],
    voices: Sequence[Voice],
    half: Half,
    rng: random.Random,
    *,
    every_room: bool,
) -> Iterator[work.PhraseTask]:
    """Voices uniform over the engines, then within them; rooms in turn."""
    engines = sorted({voice.engine for voice in voices})
    rooms: list[Condition] = []
    for index, phrase in enumerate(phrases):
        if not rooms:
            rooms = list(CONDITIONS)
            rng.shuffle(rooms)
        engine = rng.choice(engines)
        voice = rng.choice([v for v in voices if v.engine == engine])
        if phrase.recording is not None:
            voice = phrase.recording.voice
        for room in CONDITIONS if every_room else (rooms.pop(),):
            key = f"{half}/phrase/{index}/{room.label}"
            others = tuple(v.name for v in voices if _another(v, voice))
            yield work.PhraseTask(key, phrase, voice, half, room, index, others)


def _another(one: Voice, voice: Voice) -> bool:
    """Not the speaker of the phrase, by whatever engine; neural voices are slow."""
    stem = voice.name.partition("+")[0]
    kal = one.label.startswith("flite:kal") and voice.label.startswith("flite:kal")
    return one.engine not in NEURAL and not one.name.startswith(stem) and not kal


def talk_tasks(
    voices: Sequence[Voice],
    half: Half,
    minutes: float,
    rng: random.Random,
    *,
    people: bool = False,
    steps: int | None = None,
) -> Iterator[work.TalkTask]:
    """Chatter, and as much of ``people``; an eighth as much of accidental phrases; half as
    much of silence and of noise alone. With ``steps`` at so many only, drawn by lot."""
    shares = {"chatter": 1.0, "accidental": 0.125, "silence": 0.5, "noise": 0.5}
    if people:
        shares["people"] = 1.0
    rooms = {"chatter": TALK_ROOMS, "people": TALK_ROOMS, "noise": NOISE_ROOMS}
    places = [scene.place for scene in scenes()]
    if steps is not None:
        places = rng.sample(places, steps)
    for kind, part in shares.items():
        for index in range(math.ceil(minutes * part * 60 / STRETCH_S)):
            room = rng.choice(rooms.get(kind, (Condition("quiet"),)))
            names = [v.name for v in rng.sample(list(voices), len(voices))]
            yield work.TalkTask(
                key=f"{half}/{kind}/{index}",
                kind=kind,  # type: ignore[arg-type]
                place=rng.choice(places),
                half=half,
                condition=room,
                number=index,
                seconds=STRETCH_S,
                voices=tuple(names) if kind in {"chatter", "accidental"} else (),
            )


def tasks(chosen: argparse.Namespace) -> list[work.Task]:
    """All tasks of a campaign; the same options give the same."""
    made: list[work.Task] = []
    halves: list[Half] = ["calibrate", "report"] if chosen.half == "all" else [chosen.half]
    for half in halves:
        rng = random.Random(chosen.seed + SEED_OFFSET[half])
        voices = usable(half, chosen.voices)
        if not voices:
            sys.exit("No voice to speak with: install flite or espeak-ng.")
        phrases = phrase_set(chosen.seed, chosen.phrases, half)
        if chosen.voices is not None and half == "report":
            phrases += for_recordings(recordings(chosen.voices), rng)
        made += phrase_tasks(phrases, voices, half, rng, every_room=chosen.every_room)
        minutes = chosen.phrases / 10 if chosen.talk_min is None else chosen.talk_min
        made += talk_tasks(
            voices, half, minutes, rng, people=chosen.people is not None, steps=chosen.steps
        )
    return made


def run(chosen: argparse.Namespace, folder: Path) -> list[score.Row]:
    """Do what is not done yet; rows of this campaign in the order of its tasks."""
    path = folder / "rows.jsonl"
    rows = {row["key"]: row for row in kept(path)}
    wanted = tasks(chosen)
    left = [task for task in wanted if not _is_done(task, rows.get(task.key))]
    if chosen.so_far:
        return [rows[task.key] for task in wanted if task not in left]
    left.sort(key=lambda task: task.number)  # any first part has a share of every kind
    setting = work.Setting(
        chosen.listener, chosen.model, chosen.cache, chosen.answers, chosen.people
    )
    began = time.monotonic()
    if left:
        with (
            get_context("spawn").Pool(chosen.jobs, work.start, (setting,)) as pool,
            path.open("a", encoding="utf-8") as file,
        ):
            for count, row in enumerate(pool.imap_unordered(work.do, left), 1):
                rows[row["key"]] = row
                file.write(json.dumps(row) + "\n")
                file.flush()
                spent = time.monotonic() - began
                ahead = spent / count * (len(left) - count)
                print(f"\r{count}/{len(left)}, {ahead:.0f} s to go ", end="", file=sys.stderr)
        print(file=sys.stderr)
    return [rows[task.key] for task in wanted]


def _is_done(task: work.Task, row: score.Row | None) -> bool:
    """Whether the row is this task's: other phrases may be drawn since the grammar changed."""
    said = task.phrase.text if isinstance(task, work.PhraseTask) else None
    return row is not None and row.get("said") == said


def kept(path: Path) -> Iterator[score.Row]:
    """Rows of an earlier run; a last line that was cut off is left out."""
    if path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            try:
                yield json.loads(line)
            except json.JSONDecodeError:
                print(f"a broken line in {path} is done again", file=sys.stderr)


def start_up(chosen: argparse.Namespace) -> dict[str, float]:
    """Seconds until the ears are ready, and memory, in a process of its own."""
    voice = usable("report")[0].name
    sounds = []
    for text in ("seventeen", "plugger twenty one point five millimetres"):
        speak(text, voice, chosen.cache)
        sounds.append(str(kept_as(text, voice, chosen.cache)))
    model = str(chosen.model or "-")
    command = [sys.executable, str(Path(ears.__file__)), chosen.listener, model, *sounds]
    began = time.monotonic()
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        while (line := process.stdout.readline()) and line.strip() != "ready":
            pass
        ready_s = time.monotonic() - began
        memory: dict[str, float] = json.loads(process.stdout.readline() or "{}")
    return {"start_up_s": ready_s, **memory}


def table(figures: dict[str, Any]) -> str:
    """The summary for people: shares in per cent with their 95 % intervals."""
    lines = []
    blocks = {"all": {"all": figures["all"]}}
    blocks |= {name: block for name, block in figures.items() if name.startswith("by_")}
    for name, block in blocks.items():
        lines += ["", name.replace("_", " ")]
        heads = [f"{column.replace('_', ' '):>16}" for column in COLUMNS]
        lines.append("  ".join([" " * 24, *heads]))
        for label, found in block.items():
            cells = [f"{label:<24}", *(f"{_cell(found[column]):>16}" for column in COLUMNS)]
            lines.append("  ".join(cells))
    for part in ("latency", "talk", "start_up"):
        lines += ["", part.replace("_", " ")]
        lines += [f"  {name}: {_plain(value)}" for name, value in figures[part].items()]
    return "\n".join(lines)


def _cell(value: Any) -> str:
    if isinstance(value, score.Rate):
        if value.of == 0:
            return "-"
        return f"{100 * value.value:.0f} ({100 * value.low:.0f}-{100 * value.high:.0f})"
    return str(value)


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        shown = {k: v for k, v in value.items() if k != "triggers"}
        return ", ".join(f"{k.replace('_', ' ')} {_plain(v)}" for k, v in shown.items())
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def main() -> None:
    """Make, measure, report."""
    # A terminated run takes its workers along.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    chosen = options()
    name = f"{chosen.half}-{chosen.listener}-{chosen.seed}"
    folder = chosen.out or Path("out") / "hearing" / name
    folder.mkdir(parents=True, exist_ok=True)
    begun = folder / "options.json"
    stated = json.dumps(
        {
            k: str(v)
            for k, v in sorted(vars(chosen).items())
            if k not in {"jobs", "results", "so_far"}
        }
    )
    if begun.exists() and begun.read_text() != stated:
        sys.exit(f"{folder} holds a campaign with other options; give another --out.")
    begun.write_text(stated)
    started = {} if chosen.so_far else start_up(chosen)
    rows = run(chosen, folder)
    figures = score.summary(rows) | {"start_up": started, "options": json.loads(stated)}
    plain = json.dumps(figures, indent=1, default=asdict)
    (folder / "summary.json").write_text(plain + "\n", encoding="utf-8")
    title = f"{chosen.listener}, {chosen.half} half, seed {chosen.seed}"
    try:
        plot.draw(rows, folder / "hearing.png", title)
    except ImportError:
        print("no picture: install fillwarm[bench] for matplotlib", file=sys.stderr)
    heard = {"own": "the own ears", "alone": "one recogniser alone"}.get(
        chosen.listener, "both recognisers"
    )
    with results.kept(__file__, f"How well it hears: {heard}", wanted=chosen.results):
        print(table(figures))
    print(f"\nrows, summary and picture are in {folder}")


if __name__ == "__main__":
    main()
