"""What a power cut leaves of a folder: names and sectors that were not synced may be lost.

The file system is the weakest that still keeps its word on fsync: of what was not synced
every 512-byte sector is there or not, by chance, and a hole reads as zeros; a file may be
as long as before, as now, or anything between; a new, renamed or removed name counts or
does not, by chance, if its folder was not synced.
"""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

SECTOR = 512


def cut_power(folder: Path, shadow: Path, rng: random.Random) -> None:
    """Make of ``folder`` what a power cut leaves, by the copies in ``shadow``.

    ``shadow`` is what :class:`layers.Remembering` filled. The names that ``folder`` keeps
    are given new files.
    """
    if not folder.exists():
        return
    above = _names(shadow, folder.parent.stat().st_ino)
    if folder.name not in above and rng.random() < 0.5:
        shutil.rmtree(folder)
        return
    safe = _names(shadow, folder.stat().st_ino)
    now = {one.name: one.stat().st_ino for one in folder.iterdir()}
    content = {one.stat().st_ino: one.read_bytes() for one in folder.iterdir()}
    left: dict[str, bytes] = {}
    for name in sorted(safe | now):
        inode = now.get(name) if rng.random() < 0.5 else safe.get(name)
        if inode is not None:
            synced = _synced(shadow, inode)
            left[name] = _torn(synced, content.get(inode, synced), rng)
    for one in folder.iterdir():
        one.unlink()
    for name, data in left.items():
        (folder / name).write_bytes(data)


def _names(shadow: Path, inode: int) -> dict[str, int]:
    kept = shadow / str(inode)
    names: dict[str, int] = json.loads(kept.read_text()) if kept.exists() else {}
    return names


def _synced(shadow: Path, inode: int) -> bytes:
    kept = shadow / str(inode)
    return kept.read_bytes() if kept.exists() else b""


def _torn(synced: bytes, now: bytes, rng: random.Random) -> bytes:
    """``now`` with sectors that differ from ``synced`` kept or lost by chance."""
    if synced == now:
        return now
    longest = max(len(synced), len(now))
    before, after = synced.ljust(longest, b"\0"), now.ljust(longest, b"\0")
    out = b""
    for start in range(0, longest, SECTOR):
        sector = slice(start, start + SECTOR)
        out += after[sector] if rng.random() < 0.5 else before[sector]
    between = [end for end in range(0, longest, SECTOR) if len(synced) < end < len(now)]
    return out[: rng.choice([len(synced), len(now), longest, *between])]
