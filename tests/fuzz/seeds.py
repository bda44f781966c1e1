"""Seed inputs, made at run time from the shipped files and invented cases.

Small ones beside the whole files: what is small is mutated and read many times faster.
"""

from __future__ import annotations

import io
import json
import struct
from functools import cache
from typing import Any

from ruamel.yaml import YAML
from typical_case import barely_started, two_canals

from assistant.files.shipped import data_folder
from assistant.progress import events as ev
from assistant.record.chain import HEADER, Chain, make_line
from assistant.report.record import as_record

AT = "2026-03-09T14:05:00+02:00"
HEAD = "0123456789abcdef" * 4


def yaml_bytes(tree: Any) -> bytes:
    out = io.BytesIO()
    YAML(typ="safe").dump(tree, out)
    return out.getvalue()


def plain(*names: str) -> Any:
    """A shipped YAML file as plain data."""
    return YAML(typ="safe").load(data_folder(names[0]).joinpath(*names[1:]).read_bytes())


@cache
def protocols() -> tuple[bytes, ...]:
    """A protocol of seven steps and three rules, and a whole one."""
    small = plain("protocols", "to-post-level.yaml")
    keep = {"tooth", "canals", "working_length", "heat", "plugger_depth", "press", "sign"}
    for part in ("opening", "canal", "closing"):
        small[part] = [step for step in small[part] if step["id"] in keep]
    small["canal"][1]["options"][0].pop("to")
    small["rules"] = [
        rule
        for rule in small["rules"]
        if rule["id"] in {"depth-limit", "limit-unknown", "press-short", "step-skipped"}
    ]
    for rule in small["rules"]:
        if "apical_plugger_mm" in rule.get("quantities", ()):
            rule["quantities"] = ["plugger_depth_mm"]
    whole = (data_folder("protocols") / "to-post-level.yaml").read_bytes()
    return yaml_bytes(small), whole


def folder_of(kind: str) -> tuple[bytes, ...]:
    files = sorted((data_folder("protocols") / kind).glob("*.yaml"))
    return tuple(file.read_bytes() for file in files)


OWN = b"""\
options:
  dry: ["bone dry"]
commands:
  where: ["[tell me] the present stage"]
lists:
  canal:
    - {say: "cheek side", means: buccal}
values:
  mm:
    - sentences: ["depth of <mm>"]
skip: ["omit [this] [{reason}]"]
accepted_alike:
  - {pairs: [[bone dry, tone dry]], because: "invented for a test"}
"""

LINES = (
    b"twenty one point five",
    b"21.5",
    b"plugger 17.5",
    b"tooth two four",
    b"skip because there was no time",
    b"correction 16",
    b"canals buccal and palatal",
    b".06",
    b"9" * 400,
    b"1.1.1.1",
    b"confirm",
)


@cache
def journal() -> tuple[bytes, ...]:
    """Journals of invented cases: one barely begun, the start of a long one."""
    return tuple(
        chained([ev.EVENTS.dump_python(event, mode="json") for event in events])
        for events in (barely_started().events, two_canals().events[:60])
    )


def chained(events: list[dict[str, Any]]) -> bytes:
    """A journal that verifies, whatever its events say."""
    chain, raw = Chain(), b""
    for event in (HEADER, *events):
        line, chain = make_line(chain, AT, event, 0)
        raw += line
    return raw


@cache
def events() -> tuple[dict[str, Any], ...]:
    """One event of every kind that a whole case has, in the order of the case."""
    return tuple(ev.EVENTS.dump_python(e, mode="json") for e in two_canals().events)


@cache
def records() -> tuple[bytes, ...]:
    return tuple(
        json.dumps(as_record(case.state, HEAD)).encode()
        for case in (barely_started(), two_canals())
    )


def wav(rate_hz: int = 16_000, bits: int = 16, channels: int = 1, frames: int = 40) -> bytes:
    """A small PCM file of invented sound."""
    width = bits // 8
    data = bytes((7 * i) % 256 for i in range(frames * channels * width))
    fmt = struct.pack(
        "<HHIIHH", 1, channels, rate_hz, rate_hz * width * channels, width * channels, bits
    )
    chunks = b"fmt " + struct.pack("<I", len(fmt)) + fmt
    chunks += b"LIST" + struct.pack("<I", 4) + b"INFO"
    chunks += b"data" + struct.pack("<I", len(data)) + data
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


WAVS = (
    wav(),
    wav(8_000, 8),
    wav(44_100, 24, 2),
    wav(48_000, 32, 2),
    wav(8_000, 16)[:44],
    wav().replace(b"data(", b"data\xff"),
)

MESSAGES = tuple(
    json.dumps(one).encode()
    for one in ({"kind": "line", "text": "21.5"}, {"kind": "tap"}, {"kind": "line", "text": 1})
)

ROOM = json.dumps(
    {
        "version": 1,
        "made_at": AT,
        "microphone": "invented",
        "listener": "own",
        "seed": 1,
        "noise_dbfs": -60.0,
        "speech_dbfs": -25.0,
        "snr_db": 35.0,
        "gain": 1.0,
        "clipped": 0,
        "right": 18,
        "misheard": 1,
        "missed": 1,
        "right_low": 0.7,
        "right_high": 0.97,
        "accept": 0.9,
        "command": 0.6,
        "reject": 0.2,
        "verdict": "good",
        "advice": [],
    }
).encode()
