"""What can be wrong with a microphone that still delivers: dead, too loud, with gaps.

Pure: frames in, sentences out. Time is counted in frames.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples

FRAME_S = FRAME_SAMPLES / RATE_HZ

FLAT_SHARE = 0.01
"""A frame is flat if no more than this share of its samples differs from the one before.

What is counted is change, not level, so an offset and a gain make no difference. A line
that is muted, torn or held by the system gives the same number again and again, at most
with a last bit that flips now and then, or with an offset that creeps. A converter that
measures anything at all changes: noise of only 0.3 steps RMS, rounded, flips 17 % of the
samples, 0.2 steps 2 %. Only under 0.18 steps (-105 dB of full scale) would a live line
pass for flat, and no microphone with its amplifier is so quiet (from memory).
"""

DEAD_S = 2.0
"""So long flat, and it is dead: no breath is drawn as evenly."""

DEAD_GATED_S = 30.0
"""The same where the sound is known to be gated: a headset or the system puts digital
silence between phrases."""

GATE_S, GATES = 0.15, 3
"""A flat stretch at least this long that ended by itself is a gate's; so many show one."""

ALIVE_S = 0.3
"""So long not flat, and it is back; a plug being pushed in crackles."""

RAIL = 32_700
"""Full scale, as the front end has it."""

LOUD_SHARE, LOUD_FRAMES, LOUD_OF = 0.02, 10, 100
"""A frame clips if this share of it stands at full scale; so many of the last 3 s do when
a voice is recorded 6 dB too loud (a sine of twice full scale is there for 67 % of the
time, one of 1 dB over it for 28 %; single knocks make fewer frames). Chosen here."""

LOST_BLOCKS, LOST_OF_S = 10, 10.0
"""So many lost pieces of 30 ms in this time (3 %) cost words."""

DEAD = (
    "The microphone gives no sound at all: look for its mute switch and its plug. "
    "Typed lines still work."
)
ALIVE = "The microphone gives sound again."
LOUD = "The microphone is overdriven: move it away from the mouth, or turn its level down."
GAPS = "Sound from the microphone is being lost: close other programs on this machine."


class Health:
    """Watches one live microphone; not for recordings, which may hold digital silence."""

    def __init__(self) -> None:
        self.dead = False
        self._flat_s = 0.0
        self._lively_s = 0.0
        self._gates = 0
        self._clipped: deque[bool] = deque(maxlen=LOUD_OF)
        self._told_loud = False
        self._lost: deque[int] = deque(maxlen=round(LOST_OF_S / FRAME_S))

    def push(self, frame: Samples, lost_blocks: int = 0) -> list[str]:
        """What is to be told after this frame.

        Args:
            frame: as it came.
            lost_blocks: pieces of sound lost since the microphone was opened.
        """
        told = [self._dead_or_alive(frame), self._loud(frame), self._gaps(lost_blocks)]
        return [text for text in told if text]

    def _dead_or_alive(self, frame: Samples) -> str:
        if flat(frame):
            self._flat_s += FRAME_S
            self._lively_s = 0.0
            limit_s = DEAD_GATED_S if self._gates >= GATES else DEAD_S
            if self._flat_s >= limit_s and not self.dead:
                self.dead = True
                return DEAD
            return ""
        self._lively_s += FRAME_S
        if not self.dead:
            self._gates += self._flat_s >= GATE_S
            self._flat_s = 0.0
        elif self._lively_s >= ALIVE_S:
            self.dead = False
            self._flat_s = 0.0
            return ALIVE
        return ""

    def _loud(self, frame: Samples) -> str:
        share = float(np.mean(np.abs(frame.astype(np.int32)) >= RAIL))
        self._clipped.append(share >= LOUD_SHARE)
        if self._told_loud or self.dead or sum(self._clipped) < LOUD_FRAMES:
            return ""
        self._told_loud = True
        return LOUD

    def _gaps(self, lost_blocks: int) -> str:
        self._lost.append(lost_blocks)
        if lost_blocks - self._lost[0] < LOST_BLOCKS:
            return ""
        self._lost.clear()
        return GAPS


def flat(frame: Samples) -> bool:
    """Whether a frame is a line and no sound; see :data:`FLAT_SHARE`."""
    return float(np.mean(np.diff(frame) != 0)) <= FLAT_SHARE
