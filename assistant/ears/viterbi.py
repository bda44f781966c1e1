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
    phone = np.empty((frames, places), np.float32)
    blank = np.empty((frames, places), np.float32)
    node = np.full((frames + 1, graph.nodes), _NEVER, np.float32)
    node[0, graph.words.start] = 0
    stay = rest = either = np.full(places, _NEVER, np.float32)
    come, said = np.empty(places, np.float32), np.empty(places, np.float32)
    quiet = np.concatenate([[0], np.cumsum(logs[:, 0])])
    ordered_lasts = graph.lasts[graph.by_target]
    # A chain's places lie in a row: what a place comes from is the one before it in memory.
    for t, log in enumerate(logs):
        come[1:] = either[:-1]
        come[graph.repeats] = rest[graph.repeats - 1]
        come[graph.firsts] = node[t, graph.source]
        np.maximum(stay, come, out=phone[t])
        phone[t] += log.take(graph.code, out=said, mode="clip")
        np.add(either, log[0], out=blank[t])
        stay, rest = phone[t], blank[t]
        either = np.maximum(stay, rest)
        ended = np.maximum.reduceat(either[ordered_lasts], graph.target_starts)
        node[t + 1, graph.target_nodes] = ended
        node[t + 1, graph.words.start] = max(
            node[t + 1, graph.words.start], np.float32(quiet[t + 1])
        )
    return Forwards(phone, blank, node)


def backwards(graph: PhoneGraph, logs: Array) -> Backwards:
    """See :class:`Backwards`."""
    frames, places = len(logs), len(graph.code)
    phone = np.empty((frames, places), np.float32)
    blank = np.empty((frames, places), np.float32)
    through = np.empty((frames, len(graph.firsts)), np.float32)
    enter, said = np.empty(places, np.float32), np.empty(places, np.float32)
    node = np.where(graph.accepts, np.float32(0), _NEVER).astype(np.float32)
    phone[-1] = blank[-1] = _NEVER
    phone[-1, graph.lasts] = blank[-1, graph.lasts] = node[graph.target]
    for t in range(frames - 1, -1, -1):
        np.add(phone[t], logs[t].take(graph.code, out=said, mode="clip"), out=enter)
        enter.take(graph.firsts, out=through[t], mode="clip")
        if t == 0:
            break
        node.fill(_NEVER)
        node[graph.source_nodes] = np.maximum.reduceat(through[t], graph.source_starts)
        here, rest, pause = phone[t - 1], blank[t - 1], blank[t] + logs[t, 0]
        rest[:-1] = enter[1:]  # the way on in a chain; after its last place, see below
        np.maximum(enter, rest, out=here)
        here[graph.repeats - 1] = enter[graph.repeats - 1]
        np.maximum(here, pause, out=here)
        np.maximum(rest, pause, out=rest)
        leave = np.maximum(pause[graph.lasts], node[graph.target])
        rest[graph.lasts] = leave
        here[graph.lasts] = np.maximum(enter[graph.lasts], leave)
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
        again = graph.code[place] == graph.code[last]
        come = rest[last] if again else max(stay[last], rest[last])
        if come >= stay[place]:
            in_phone = bool(not again and stay[last] >= rest[last])
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
    after: slice | None = None  # the chains that may follow this one
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
            if not (in_phone and graph.code[n] == graph.code[place]):
                options.append((float(back.phone[t, n] + log[graph.code[n]]), n, True, -1))
        else:
            if after is None:
                after = graph.leaving(int(graph.target[chain]))
            if after.stop > after.start:
                best = after.start + int(back.through[t, after].argmax())
                options.append(
                    (float(back.through[t, best]), int(graph.firsts[best]), True, best)
                )
        _, place, in_phone, begun = max(options)
        if begun >= 0:
            found.append(begun)
            chain, after = begun, None
        path.append(int(graph.code[place]) if in_phone else 0)
    return found, path
