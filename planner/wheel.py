"""The wheel: what turning a nipple, a creeping spoke, a warm day or a tyre does to every tension and to the rim.

Rim: a free elastic ring (ring.py). Hub: rigid. Spokes: tension members from hub hole to nipple seat. With q the rim's
displacements, B the spokes' directions, k the spokes' stiffness, s a shortening of the spokes:

    dT = k (B q + s),   (K_ring(N) + G(T)) q + B^T dT = f

K_ring carries the hoop compression N = sum(T b_r)/(2 pi), G the tensioned spokes T (I - n n^T)/L: without them the
answers are those of a slack wheel (at working tension a fibre-spoked wheel moves sideways half as far again).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models.errors import CannotAnswer
from planner import geometry
from planner.build import Build
from planner.geometry import LEFT, RIGHT
from planner.rim import RimSection, section_of
from planner.rimtest import learn_rim
from planner.ring import DOF, rigid_motions, ring, tensioned_spoke
from planner.tyre import rim_compression_N

Floats = NDArray[np.float64]
NOMINAL_MODULUS_MPA = 70000.0  # of the fibre's area in a braid: estimate, between 55 and 115 GPa
REFERENCE = 10.0  # spokes of so many times the nominal stiffness stand in the condensed wheel: it stands if any do
BUCKLING_SEARCH_N = (1.0, 20000.0)
BUCKLED = (
    "the rim does not stand at these tensions: it would leave its plane by itself (sideways buckling), or too many "
    "spokes are slack"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What a wheel does under a load or a turn: tensions and the rim at each spoke, local directions."""

    tension_N: Floats  # (n,) after it, never below 0
    radial_mm: Floats  # (n,) change, + outward
    tangential_mm: Floats  # (n,) change, + towards the next position
    lateral_mm: Floats  # (n,) change, + to the right
    slack: NDArray[np.bool_]  # (n,) spokes that carry nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class _Condensed:
    """The wheel at one state of tension, with spokes of the reference stiffness."""

    flexibility: Floats  # (n, n) F0 = B M0^-1 B^T, mm/N
    motion: Floats  # (3, n, n) radial, tangential, lateral displacement at spoke i for a unit force along spoke j


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wheel:
    """One wheel's mechanics. Arrays are in order of position (index 0 = position 1).

    Arguments named ``tension_N`` are the tensions at which the wheel stands (they stiffen and soften it): one number,
    a pair (left, right), or one for each spoke; where left out, the build's side targets. Arguments named ``EA_N`` are
    axial stiffnesses of spokes, (..., n) or broadcasting to it; leading dimensions are draws.
    A spoke's stiffness is EA over its *fibre's* length (`fibre_mm`): a creep strain e shortens nothing but that, and is
    put in as a shortening of -e x fibre_mm.
    """

    build: Build
    section: RimSection
    n: int  # number of spokes
    side: NDArray[np.int64]  # (n,) 0 left, 1 right
    length_mm: Floats  # (n,) chord, hub hole to nipple seat
    fibre_mm: Floats  # (n,) length that stretches and creeps
    directions: Floats  # (n, 3) unit vectors hub to rim as (radial, tangential, lateral to the right)
    radius_mm: float  # of the rim's centroid
    arm_mm: Floats  # (n, 3) from the rim's centroid to the nipple seat, local directions
    rows: Floats  # (n, 6 n) B: elongation of each chord for the rim's displacements

    @property
    def nominal_EA_N(self) -> float:
        """A usual spoke's axial stiffness for this fibre, N: 70 GPa (estimate) on the fibre's area."""
        return NOMINAL_MODULUS_MPA * self.build.spoke.fibre_area_mm2

    @property
    def hoop_share(self) -> float:
        """Hoop compression of the rim for 1 N in every spoke: sum(b_r)/(2 pi)."""
        return float(self.directions[:, 0].sum() / (2.0 * np.pi))

    def with_rim(self, factors: object) -> Wheel:
        """The same wheel with its rim's EA, in-plane EI, out-of-plane EI and GJ multiplied by ``factors`` (4,)."""
        return replace(self, section=self.section.scaled(np.asarray(factors, dtype=np.float64)))

    # -- tensions ------------------------------------------------------------------------------------------------

    def side_targets_N(self, target_N: float | None = None) -> tuple[float, float]:
        """Mean tension (left, right) in N when the tighter side stands at ``target_N`` (the build's, if left out).

        The slacker side follows from sideways balance: sum(T b_z) over both sides is nothing.
        """
        target = self.build.tension.target_N if target_N is None else target_N
        pull = [abs(float(self.directions[self.side == s, 2].sum())) for s in (LEFT, RIGHT)]
        if min(pull) <= 1e-9 * self.n:
            raise CannotAnswer(
                "one flange stands in the rim's plane: its spokes cannot balance the other side, whatever their tension"
            )
        if pull[LEFT] >= pull[RIGHT]:
            return target * pull[RIGHT] / pull[LEFT], target
        return target, target * pull[LEFT] / pull[RIGHT]

    def tensions_N(self, tension_N: object = None) -> Floats:
        """(n,) tensions from one number, a pair (left, right), one for each spoke, or None for the side targets."""
        t = np.asarray(self.side_targets_N() if tension_N is None else tension_N, dtype=np.float64)
        if t.shape == (2,):
            return t[self.side]
        if t.shape not in ((), (1,), (self.n,)):
            raise ValueError(f"tensions of shape {t.shape}: one number, a pair (left, right) or {self.n} are possible")
        return np.broadcast_to(t, (self.n,)).astype(np.float64)

    def reachable(self, tension_N: object, EA_N: object = None) -> Floats:
        """(..., n) the nearest tensions that keep the free rim in balance, in N.

        Six rigid motions of the rim carry no load, so only n - 6 patterns can stand by themselves. Nearest is meant in
        least squares of the tensions, or, with ``EA_N``, in least elastic energy of the difference.
        """
        t = np.asarray(tension_N, dtype=np.float64)
        R = self.rows @ rigid_motions(self.radius_mm, self.n)
        if EA_N is None:
            u, size, _ = np.linalg.svd(R, full_matrices=False)
            q = u[:, size > 1e-9 * size[0]]  # a radial wheel turns freely: five motions only
            out: Floats = t - (t @ q) @ q.T
            return out
        k = self.stiffness_N_per_mm(EA_N)
        kR = k[..., :, None] * R
        middle = np.linalg.pinv(np.swapaxes(kR, -1, -2) @ R, hermitian=True)
        moment = np.einsum("...i,ij->...j", t, R)
        energy: Floats = t - np.einsum("...ij,...jk,...k->...i", kR, middle, moment)
        return energy

    # -- influence -----------------------------------------------------------------------------------------------

    def influence(self, tension_N: object = None, EA_N: object = None) -> Floats:
        """(..., n, n) dT_i/d(shortening of spoke j), N/mm, at the given tensions."""
        k = self.stiffness_N_per_mm(EA_N)
        flexibility, _ = self._updated(tension_N, k)
        out: Floats = -k[..., :, None] * flexibility * k[..., None, :]
        i = np.arange(self.n)
        out[..., i, i] += k
        return out

    def runout(self, tension_N: object = None, EA_N: object = None) -> tuple[Floats, Floats]:
        """(lateral, radial), each (..., n, n): rim's centroid at spoke i in mm for 1 mm shortening of spoke j."""
        k = self.stiffness_N_per_mm(EA_N)
        base = self._condensed(tension_N)
        _, update = self._updated(tension_N, k)
        lateral: Floats = -(base.motion[2] @ update) * k[..., None, :]
        radial: Floats = -(base.motion[0] @ update) * k[..., None, :]
        return lateral, radial

    def local_stiffness_N_per_mm(self, i: int, tension_N: object = None, EA_N: object = None) -> Floats:
        """(...) N of its own tension for 1 mm of extra path at spoke i (index): what a gauge that bends it adds."""
        stiffness: Floats = self.influence(tension_N, EA_N)[..., i, i]
        return stiffness

    def follow_up(self, EA_N: object = None, tension_N: object = None) -> Floats:
        """(...) phi: how much the rim's give adds to the spokes' own when all creep in proportion to their tension.

        1 + phi = t.K t / t.A t with t the side targets, K the spokes' own stiffness, A the influence matrix.
        """
        t = self.tensions_N()
        k = self.stiffness_N_per_mm(EA_N)
        A = self.influence(tension_N, EA_N)
        # a shortening of t/k would give the pattern t with a rigid rim
        s = t / k
        phi: Floats = (t * s).sum(-1) / np.einsum("...i,...ij,...j->...", s, A, s) - 1.0
        return phi

    def respond(
        self,
        tension_N: object,
        shortening_mm: object = 0.0,
        EA_N: object = None,
        load_N: object = None,
        stiffened_by_N: object = None,
    ) -> Response:
        """Turn nipples or push on the rim, with spokes that go slack instead of pushing back.

        Parameters
        ----------
        tension_N : (n,) or as for the class; where the wheel stands before
        shortening_mm : (n,) + tightens
        EA_N : (n,) or one number
        load_N : (n, 3) forces on the rim at the spokes (radial, tangential, lateral), N
        stiffened_by_N : the tensions for the geometric stiffness, where not those before; 0 for a linear answer

        Raises
        ------
        CannotAnswer
            If so many spokes are slack that the rim has nothing to stand on.
        """
        before = self.tensions_N(tension_N)
        s = np.broadcast_to(np.asarray(shortening_mm, dtype=np.float64), (self.n,))
        k = np.broadcast_to(self.stiffness_N_per_mm(EA_N), (self.n,))
        force = np.zeros((self.n, DOF))
        if load_N is not None:
            force[:, :3] = np.asarray(load_N, dtype=np.float64)
        stiffening = before if stiffened_by_N is None else self.tensions_N(stiffened_by_N)
        slack = np.zeros(self.n, dtype=bool)
        q, would = np.zeros(DOF * self.n), before
        for _ in range(4 * self.n):
            live = np.where(slack, 0.0, k)
            push = np.where(slack, -before, live * s)  # dT that does not depend on q
            if (~slack).sum() < DOF:
                raise CannotAnswer(BUCKLED)
            matrix = self._rest(np.where(slack, 0.0, stiffening)) + (self.rows.T * live) @ self.rows
            q = _solve(matrix, force.reshape(-1) - self.rows.T @ push)
            would = before + k * (self.rows @ q + s)
            now = would < 0.0
            if (now == slack).all():
                break
            slack = now
        else:
            raise CannotAnswer("no state of slack and taut spokes is in balance under this load")
        node = q.reshape(self.n, DOF)
        return Response(
            tension_N=np.where(slack, 0.0, np.maximum(would, 0.0)),
            radial_mm=node[:, 0],
            tangential_mm=node[:, 1],
            lateral_mm=node[:, 2],
            slack=slack,
        )

    # -- limits and surroundings -----------------------------------------------------------------------------------

    def buckling_tension_N(self, EA_N: object = None) -> float:
        """Tension of the tighter side at which the rim leaves its plane by itself: lowest eigenvalue of K(T) zero.

        Both sides rise in the proportion of the side targets; ``EA_N`` one number or (n,). Infinite where nothing
        happens up to 20 kN.
        """
        k = np.broadcast_to(self.stiffness_N_per_mm(EA_N), (self.n,))
        spokes = (self.rows.T * k) @ self.rows
        pattern = self.tensions_N(self.side_targets_N(1.0))

        def stands(tension: float) -> bool:
            try:
                np.linalg.cholesky(self._rest(tension * pattern) + spokes)
            except np.linalg.LinAlgError:
                return False
            return True

        low, high = BUCKLING_SEARCH_N
        if stands(high):
            return float("inf")
        # the first loss of stability from below: walk up, then halve
        step = low
        while stands(step):
            low, step = step, step * 1.25
        high = step
        while high - low > 1e-4 * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if stands(middle) else (low, middle)
        return low

    def rim_expansion_N_per_K(
        self, EA_N: object = None, tension_N: object = None, fibre_expansion_per_K: float = 0.0
    ) -> Floats:
        """(..., n) rise of each tension per K of warming: a rim that grows, and a fibre that shrinks if given.

        The rim's free growth R a dth lengthens each chord by b_r R a dth; a fibre of expansion a_f (negative) by
        -a_f L dth.
        """
        grown = self.directions[:, 0] * self.radius_mm * self.section.expansion_per_K
        per_K: Floats = self.influence(tension_N, EA_N) @ (grown - fibre_expansion_per_K * self.fibre_mm)
        return per_K

    def tyre_drop_N(
        self,
        pressure_kPa: float | None = None,
        width_mm: float | None = None,
        EA_N: object = None,
        tension_N: object = None,
    ) -> Floats:
        """(..., n) drop of each tension when the tyre is inflated, N (positive); zero where the build has no tyre.

        The tyre's grip compresses the rim (`tyre.rim_compression_N`, an estimate within a factor of about two).
        """
        tyre = self.build.wheel.tyre
        if pressure_kPa is None or width_mm is None:
            if tyre is None:
                return np.zeros(self.stiffness_N_per_mm(EA_N).shape)
            pressure_kPa = tyre.pressure_kPa if pressure_kPa is None else pressure_kPa
            width_mm = tyre.width_mm if width_mm is None else width_mm
        compression = rim_compression_N(pressure_kPa, width_mm, self.build.wheel.rim.width_mm)
        # as if the free ring had shrunk by the strain that this compression gives it
        shrunk = self.directions[:, 0] * self.radius_mm * compression / self.section.EA_N
        drop: Floats = self.influence(tension_N, EA_N) @ shrunk
        return drop

    # -- inside ----------------------------------------------------------------------------------------------------

    def stiffness_N_per_mm(self, EA_N: object = None) -> Floats:
        """(..., n) the spokes' own stiffness EA/fibre_mm, N/mm."""
        EA = np.asarray(self.nominal_EA_N if EA_N is None else EA_N, dtype=np.float64)
        k: Floats = EA / self.fibre_mm
        return k

    def _rest(self, tension_N: Floats) -> Floats:
        """(6 n, 6 n) stiffness of everything but the spokes' own stretch: compressed ring and tensioned spokes."""
        hoop = float(tension_N @ self.directions[:, 0]) / (2.0 * np.pi)
        M = ring(self.section, self.radius_mm, self.n, hoop)
        for i in range(self.n):
            at = slice(DOF * i, DOF * (i + 1))
            M[at, at] += tensioned_spoke(tension_N[i], self.length_mm[i], self.directions[i], self.arm_mm[i])
        if (np.abs(self.directions[:, 1]) < 1e-12).all() and tension_N.max() < 1.0:
            # a radial wheel turns about its axle without stretching a spoke, and without tension nothing holds it;
            # since no spoke feels the motion, any small spring there leaves every tension unchanged
            turn = np.zeros((self.n, DOF))
            turn[:, 1], turn[:, 5] = 1.0, 1.0 / self.radius_mm
            M += 1e-3 * np.outer(turn.reshape(-1), turn.reshape(-1)) / self.n
        return M

    def _condensed(self, tension_N: object) -> _Condensed:
        return _condense(self, tuple(np.round(self.tensions_N(tension_N), 6).tolist()))

    def _updated(self, tension_N: object, k: Floats) -> tuple[Floats, Floats]:
        """Flexibility (..., n, n) for spoke stiffness k, and the update (I + dK F0)^-1 that gives it."""
        base = self._condensed(tension_N).flexibility
        dk = k - REFERENCE * self.stiffness_N_per_mm()
        update: Floats = np.linalg.inv(np.eye(self.n) + dk[..., :, None] * base)  # type: ignore[assignment]
        flexibility: Floats = base @ update
        try:  # positive definite as long as the wheel stands
            np.linalg.cholesky(flexibility)
        except np.linalg.LinAlgError:
            raise CannotAnswer(BUCKLED) from None
        return flexibility, update


def _solve(matrix: Floats, right: Floats) -> Floats:
    """Solve with a matrix that must be positive definite: a wheel that stands."""
    try:
        lower = np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        raise CannotAnswer(BUCKLED) from None
    from scipy.linalg import solve_triangular

    half = solve_triangular(lower, right, lower=True, check_finite=False)
    out: Floats = solve_triangular(lower.T, half, lower=False, check_finite=False)
    return out


@lru_cache(maxsize=128)
def _condense(wheel: Wheel, tension_N: tuple[float, ...]) -> _Condensed:
    k = REFERENCE * wheel.stiffness_N_per_mm()
    matrix = wheel._rest(np.array(tension_N)) + (wheel.rows.T * k) @ wheel.rows
    answer = _solve(matrix, wheel.rows.T)
    flexibility = wheel.rows @ answer
    motion = answer.reshape(wheel.n, DOF, wheel.n)[:, :3, :].transpose(1, 0, 2).copy()
    return _Condensed(flexibility=0.5 * (flexibility + flexibility.T), motion=motion)


def wheel_of(build: Build, rim: RimSection | None = None) -> Wheel:
    """The mechanics of a build; ``rim`` replaces the section that the build file gives.

    Where the build carries a rim test (one nipple turned, every spoke read), the section is sharpened by it.
    """
    if rim is None and build.wheel.rim_test is not None:
        plain = _wheel(build, section_of(build.wheel.rim, build.wheel.rim_seat_diameter_mm))
        return replace(plain, section=learn_rim(plain, build.wheel.rim_test, build.spoke.thread_pitch_mm).section)
    return _wheel(build, rim)


def _wheel(build: Build, rim: RimSection | None) -> Wheel:
    table = build.wheel
    n = table.spokes
    section = section_of(table.rim, table.rim_seat_diameter_mm) if rim is None else rim
    radius = table.rim_seat_diameter_mm / 2.0 + table.rim.centroid_offset_mm
    side = geometry.sides(n)
    directions = geometry.directions_local(table)
    chords = geometry.chords_mm(table)
    outward = np.where(side == LEFT, -1.0, 1.0) * table.rim.hole_offset_mm
    arm = np.column_stack([np.full(n, -table.rim.centroid_offset_mm), np.zeros(n), outward])
    rows = np.zeros((n, n, DOF))
    i = np.arange(n)
    rows[i, i, :3] = directions
    rows[i, i, 3:] = np.cross(arm, directions)
    return Wheel(
        build=build,
        section=section,
        n=n,
        side=side,
        length_mm=chords,
        # the two sides' spokes differ in length by as much as their chords
        fibre_mm=build.spoke.fibre_length_mm + chords - chords.mean(),
        directions=directions,
        radius_mm=radius,
        arm_mm=arm,
        rows=rows.reshape(n, n * DOF),
    )
