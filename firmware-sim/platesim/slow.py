"""Slow noise as a function of time: the same seed, the same path."""

from __future__ import annotations

import math
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

_NOISE_GRID_S = 0.05
_NOISE_BLOCK = 256


class SlowNoise:
    """Ornstein-Uhlenbeck noise with standard deviation 1 as a function of time (from 0 on).

    Exact on a grid of 50 ms, linear in between; the path depends on the seed alone."""

    __slots__ = ("_decay", "_path", "_rng")

    def __init__(self, correlation_s: float, seed: int) -> None:
        self._rng = np.random.default_rng(seed)
        self._decay = math.exp(-_NOISE_GRID_S / correlation_s)
        self._path = self._rng.standard_normal(1)

    def at(self, t_s: F64) -> F64:
        """Noise at ascending times."""
        u = t_s.ravel() / _NOISE_GRID_S
        first, last = int(u[0]), int(u[-1]) + 2
        while len(self._path) <= last:
            self._extend()
        part = self._path[first : last + 1]
        return np.interp(u, np.arange(first, last + 1), part).reshape(t_s.shape)

    def _extend(self) -> None:
        kicks = self._rng.standard_normal(_NOISE_BLOCK) * math.sqrt(1.0 - self._decay**2)
        decay = self._decay
        steps = accumulate(kicks.tolist(), lambda x, kick: x * decay + kick,
                           initial=float(self._path[-1]))  # fmt: skip
        self._path = np.concatenate((self._path, np.fromiter(steps, np.float64)[1:]))
