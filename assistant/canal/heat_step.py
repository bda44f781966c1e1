"""One time step of conduction on rings around an axis, with melting. Knows no teeth.

Finite volumes: every cell is a ring; heat flows through conductances between
neighbours and from a cell to a given temperature ("sink"). Backward Euler, so no
oscillation and no new extremes at any step length; the error falls with the first power
of the step. Units: mm, s, C, mW, mJ.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from assistant.canal.tissue import MELTING_C, RECRYSTALLISES_C

Array = NDArray[np.float64]

_TOLERANCE_C = 1e-8
_MOST_ROUNDS = 60


class Network(NamedTuple):
    """How a grid of ``nz`` rows (depth) by ``nr`` rings conducts.

    Attributes:
        radial_mw_k: (nz, nr - 1), between a ring and the next outward.
        axial_mw_k: (nz - 1, nr), between a row and the next deeper.
        sink_mw_k: (nz, nr), to ``sink_c``.
        sink_c: (nz, nr), the given temperatures.
    """

    radial_mw_k: Array
    axial_mw_k: Array
    sink_mw_k: Array
    sink_c: Array


class Content(NamedTuple):
    """What the cells hold: heat per K (mJ/K) and heat of melting (mJ), both (nz, nr)."""

    capacity_mj_k: Array
    melting_mj: Array


class State(NamedTuple):
    """Temperature (C) and molten share (0 to 1) of every cell, both (nz, nr)."""

    temp_c: Array
    melted: Array


def melted_share(temp_c: Array, before: Array) -> tuple[Array, Array]:
    """Molten share at a temperature given the share before, and its slope (1/K).

    Melts along ``MELTING_C`` on heating, freezes along ``RECRYSTALLISES_C`` on cooling;
    between the two it stays as it was (hysteresis).
    """
    # Without np.clip: its overhead is most of the cost on so few cells.
    least = least_slope = 0.0 * temp_c
    for low, high in MELTING_C:
        part = 1 / ((high - low) * len(MELTING_C))
        least = least + np.minimum(np.maximum(temp_c - low, 0.0), high - low) * part
        least_slope = least_slope + ((temp_c > low) & (temp_c < high)) * part
    low, high = RECRYSTALLISES_C
    most = np.minimum(np.maximum((temp_c - low) / (high - low), 0.0), 1.0)
    most_slope = ((temp_c > low) & (temp_c < high)) / (high - low)
    share = np.minimum(np.maximum(before, least), most)
    slope = np.where(before < least, least_slope, np.where(before > most, most_slope, 0.0))
    return share, slope


def step(state: State, content: Content, network: Network, dt_s: float) -> State:
    """The state ``dt_s`` later.

    Newton rounds in the heat content, each a banded Cholesky solution (scipy.linalg),
    until the heat balance of every cell is met as if it were ``1e-8`` K off.

    Raises:
        ArithmeticError: the rounds did not settle; not seen with any input tried.
    """
    # Here, for its import costs a third of a second.
    from scipy.linalg import solveh_banded  # noqa: PLC0415

    nz, nr = state.temp_c.shape
    radial, axial = network.radial_mw_k * dt_s, network.axial_mw_k * dt_s
    leaving = network.sink_mw_k * dt_s
    leaving[:, :-1] += radial
    leaving[:, 1:] += radial
    leaving[:-1] += axial
    leaving[1:] += axial
    bands = np.zeros((nr + 1, nz * nr))
    bands[1].reshape(nz, nr)[:, :-1] = -radial
    bands[nr].reshape(nz, nr)[:-1] -= axial
    given = content.capacity_mj_k * state.temp_c + network.sink_mw_k * network.sink_c * dt_s

    # Only the rings of the canal can melt; everything about melting is done for them alone.
    can_melt = np.flatnonzero(content.melting_mj.any(axis=0))
    rings = slice(0, int(can_melt[-1]) + 1 if can_melt.size else 0)
    melting, before = content.melting_mj[:, rings], state.melted[:, rings]
    melting_c = melting / content.capacity_mj_k[:, rings]
    guess = state.temp_c[:, rings]
    share, slope = melted_share(guess, before)
    level = guess + melting_c * share
    held = content.capacity_mj_k + leaving
    for number in range(_MOST_ROUNDS):
        diagonal, right = held.copy(), given.copy()
        diagonal[:, rings] += melting * slope
        right[:, rings] += melting * (slope * guess - share + before)
        bands[0] = diagonal.ravel()
        flat = solveh_banded(bands, right.ravel(), lower=True, check_finite=False)
        temp = flat.reshape(nz, nr)
        inner = temp[:, rings]
        new_share, _ = melted_share(inner, before)
        missed = melting_c * (new_share - share - slope * (inner - guess))
        if np.all(np.abs(missed) <= _TOLERANCE_C):
            melted = state.melted.copy()
            melted[:, rings] = new_share
            return State(temp, melted)
        # On from the heat content reached, not from the temperature: a cell that the
        # linear guess throws across the narrow range of freezing would be thrown back.
        # Where two cells still drive each other to and fro, half-way rounds settle it.
        reached = inner + melting_c * (share + slope * (inner - guess))
        if number >= 8 and number % 2 == 0:
            reached = (reached + level) / 2
        level = reached
        guess = _temp_of(level, melting_c, before)
        share, slope = melted_share(guess, before)
    raise ArithmeticError(
        f"the heat balance did not settle in {_MOST_ROUNDS} rounds at a step of {dt_s:g} s; "
        "use a shorter step"
    )


def _temp_of(level_c: Array, melting_c: Array, before: Array) -> Array:
    """Temperature at a heat content: the inverse of ``T + melting_c * share(T)``.

    Contents and heats of melting are per heat capacity, hence in K.
    """
    part = melting_c / len(MELTING_C)
    melts = level_c
    for low, high in MELTING_C:
        melts = melts - part * np.clip((melts - low) / (high - low + part), 0.0, 1.0)
    low, high = RECRYSTALLISES_C
    freezes = level_c - melting_c * np.clip(
        (level_c - low) / (high - low + melting_c), 0.0, 1.0
    )
    # The share is the old one held between two curves, so its inverse is as well.
    return np.minimum(melts, np.maximum(level_c - melting_c * before, freezes))


def heat_mj(state: State, content: Content) -> float:
    """Heat content of the whole grid above 0 C, melting included."""
    return float(
        np.sum(content.capacity_mj_k * state.temp_c + content.melting_mj * state.melted)
    )


def inflow_mw(state: State, network: Network) -> float:
    """Heat that flows in from the sinks at this state."""
    return float(np.sum(network.sink_mw_k * (network.sink_c - state.temp_c)))
