"""Recordings of people, from Debian packages, in two halves: never for training.

* ``asterisk-core-sounds-en-g722`` with the texts of ``asterisk-core-sounds-en`` (one
  speaker, CC BY-SA 3.0): telephone prompts at 16 kHz, numbers among them;
* ``tuxpaint-stamps-default`` (GPL-2): what children's stamps show, a few speakers;
* ``pocketsphinx-testdata`` (BSD-2): names of cards and a few numbers, a few speakers.

The development half stops the training and picks the share of the original weights.
The report half is only measured. All plain numbers ("7", "40") are in the report
half, so that no choice has heard them; the rest is halved by a hash of the name.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile
from num2words import num2words
from numpy.typing import NDArray
from scipy.signal import resample_poly

from hearing.halves import Half
from hearing.making import espeak, phones

RATE_HZ = 16_000
MOST_S = 7.0


class Recorded(NamedTuple):
    """What a person said."""

    name: str
    text: str
    sound: NDArray[np.int16]


def half(name: str, text: str) -> Half:
    """Where a recording belongs; development is ``calibrate``."""
    if text in _NUMBERS:
        return "report"
    return "calibrate" if hashlib.sha256(name.encode()).digest()[0] % 2 == 0 else "report"


_NUMBERS = {num2words(n) for n in (*range(21), *range(30, 100, 10), 100)} | {"oh", "point"}


def everything(root: Path) -> Iterator[Recorded]:
    """All recordings with a plain text, in a fixed order; ``root`` is where the
    packages are unpacked, ``/`` if they are installed."""
    yield from _prompts(root / "usr/share")
    yield from _stamps(root / "usr/share/tuxpaint/stamps")
    yield from _cards(root / "usr/share/pocketsphinx/test/data")


def _plain(text: str) -> str | None:
    text = re.sub(r"[.,!?;:\"-]+", " ", text.lower())
    text = " ".join(text.split())
    return text if re.fullmatch(r"[a-z' ]+", text) else None


def _prompts(share: Path) -> Iterator[Recorded]:
    from G722 import G722

    listing = (share / "doc/asterisk-core-sounds-en/core-sounds-en.txt.gz").read_bytes()
    for line in gzip.decompress(listing).decode("utf-8").splitlines():
        name, _, said = line.partition(": ")
        stem = name.rpartition("/")[2]
        if name.startswith("silence/"):
            continue
        text = num2words(int(stem)).replace("-", " ") if stem.isdigit() else _plain(said)
        path = share / f"asterisk/sounds/en_US_f_Allison/{name}.g722"
        if text and "[" not in said and path.exists():
            sound = np.asarray(G722(16_000, 64_000).decode(path.read_bytes()), np.int16)
            yield from _short(Recorded(f"prompt:{name}", text, sound))


def _stamps(stamps: Path) -> Iterator[Recorded]:
    for path in sorted(stamps.rglob("*_desc.ogg")):
        words = path.with_name(path.name.replace("_desc.ogg", ".txt"))
        if words.exists() and (text := _plain(words.read_text("utf-8").splitlines()[0])):
            yield from _short(_opened(f"stamp:{path.stem}", text, path))


def _cards(data: Path) -> Iterator[Recorded]:
    for folder in sorted(data.glob("*/")):
        for listing in folder.glob("*.transcription"):
            for line in listing.read_text().splitlines():
                said, _, name = line.rpartition("(")
                text = _plain(re.sub(r"</?s>|<sil>", " ", said))
                path = folder / f"{name.rstrip(')').strip()}.wav"
                if text and path.exists():
                    yield from _short(_opened(f"card:{folder.name}/{path.stem}", text, path))


def _opened(name: str, text: str, path: Path) -> Recorded:
    sound, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    common = np.gcd(rate_hz, RATE_HZ)
    mono = resample_poly(sound.mean(1), RATE_HZ // common, rate_hz // common)
    return Recorded(name, text, (mono * 32767).clip(-32768, 32767).astype(np.int16))


def _short(said: Recorded) -> Iterator[Recorded]:
    if 0.2 < len(said.sound) / RATE_HZ < MOST_S:
        yield said


def keep(path: Path, items: list[Recorded]) -> None:
    """Recordings as a shard, like the training speech, labels in American phones."""
    about = [
        {"engine": "human", "voice": {item.name: 1.0}, "text": item.text,
         "phones": phones.from_ipa(espeak.phonemes(item.text, "en-us"))}
        for item in items
    ]  # fmt: skip
    np.savez_compressed(
        path,
        sound=np.concatenate([item.sound for item in items]),
        ends=np.cumsum([len(item.sound) for item in items]),
        about=np.array(json.dumps(about)),
    )


def main() -> None:
    """Write both halves."""
    parser = argparse.ArgumentParser(description="Recordings of people, in two halves.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--root", type=Path, default=Path("/"))
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    found = list(everything(asked.root))
    for which in ("calibrate", "report"):
        items = [item for item in found if half(item.name, item.text) == which]
        keep(asked.out / f"human-{which}.npz", items)
        length_s = sum(len(item.sound) for item in items) / RATE_HZ
        print(f"{which}: {len(items)} recordings, {length_s:.0f} s")


if __name__ == "__main__":
    main()
