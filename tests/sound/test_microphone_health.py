"""A microphone that is dead, too loud or has gaps; and clocks that jump. All pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.protocol.moment import Moment
from assistant.sitting.clockwatch import clock_was_set, stood_still
from assistant.sound.microphone_health import (
    ALIVE,
    DEAD,
    DEAD_GATED_S,
    GAPS,
    LOUD,
    Health,
)
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, to_int16

pytestmark = pytest.mark.core

NOTICE_S = 3.0
"""Within this a dead microphone must be noticed."""


def frames(samples: np.ndarray) -> list[np.ndarray]:
    whole = len(samples) // FRAME_SAMPLES * FRAME_SAMPLES
    return list(to_int16(samples[:whole]).reshape(-1, FRAME_SAMPLES))


def noise(seconds: float, rms: float, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, rms, round(seconds * RATE_HZ))


def told(health: Health, samples: np.ndarray, lost_blocks: int = 0) -> list[str]:
    return [text for frame in frames(samples) for text in health.push(frame, lost_blocks)]


@settings(max_examples=20)
@given(level=st.integers(-32768, 32767), before=st.floats(0.0, 2.0))
def test_a_constant_is_dead_whatever_its_level(level: int, before: float) -> None:
    health = Health()
    assert told(health, noise(before, 30.0)) == []
    flat = np.full(round(NOTICE_S * RATE_HZ), level)
    assert [text for text in told(health, flat) if text != LOUD] == [DEAD]
    assert health.dead


@settings(max_examples=20)
@given(
    offset=st.integers(-20_000, 20_000),
    every=st.integers(260, 4000),
    steps=st.sampled_from([1, 2]),
)
def test_a_last_bit_that_flips_now_and_then_is_dead_too(
    offset: int, every: int, steps: int
) -> None:
    line = np.full(round(NOTICE_S * RATE_HZ), offset)
    line[::every] += steps
    assert told(Health(), line) == [DEAD]


@settings(max_examples=20)
@given(rms=st.floats(0.25, 300.0), offset=st.integers(-9000, 9000), seed=st.integers(0, 9))
def test_a_quiet_room_is_not_dead(rms: float, offset: int, seed: int) -> None:
    """Down to a quarter of the last bit, where most samples are equal."""
    assert told(Health(), noise(5.0, rms, seed) + offset) == []


def test_back_is_told_once_and_a_crackle_is_not_back() -> None:
    health = Health()
    told(health, np.zeros(3 * RATE_HZ))
    assert told(health, noise(0.1, 900.0)) == []
    assert health.dead
    assert told(health, np.zeros(RATE_HZ)) == []
    assert told(health, noise(1.0, 5.0)) == [ALIVE]
    assert not health.dead
    assert told(health, np.zeros(3 * RATE_HZ)) == [DEAD]  # and it can be lost again


def test_a_gate_between_phrases_is_learnt() -> None:
    health = Health()
    for _ in range(3):
        assert told(health, np.concatenate([noise(0.5, 500.0), np.zeros(RATE_HZ)])) == []
    told(health, noise(0.5, 500.0))
    assert told(health, np.zeros(round((DEAD_GATED_S - 1) * RATE_HZ))) == []
    assert told(health, np.zeros(2 * RATE_HZ)) == [DEAD]


@pytest.mark.parametrize(("gain", "expected"), [(0.9, []), (2.0, [LOUD]), (10.0, [LOUD])])
def test_an_overdriven_voice_is_told_once(gain: float, expected: list[str]) -> None:
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    voice = 32_767 * gain * np.sin(2 * np.pi * 180 * time_s) * (np.sin(5 * time_s) > 0)
    assert told(Health(), voice + noise(4.0, 20.0)) == expected


def test_a_knock_is_no_overdriven_voice() -> None:
    knock = noise(3.0, 20.0)
    knock[RATE_HZ : RATE_HZ + RATE_HZ // 8] *= 1e4
    assert told(Health(), knock) == []


def test_gaps_are_told_when_there_are_many_at_once() -> None:
    health = Health()
    assert told(health, noise(1.0, 20.0), lost_blocks=0) == []
    assert told(health, noise(1.0, 20.0), lost_blocks=9) == []
    assert told(health, noise(1.0, 20.0), lost_blocks=40) == [GAPS]
    assert told(health, noise(20.0, 20.0), lost_blocks=40) == []
    assert told(health, noise(1.0, 20.0), lost_blocks=45) == []


# -- the two clocks of a machine -------------------------------------------------

WALL = datetime(2026, 3, 2, 23, 59, 30, tzinfo=UTC)


def after(seconds: float, set_by_s: float = 0.0, zone: timezone = UTC) -> Moment:
    wall = WALL + timedelta(seconds=seconds + set_by_s)
    return Moment(wall=wall.astimezone(zone), mono_s=100.0 + seconds)


@given(passed_s=st.floats(0.0, 1e5), drift_s=st.floats(-2.9, 2.9), hours=st.integers(-12, 12))
def test_drift_and_another_zone_are_no_jump(
    passed_s: float, drift_s: float, hours: int
) -> None:
    zone = timezone(timedelta(hours=hours))
    assert clock_was_set(after(0.0), after(passed_s, drift_s, zone)) is None


@given(
    passed_s=st.floats(0.0, 20.0),
    by_s=st.floats(3.1, 1e7) | st.floats(-1e7, -3.1),
)
def test_a_jump_either_way_is_told(passed_s: float, by_s: float) -> None:
    text = clock_was_set(after(0.0), after(passed_s, by_s))
    assert text is not None and text.startswith("The clock of the machine was set from ")


def test_what_is_told_of_a_jump_is_what_it_was_and_what_it_is() -> None:
    text = clock_was_set(after(0.0), after(10.0, -3600.0))
    assert text is not None and "from 23:59:40 to 22:59:40." in text
    over_midnight = clock_was_set(after(0.0), after(10.0, 3600.0))
    assert over_midnight is not None
    assert "from 2026-03-02 23:59:40 to 2026-03-03 00:59:40." in over_midnight


def test_standing_still_is_not_a_jump() -> None:
    assert stood_still(after(0.0), after(9.9)) is None
    assert stood_still(after(0.0), after(61.0)) == (
        "The machine slept or stood still for 61 seconds."
    )
    assert clock_was_set(after(0.0), after(61.0)) is None
