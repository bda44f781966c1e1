"""Measuring the model: the top sentence, right or wrong in its meaning, and the evidence.

`prepare` writes the cases (what is said, and the graph of the step it is said at) into
one file; `run` mixes each into every room of :mod:`hearing.noises`, of the half's
variants, decodes it and writes a line for each. No gate and no ear: the sound is cut
0.4 s before and after the voice.
"""

from __future__ import annotations

import argparse
import io
import json
import pickle
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from assistant.sound.samples import RATE_HZ
from hearing import halves, noises

LEAD_S = 0.4
MOST_IN_BATCH = 48


class Arc(NamedTuple):
    """See :class:`assistant.ears.phonegraph.ArcLike`."""

    word: str
    target: int
    puts: tuple[Any, ...]


@dataclass(frozen=True)
class Plain:
    """A word graph without the classes of the program."""

    start: int
    arcs: tuple[tuple[Arc, ...], ...]
    ends: tuple[tuple[Any, ...], ...]


class Case(NamedTuple):
    """A text at a step: the number of its graph, and the meanings that are right."""

    text: str
    graph: int
    meanings: frozenset[Any]


def prepare(seed: int, count: int, half: halves.Half, number_cases: bool) -> dict[str, Any]:
    """The cases of :func:`hearing.phrases.phrase_set`, with the graphs; and, for people's
    composed numbers, cases at the step that takes the widest range of lengths."""
    from hearing.phrases import phrase_set
    from hearing.scenes import scenes
    from hearing.templates import grammar

    graphs: dict[str, int] = {}
    kept: list[Plain] = []

    def case(text: str, wanted: Any) -> Case:
        rules = grammar(wanted)
        if rules.key not in graphs:
            graphs[rules.key] = len(kept)
            kept.append(_plain(rules.graph))
        read = rules.graph.meanings(text.split())
        return Case(text, graphs[rules.key], frozenset((tuple(r.end), r.puts) for r in read))

    cases = [case(p.text, p.wanted) for p in phrase_set(seed, count, half)]
    numbers = []
    if number_cases:
        measure = max(
            (s.wanted for s in scenes() if s.wanted.kind == "mm"), key=lambda w: w.high - w.low
        )
        from num2words import num2words

        for n in range(int(measure.low), int(measure.high) + 1):
            numbers.append(case(num2words(n).replace("-", " "), measure))
    return {"cases": cases, "numbers": [c for c in numbers if c.meanings], "graphs": kept}


def _plain(graph: Any) -> Plain:
    return Plain(
        graph.start,
        tuple(tuple(Arc(a.word, a.target, a.puts) for a in arcs) for arcs in graph.arcs),
        tuple(tuple(tuple(end) for end in ends) for ends in graph.ends),
    )


def sounds(folder: Path, engine: str) -> Iterator[tuple[dict[str, Any], Any]]:
    """What was said, with its sound: shards of :mod:`.speech`, or their FLAC copies."""
    for path in sorted(folder.glob(f"{engine}*.npz")):
        held = np.load(path)
        flac = path.with_suffix(".flac")
        if flac.exists():
            import soundfile

            whole, _ = soundfile.read(io.BytesIO(flac.read_bytes()), dtype="int16")
        else:
            whole = held["sound"]
        first = 0
        for end, about in zip(held["ends"], json.loads(str(held["about"])), strict=True):
            yield about, whole[first:end]
            first = int(end)


def composed(text: str, said: dict[str, Any], pause_s: float = 0.06) -> Any:
    """A number of a person's recordings, its words ``pause_s`` apart, each cut to its voice;
    None if a word is missing."""
    words = [text] if text in said else text.split()
    if any(word not in said for word in words):
        return None
    parts = []
    for word in words:
        active = np.flatnonzero(noises.active_frames(said[word]))
        frame = RATE_HZ // 50
        parts += [
            said[word][active[0] * frame : (active[-1] + 2) * frame],
            np.zeros(round(pause_s * RATE_HZ), np.int16),
        ]
    return np.concatenate(parts)


def chatter(n: int, rng: np.random.Generator, talkers: list[Any]) -> Any:
    """Four of the set's other voices at once."""
    total = np.zeros(n)
    for _ in range(4):
        talk: list[Any] = []
        while sum(map(len, talk)) < 2 * n:
            said = talkers[int(rng.integers(len(talkers)))].astype(np.float64)
            talk.append(said / (noises.active_rms(said) or 1.0))
        line = np.concatenate(talk)
        at = int(rng.integers(len(line) - n))
        total += line[at : at + n] * rng.uniform(0.7, 1.4)
    return total


SPECIAL = ("mask", "far", "near-silence")
"""Rooms beside the campaign's: a mask (12 dB less above 2 kHz), a microphone at two
metres (more reverberation than voice), and a voice at 12 dB over the converter's steps."""


def _special(sound: Any, name: str, variant: int) -> Any:
    from scipy.signal import fftconvolve

    if name == "mask":
        spectrum = np.fft.rfft(sound.astype(np.float64))
        hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
        masked = np.fft.irfft(
            spectrum * 10 ** (-12 * np.clip((hz - 1500) / 1000, 0, 1) / 20), len(sound)
        )
        return noises.mix(
            masked, noises.Condition("suction", 20.0), variant, lead_s=LEAD_S, tail_s=LEAD_S
        ).sound
    if name == "far":
        heard = fftconvolve(
            sound.astype(np.float64), noises.impulse_response(0.6, variant, -3.0)
        )
        return noises.mix(
            heard, noises.Condition("suction", 20.0), variant, lead_s=LEAD_S, tail_s=LEAD_S
        ).sound
    loud = sound * (60.0 / (noises.active_rms(sound) or 1.0))
    edge = np.zeros(round(LEAD_S * RATE_HZ))
    whole = np.concatenate([edge, loud, edge])
    return np.round(whole + np.random.default_rng(variant).normal(0, 0.5, len(whole))).astype(
        np.int16
    )


def _mixed(job: tuple[Any, noises.Condition, int, list[Any]]) -> Any:
    sound, condition, variant, talkers = job
    if condition.kind in SPECIAL:
        return _special(sound, condition.kind, variant)
    return noises.mix(
        sound, condition, variant, lead_s=LEAD_S, tail_s=LEAD_S,
        chatter=lambda n, rng: chatter(n, rng, talkers),
    ).sound  # fmt: skip


_graphs: dict[int, Any] = {}
_bundle: dict[str, Any] = {}


def _start(bundle: dict[str, Any], lexicon: dict[str, tuple[str, ...]]) -> None:
    _bundle.update(bundle=bundle, lexicon=lexicon)


def _decoded(job: tuple[int, Any]) -> dict[str, Any]:
    from assistant.ears.decode import decode
    from assistant.ears.phonegraph import compiled

    number, logs = job
    if number not in _graphs:
        graph = _bundle["bundle"]["graphs"][number]
        _graphs[number] = compiled(graph, _bundle["lexicon"], lambda word: ())
    got = decode(_graphs[number], logs)
    return {
        "heard": [(" ".join(s.words), s.meaning) for s in got.sentences[:2]],
        **got.evidence._asdict(),
    }


def phones_of(weights: Path, device: str, pool: list[Any]) -> list[Any]:
    """Log-probabilities of phones for many sounds, by PyTorch, as the encoder has them."""
    import torch

    from assistant.ears.bands import dithered
    from hearing.making import network

    net, how = network.load_npz(weights, device), network.bands(device)
    found: list[Any] = [None] * len(pool)
    order = sorted(range(len(pool)), key=lambda i: len(pool[i]))
    for at in range(0, len(order), MOST_IN_BATCH):
        part = order[at : at + MOST_IN_BATCH]
        size = max(len(pool[i]) for i in part)
        size += -size % 320
        sound = torch.zeros(len(part), size)
        for row, i in enumerate(part):
            sound[row, : len(pool[i])] = torch.from_numpy(dithered(pool[i]))
        frames = torch.tensor([len(pool[i]) // 320 for i in part], device=device)
        with torch.inference_mode():
            mel = network.features(sound.to(device), how)
            logs = network.forward(net, mel, frames).log_softmax(-1).cpu().numpy()
        for row, i in enumerate(part):
            found[i] = logs[row, : len(pool[i]) // 320]
    return found


def read_lexicon(path: Path) -> dict[str, tuple[str, ...]]:
    """Word and phones a line."""
    found: dict[str, tuple[str, ...]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            word, _, way = line.partition("  ")
            found[word] = (*found.get(word, ()), way)
    return found


def run(asked: argparse.Namespace) -> None:
    """Mix, encode and decode; a line for each into ``asked.out``."""
    bundle = pickle.loads(asked.bundle.read_bytes())
    by_text = {case.text: case for case in reversed(bundle["cases"])}
    half: halves.Half = asked.half
    jobs, about = [], []
    conditions: list[noises.Condition] = list(noises.CONDITIONS)
    if asked.kind == "numbers":
        said = {a["text"]: sound for a, sound in sounds(asked.speech, "human-report")}
        wanted = [(c, composed(c.text, said)) for c in bundle["numbers"]]
        items = [
            ({"voice": {"human": 1}, "text": c.text}, s, c) for c, s in wanted if s is not None
        ]
        conditions = [
            noises.Condition("quiet"),
            *(noises.Condition("suction", snr) for snr in (30.0, 20.0, 15.0, 10.0, 5.0)),
        ]
    elif asked.kind == "other talk":
        rng = np.random.default_rng(7)
        count = len(bundle["graphs"])
        items = [
            (a, sound, Case(a["text"], int(rng.integers(count)), frozenset()))
            for a, sound in sounds(asked.speech, f"human-{half}")
        ]
        conditions = [noises.Condition("quiet"), noises.Condition("suction", 10.0)]
    else:
        found = list(sounds(asked.speech, asked.kind))[: asked.most]
        items = [
            (a, sound, case)
            for a, sound in found
            if (case := by_text.get(a["text"])) and case.meanings
        ]
    if asked.special:
        conditions = [noises.Condition(name) for name in SPECIAL]
    print(len(items), "items")
    voices = [next(iter(a["voice"])) for a, _, _ in items]
    for n, (a, sound, case) in enumerate(items):
        others = [
            i for i in range(max(0, n - 40), min(len(items), n + 40)) if voices[i] != voices[n]
        ]
        talkers = [items[i][1] for i in others[:24]] or [sound]
        for k, condition in enumerate(conditions):
            jobs.append((sound, condition, halves.noise_variant(half, n * 31 + k), talkers))
            about.append((a, condition.label, case))
    with ProcessPoolExecutor(asked.workers) as pool:
        mixed = list(pool.map(_mixed, jobs, chunksize=32))
    lexicon = read_lexicon(asked.lexicon)
    with asked.out.open("w", encoding="utf-8") as file:
        for weights in asked.weights:
            logs = phones_of(weights, asked.device, mixed)
            todo = [(case.graph, log) for (_, _, case), log in zip(about, logs, strict=True)]
            order = sorted(range(len(todo)), key=lambda i: todo[i][0])
            with ProcessPoolExecutor(
                asked.workers, initializer=_start, initargs=(bundle, lexicon)
            ) as pool:
                got = dict(
                    zip(
                        order,
                        pool.map(_decoded, [todo[i] for i in order], chunksize=16),
                        strict=True,
                    )
                )
            right = 0
            for i, (a, room, case) in enumerate(about):
                entry = got[i]
                heard = entry.pop("heard")
                ok = bool(heard) and heard[0][1] in case.meanings
                right += ok
                line = {
                    "weights": weights.stem, "half": half, "kind": asked.kind,
                    "voice": next(iter(a["voice"])), "room": room, "text": case.text,
                    "heard": heard[0][0] if heard else "",
                    "second": heard[1][0] if len(heard) > 1 else "",
                    "right": ok, **{k: round(v, 4) for k, v in entry.items()},
                }  # fmt: skip
                file.write(json.dumps(line) + "\n")
            print(weights.stem, asked.kind, right, "of", len(about), flush=True)


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description="Measure the acoustic model.")
    parser.add_argument("what", choices=("prepare", "run"))
    parser.add_argument("half", choices=("calibrate", "report"))
    parser.add_argument("bundle", type=Path)
    parser.add_argument("--seed", type=int, action="append", default=[])
    parser.add_argument("--count", type=int, action="append", default=[])
    parser.add_argument("--kind", default="kokoro")
    parser.add_argument("--speech", type=Path)
    parser.add_argument("--weights", type=Path, action="append", default=[])
    parser.add_argument("--lexicon", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--most", type=int, default=100_000)
    parser.add_argument("--special", action="store_true", help="only the rooms SPECIAL")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--device", default="cpu")
    asked = parser.parse_args()
    if asked.what == "run":
        run(asked)
        return
    whole: dict[str, Any] = {"cases": [], "numbers": [], "graphs": []}
    for seed, count in zip(asked.seed, asked.count, strict=True):
        part = prepare(seed, count, asked.half, not whole["numbers"])
        shift = len(whole["graphs"])
        whole["graphs"] += part["graphs"]
        for name in ("cases", "numbers"):
            whole[name] += [c._replace(graph=c.graph + shift) for c in part[name]]
    asked.bundle.write_bytes(pickle.dumps(whole))
    print(
        len(whole["cases"]),
        "cases,",
        len(whole["graphs"]),
        "graphs,",
        len(whole["numbers"]),
        "numbers",
    )


if __name__ == "__main__":
    main()
