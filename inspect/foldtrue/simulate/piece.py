"""The piece as it really came out: planted errors on the folded vertices, and the twist poses that follow from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.frames import Array
from foldtrue.handover import Nominal, Truth
from foldtrue.simulate.scene import Errors


@dataclass(frozen=True)
class TruthPoses:
    """Each twist's true error against the plan, no alignment removed.

    position_error_mm: (T, 2) displacement of the polygon's centre. angle_error_deg: (T,) counter-clockwise, seen from
    the front. size_error: (T,) mean true side / mean planned side - 1.
    """

    position_error_mm: Array
    angle_error_deg: Array
    size_error: Array


def truth_poses(nominal: Nominal, truth: Truth) -> TruthPoses:
    """Least-squares rigid motion (rotation and shift, no scale) from each twist's planned tips to its true tips.

    Closed form of the plane case: the turn is the angle of the sum of conj(planned) * true over centred tips.
    """
    position = np.zeros((len(nominal.twists), 2))
    angle = np.zeros(len(nominal.twists))
    size = np.zeros(len(nominal.twists))
    for k, twist in enumerate(nominal.twists):
        planned, true = nominal.vertices_mm[list(twist.tips)], truth.vertices_mm[list(twist.tips)]
        position[k] = true.mean(axis=0) - planned.mean(axis=0)
        p, q = _centred(planned), _centred(true)
        angle[k] = np.degrees(np.angle(np.sum(np.conj(p) * q)))
        size[k] = _mean_side(true) / _mean_side(planned) - 1
    return TruthPoses(position, angle, size)


def errors_applied(nominal: Nominal, errors: Errors, rng: np.random.Generator) -> Array:
    """(V, 2) folded vertices in mm with all errors planted.

    A vertex of one twist moves with it, one of several moves with their mean; a rim vertex moves by what the far ends
    of the creases that end on it move. Raises UsageError when an outlier names a twist the plan has not.
    """
    planned = nominal.vertices_mm
    shift, turn = _twist_errors(nominal, errors, rng)
    moved = np.zeros_like(planned)
    owners = np.zeros(len(planned))
    for k, twist in enumerate(nominal.twists):
        tips = list(twist.tips)
        arm = planned[tips] - planned[tips].mean(axis=0)
        c, s = np.cos(turn[k]), np.sin(turn[k])
        moved[tips] += shift[k] + arm @ np.array([[c, s], [-s, c]]) - arm
        owners[tips] += 1
    moved /= np.maximum(owners, 1)[:, None]
    moved = _rim_follows(nominal, moved, owners > 0)
    return errors.scale * planned + moved + _drift(nominal, errors) + rng.normal(0.0, errors.vertex_mm, planned.shape)


def _twist_errors(nominal: Nominal, errors: Errors, rng: np.random.Generator) -> tuple[Array, Array]:
    """(T, 2) shift in mm and (T,) turn in radians of every twist."""
    count = len(nominal.twists)
    shift = rng.normal(0.0, errors.position_mm, (count, 2))
    turn_deg = rng.normal(0.0, errors.angle_deg, count)
    turn_deg += errors.overturn_deg * np.array([twist.hand for twist in nominal.twists], float)
    place = {twist.id: k for k, twist in enumerate(nominal.twists)}
    for outlier in errors.outliers:
        if outlier.twist not in place:
            raise UsageError(f"Scene: the plan has no twist {outlier.twist!r}.", "Use an id from the plan's list.")
        shift[place[outlier.twist]] += outlier.x_mm, outlier.y_mm
        turn_deg[place[outlier.twist]] += outlier.angle_deg
    chosen = rng.choice(count, size=min(errors.random_outliers, count), replace=False)
    towards = rng.uniform(0, 2 * np.pi, len(chosen))
    shift[chosen] += errors.outlier_mm * np.column_stack([np.cos(towards), np.sin(towards)])
    turn_deg[chosen] += errors.outlier_deg * rng.choice([-1.0, 1.0], len(chosen))
    return shift, np.radians(turn_deg)


def _rim_follows(nominal: Nominal, moved: Array, owned: np.ndarray) -> Array:
    """Vertices of no twist take the mean shift of the twist tips at the far ends of their folds."""
    total, count = np.zeros_like(moved), np.zeros(len(moved))
    for (a, b), kind in zip(nominal.creases.ends, nominal.creases.kind, strict=True):
        if kind == "R":
            continue
        for end, far in ((a, b), (b, a)):
            if owned[far] and not owned[end]:
                total[end] += moved[far]
                count[end] += 1
    follows = count > 0
    result = moved.copy()
    result[follows] = total[follows] / count[follows, None]
    return result


def _drift(nominal: Nominal, errors: Errors) -> Array:
    """(V, 2) shift that grows across the piece with a power of the distance from one side."""
    a = np.radians(errors.drift_deg)
    along = np.array([np.cos(a), np.sin(a)])
    reach = nominal.vertices_mm @ along
    share = (reach - reach.min()) / max(float(np.ptp(reach)), 1e-9)
    return np.asarray(errors.drift_mm * (share**errors.drift_power)[:, None] * along)


def _centred(points: Array) -> np.ndarray:
    """(K, 2) points -> (K,) complex, mean removed."""
    c = points - points.mean(axis=0)
    return np.asarray(c[:, 0] + 1j * c[:, 1])


def _mean_side(points: Array) -> float:
    return float(np.mean(np.hypot(*(np.roll(points, -1, axis=0) - points).T)))
