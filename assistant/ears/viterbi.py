"""The best way through a phone graph for what was heard, and through every word of it.

CTC: every frame is a phone of the way or a blank; equal phones that follow each other
inside a word must be parted by a blank (between words they may be one: "point ten").
Forwards the best way to each place at each frame, backwards the best way from there
to an end; both together give the best whole sentence through each word, which is
what the rivals are read from.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assistant.ears.bands import Array
from assistant.ears.phonegraph import PhoneGraph

_NEVER = np.float32(-1e9)
Grid = NDArray[np.float32]


@dataclass(frozen=True)
class Forwards:
    """Best scores of the ways up to each frame.

    Attributes:
        phone, blank: (frames, places): now in the phone, or in a blank after it.
        node: (frames + 1, nodes): the word before a node is complete after so many frames.
    """

    phone: Grid
    blank: Grid
    node: Grid


@dataclass(frozen=True)
class Backwards:
    """Best scores of what follows each frame, up to an end.

    Attributes:
        phone, blank: (frames, places): being there now.
        through: (frames, chains): of the rest if the chain is begun with this frame.
    """

    phone: Grid
    blank: Grid
    through: Grid


def forwards(graph: PhoneGraph, logs: Array) -> Forwards:
    """See :class:`Forwards`; ``logs`` as of :func:`.encoder.log_phones`."""
    frames, places = len(logs), len(graph.code)
    phone = np.full((frames, places), _NEVER, np.float32)
    blank = np.full((frames, places), _NEVER, np.float32)
    node = np.full((frames + 1, graph.nodes), _NEVER, np.float32)
    node[0, graph.words.start] = 0
    stay = np.full(places, _NEVER, np.float32)
    rest = np.full(places, _NEVER, np.float32)
    quiet = np.concatenate([[0], np.cumsum(logs[:, 0])])
    ordered_lasts = graph.lasts[graph.by_target]
    for t, log in enumerate(logs):
        come = np.where(graph.repeats, rest[graph.before], np.maximum(stay, rest)[graph.before])
        come[graph.firsts] = node[t, graph.source]
        now = phone[t]
        np.maximum(stay, come, out=now)
        now += log[graph.code]
        np.maximum(stay, rest, out=blank[t])
        blank[t] += log[0]
        stay, rest = now, blank[t]
        ended = np.maximum(stay[ordered_lasts], rest[ordered_lasts])
        node[t + 1, graph.target_nodes] = np.maximum.reduceat(ended, graph.target_starts)
        node[t + 1, graph.words.start] = max(
            node[t + 1, graph.words.start], np.float32(quiet[t + 1])
        )
    return Forwards(phone, blank, node)


def backwards(graph: PhoneGraph, logs: Array) -> Backwards:
    """See :class:`Backwards`."""
    frames, places = len(logs), len(graph.code)
    phone = np.full((frames, places), _NEVER, np.float32)
    blank = np.full((frames, places), _NEVER, np.float32)
    through = np.full((frames, len(graph.firsts)), _NEVER, np.float32)
    by_source = np.argsort(graph.source, kind="stable")
    sources, starts = np.unique(graph.source[by_source], return_index=True)
    after = np.flatnonzero(graph.inner)  # places with one before: its way on
    ahead_phone = ahead_blank = np.full(places, _NEVER, np.float32)
    node = np.where(graph.accepts, np.float32(0), _NEVER).astype(np.float32)
    for t in range(frames - 1, -1, -1):
        leave_phone = np.full(places, _NEVER, np.float32)
        leave_blank = leave_phone.copy()
        if t + 1 < frames:
            log = logs[t + 1]
            enter = ahead_phone + log[graph.code]
            leave_blank[graph.before[after]] = enter[after]
            leave_phone[graph.before[after]] = np.where(
                graph.repeats[after], _NEVER, enter[after]
            )
            np.maximum(leave_phone, enter, out=leave_phone)
            pause = ahead_blank + log[0]
            np.maximum(leave_phone, pause, out=leave_phone)
            np.maximum(leave_blank, pause, out=leave_blank)
            node = np.full(graph.nodes, _NEVER, np.float32)
            node[sources] = np.maximum.reduceat(enter[graph.firsts][by_source], starts)
        reached = node[graph.target]
        leave_phone[graph.lasts] = np.maximum(leave_phone[graph.lasts], reached)
        leave_blank[graph.lasts] = np.maximum(leave_blank[graph.lasts], reached)
        phone[t], blank[t] = leave_phone, leave_blank
        ahead_phone, ahead_blank = leave_phone, leave_blank
        through[t] = leave_phone[graph.firsts] + logs[t, graph.code[graph.firsts]]
    return Backwards(phone, blank, through)


def best_through(graph: PhoneGraph, ahead: Forwards, back: Backwards) -> Grid:
    """(frames, chains): the best whole sentence in which a chain begins at a frame."""
    return np.asarray(ahead.node[:-1][:, graph.source] + back.through, np.float32)


def chains_before(graph: PhoneGraph, ahead: Forwards, frame: int, node: int) -> list[int]:
    """The chains of the best way to ``node`` with ``frame`` frames gone, in order."""
    found: list[int] = []
    while True:
        score = ahead.node[frame, node]
        # Only the start is reached by blanks alone.
        ends = np.flatnonzero(graph.target == node)
        reached = (
            np.maximum(
                ahead.phone[frame - 1, graph.lasts[ends]],
                ahead.blank[frame - 1, graph.lasts[ends]],
            )
            if frame and len(ends)
            else np.zeros(0, np.float32)
        )
        if not len(reached) or reached.max() < score:
            return found[::-1]
        chain = int(ends[reached.argmax()])
        found.append(chain)
        frame, node = _begun(graph, ahead, chain, frame - 1), int(graph.source[chain])


def _begun(graph: PhoneGraph, ahead: Forwards, chain: int, frame: int) -> int:
    """Frames gone when the chain that is complete at ``frame`` began."""
    place = int(graph.lasts[chain])
    first = int(graph.firsts[chain])
    in_phone = ahead.phone[frame, place] >= ahead.blank[frame, place]
    while frame:
        stay, rest = ahead.phone[frame - 1], ahead.blank[frame - 1]
        if not in_phone:
            in_phone = bool(stay[place] >= rest[place])
            frame -= 1
            continue
        if place == first:
            if ahead.node[frame, graph.source[chain]] >= stay[place]:
                return frame
            frame -= 1
            continue
        last = place - 1
        come = rest[last] if graph.repeats[place] else max(stay[last], rest[last])
        if come >= stay[place]:
            in_phone = bool(not graph.repeats[place] and stay[last] >= rest[last])
            place = last
        frame -= 1
    return 0


def chains_after(
    graph: PhoneGraph, back: Backwards, logs: Array, frame: int, chain: int
) -> tuple[list[int], list[int]]:
    """The chains after ``chain``, which begins with ``frame``, on the best way to an end;
    and the phone (or 0) at each frame from ``frame`` on."""
    found: list[int] = []
    place, in_phone = int(graph.firsts[chain]), True
    path = [int(graph.code[place])]
    for t in range(frame + 1, len(logs)):
        log = logs[t]
        options: list[tuple[float, int, bool, int]] = []
        if in_phone:
            options.append(
                (float(back.phone[t, place] + log[graph.code[place]]), place, True, -1)
            )
        options.append((float(back.blank[t, place] + log[0]), place, False, -1))
        if place != graph.lasts[chain]:
            n = place + 1
            if not (in_phone and graph.repeats[n]):
                options.append((float(back.phone[t, n] + log[graph.code[n]]), n, True, -1))
        else:
            nexts = np.flatnonzero(graph.source == graph.target[chain])
            if len(nexts):
                best = int(nexts[back.through[t, nexts].argmax()])
                options.append(
                    (float(back.through[t, best]), int(graph.firsts[best]), True, best)
                )
        _, place, in_phone, begun = max(options)
        if begun >= 0:
            found.append(begun)
            chain = begun
        path.append(int(graph.code[place]) if in_phone else 0)
    return found, path
