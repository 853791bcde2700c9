"""The slow wander of instruments inside their class: never still, never far, never a fault.

Each thermometer and meter is the sum of an error that stays and one that wanders about nought and
forgets itself within weeks. The wander is part of every explanation, "nothing moves" included: what it
can do is no evidence for anything. Without it the ratios of single instruments climbed to 20 and
more on simulated plants in which nothing was wrong, and stood in the way of real deposits.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.trends.model import Array

# Standard deviation and memory of the wander (judgement; no manufacturer states it).
WANDER_K = 0.05
WANDER_METER = 0.003
MEMORY_DAYS = 20.0
WANDERING = (0, 1, 2, 3, 4, 5)  # the unknowns that are instruments' errors
# What stays may still age: a random walk per root day.
AGEING_K = 0.003
AGEING_METER = 0.0002


@dataclass(frozen=True, slots=True)
class Wandering:
    """Unknowns followed by the wander of each instrument.

    Attributes
    ----------
    known : number of unknowns without wander
    turn : (known, known + 6) from the longer state to the unknowns
    """

    known: int
    turn: Array

    @classmethod
    def beside(cls, known: int) -> "Wandering":
        """Return the arrangement for so many unknowns."""
        turn = np.zeros((known, known + len(WANDERING)))
        turn[:, :known] = np.eye(known)
        turn[list(WANDERING), known + np.arange(len(WANDERING))] = 1.0
        return cls(known, turn)

    @property
    def size(self) -> int:
        """Length of the longer state."""
        return self.known + len(WANDERING)

    @property
    def states(self) -> NDArray[np.int64]:
        """Positions of the wander in the longer state."""
        return np.arange(self.known, self.size)

    def start(self, matrix: Array, vector: Array) -> tuple[Array, Array]:
        """Return mean and covariance before the first day, from prior matrix and vector."""
        x, P = np.zeros(self.size), np.zeros((self.size, self.size))
        P[: self.known, : self.known] = np.linalg.inv(matrix)
        x[: self.known] = np.linalg.solve(matrix, vector)
        P[self.states, self.states] = wander_variance()
        return x, P

    def forget(self, gap_days: float) -> tuple[Array, Array]:
        """Return what is left of each state after a gap, and the variance that came instead."""
        left = np.exp(-gap_days / MEMORY_DAYS)
        keep, added = np.ones(self.size), np.zeros(self.size)
        keep[self.states] = left
        added[self.states] = wander_variance() * (1.0 - left**2)
        added[:4] = AGEING_K**2 * gap_days
        added[4:6] = AGEING_METER**2 * gap_days
        return keep, added


def wander_variance() -> Array:
    """Return the variance of each instrument's wander, (6,): K**2, then of ln."""
    return np.array([WANDER_K**2] * 4 + [WANDER_METER**2] * 2)
