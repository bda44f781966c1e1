"""What is to be said, by whom: the entries of a plan, and the voices that are held back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

REPORT_VOICES = (
    "af_bella", "af_nicole", "am_michael", "am_puck", "bf_emma", "bm_george",
    "ef_dora", "hm_omega", "if_sara", "jm_kumo", "zf_xiaoxiao", "pm_alex",
)  # fmt: skip
"""Kokoro's voices that only the report hears: never trained on, never mixed in."""

CALIBRATE_VOICES = ("af_sky", "am_liam", "bf_alice", "zm_yunxi")
"""Kokoro's voices that choices and coefficients are made with: not trained on either."""


def accent_of(voice: str) -> str:
    """In which accent a Kokoro voice of English is told what to say."""
    return "en-gb" if voice.startswith("b") else "en-us"


@dataclass(frozen=True)
class Utterance:
    """One thing to be said.

    Attributes:
        engine: ``kokoro``, ``espeak`` or ``flite``.
        voice: shares by voice for Kokoro (one or several), else one name.
        speed: 1 is the voice's own.
        pitch: 1 is the voice's own; espeak-ng and flite only.
        kind: of :data:`.texts.SHARES`.
        ipa: what Kokoro is told, in IPA with stress; empty for flite.
        phones: what is said, in CMU phones; empty for flite, which tells itself.
    """

    engine: str
    voice: dict[str, float]
    speed: float
    pitch: float
    kind: str
    text: str
    ipa: str
    phones: tuple[str, ...]


def write(path: Path, plan: Iterator[Utterance], count: int) -> None:
    """The first ``count`` of a plan as JSON lines."""
    with path.open("w", encoding="utf-8") as file:
        for _ in range(count):
            file.write(json.dumps(asdict(next(plan)), ensure_ascii=False) + "\n")


def read(path: Path) -> list[Utterance]:
    """A plan that was written."""
    entries = (json.loads(line) for line in path.read_text(encoding="utf-8").splitlines())
    return [Utterance(**{**entry, "phones": tuple(entry["phones"])}) for entry in entries]
