"""What spokes of one wheel do to each other when they lengthen: the influence matrix, taken apart for quick solving."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from planner.wheel import Wheel

Floats = NDArray[np.float64]
UNLIKE = 0.4  # spread of the slopes up to which the iteration in `Coupling.solve` gains at least a digit in three


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coupling:
    """What spokes of one wheel do to each other when they lengthen."""

    influence: Floats  # (n, n) A = dT/d(shortening), N/mm
    EA_N: float  # stiffness of the spokes in A
    fibre_mm: Floats  # (n,) length that stretches and creeps
    vectors: Floats  # (n, n) A = vectors diag(values) inverse
    inverse: Floats  # (n, n)
    values: Floats  # (n,)

    @classmethod
    def of(cls, influence: Floats, EA_N: float, fibre_mm: Floats) -> Coupling:
        """Decompose an influence matrix (real eigenvalues: symmetric, or similar to a symmetric one)."""
        if np.allclose(influence, influence.T, rtol=0.0, atol=1e-9 * np.abs(influence).max()):
            values, vectors = np.linalg.eigh(0.5 * (influence + influence.T))
            inverse = vectors.T
        else:
            complex_values, complex_vectors = np.linalg.eig(influence)
            values, vectors = np.real(complex_values), np.real(complex_vectors)
            inverse = np.linalg.inv(vectors)
        return cls(
            influence=influence,
            EA_N=EA_N,
            fibre_mm=fibre_mm,
            vectors=np.ascontiguousarray(vectors),
            inverse=np.ascontiguousarray(inverse),
            values=values,
        )

    def answer(self, lengthening_mm: Floats) -> Floats:
        """(..., n) A x: the loss of tension, N, where spokes grow longer."""
        out: Floats = lengthening_mm @ self.influence.T
        return out

    def solve(self, miss_N: Floats, slope_mm_per_N: Floats) -> Floats:
        """(..., n) x with (I + A diag(slope)) x = miss, closely enough for a Newton step."""
        miss_N, slope_mm_per_N = np.broadcast_arrays(miss_N, slope_mm_per_N)
        middle = slope_mm_per_N.mean(-1, keepdims=True)
        unlike = slope_mm_per_N - middle
        scale = 1.0 / (1.0 + middle * self.values)
        into, back = self.inverse.T, self.vectors.T
        x: Floats = ((miss_N @ into) * scale) @ back
        stiffest = self.values.max()
        gain = np.abs(unlike).max(-1) * stiffest / (1.0 + middle[..., 0] * stiffest)  # of the error, each time
        far = gain > UNLIKE
        worst = float(gain.max(where=~far, initial=0.0))
        for _ in range(3 if worst > 0.15 else 2 if worst > 0.05 else 1):
            x = (((miss_N - self.answer(unlike * x)) @ into) * scale) @ back
        if far.any():
            # spokes too unlike each other for the iteration: solved whole
            whole = np.eye(self.values.size) + self.influence * slope_mm_per_N[far][:, None, :]
            x[far] = np.linalg.solve(whole, miss_N[far][..., None])[..., 0]
        return x


def coupling_of(wheel: Wheel, EA_N: float, tension_N: object = None) -> Coupling:
    """A whole wheel, every spoke, standing at ``tension_N`` (the side targets, if left out)."""
    return Coupling.of(wheel.influence(tension_N, EA_N), EA_N, wheel.fibre_mm)


def mean_coupling(wheel: Wheel, EA_N: float) -> Coupling:
    """One mean spoke a side (left, right): the mean tension of each side when all spokes of a side lengthen alike."""
    A = wheel.influence(None, EA_N)
    own = [wheel.side == s for s in (0, 1)]
    means = np.array([[A[np.ix_(a, b)].sum(axis=1).mean() for b in own] for a in own])
    return Coupling.of(means, EA_N, np.array([wheel.fibre_mm[a].mean() for a in own]))


def mean_field(followup: float, EA_N: float, fibre_mm: float) -> Coupling:
    """A single spoke in a wheel whose spokes are all alike: T (1 + phi)/EA + creep = constant."""
    return Coupling.of(np.array([[EA_N / fibre_mm / (1.0 + followup)]]), EA_N, np.array([fibre_mm]))
