"""Whether edges that were found are the plan's, and whether another place would fit as well.

Two questions that one number cannot answer. A pattern that is denser than the plan's has all the plan's edges, and
others like them half-way between: the plan's edges moved by a part of its own period then lie on edges too. And a
period is only told from the next one by what the plan has at its rim and the other place has not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.frames import Array, rotation
from foldtrue.handover import BoolArray, Nominal
from foldtrue.rectify.by_edges import DIRECTIONS
from foldtrue.rectify.sharpen_edges import Samples, clearness, turned
from foldtrue.rectify.surface import Found, Sought
from foldtrue.rectify.symmetry import motion


@dataclass(frozen=True)
class Rival:
    """Another place for the plan: turn_deg about its origin, then shift_mm (2,).

    lead: how far the place found is ahead of it, by the edges that only one of the two has: 1 = these edges all speak
    for the place found, -1 = all for the rival, 0 = undecided. std: of the lead, infinite where too few of them lie in
    the picture.
    """

    turn_deg: float
    shift_mm: Array
    lead: float
    std: float

    @property
    def sigmas(self) -> float:
        return self.lead / self.std


def period(nominal: Nominal, mirrored: bool) -> Array | None:
    """Two shortest shifts (2, 2) mm, 60 degrees apart, that carry twists onto twists of the same kind and hand; None
    where the plan repeats nothing in such a way."""
    first = nominal.twists[0]
    like = np.array([t.planned_mm for t in nominal.twists if (t.kind, t.hand) == (first.kind, first.hand)])
    apart = (like[:, None] - like[None]).reshape(-1, 2)
    apart = apart[np.hypot(*apart.T) > 0.1 * nominal.pitch_mm]
    if not len(apart):
        return None
    shortest = apart[np.hypot(*apart.T).argmin()] * ([-1.0, 1.0] if mirrored else [1.0, 1.0])
    return np.stack([shortest, rotation(60.0) @ shortest])


def denser(found: Found, sought: Sought) -> float:
    """Clearness of the plan's inner edges moved by a part of the plan's period, at most, over that in place: near 0 for
    the plan itself, where grid creases lie below half, near 1 for a pattern that repeats more often."""
    pitch = sought.nominal.pitch_mm
    steps = period(sought.nominal, sought.view == "back")
    inner = ~sought.edges.rim[sought.samples.edge]
    if steps is None or not inner.any():
        return 0.0
    here = _mean_clear(found, _pick(sought.samples, inner), pitch)
    moved = [m for s in _parts(steps, pitch) if (m := _within(sought, _shifted(sought.samples, s), inner)) is not None]
    most = max((_mean_clear(found, m, pitch) for m in moved), default=0.0)
    return most / max(here, 1e-3)


def _parts(steps: Array, pitch_mm: float) -> list[Array]:
    """Halves, thirds and quarters of the period and whole grid steps, each the shortest of its kind, (2,) mm."""
    shares = {(i / n, j / n) for n in (2, 3, 4) for i in range(n) for j in range(n)}
    grid = np.stack([np.array([pitch_mm, 0.0]), rotation(60.0) @ np.array([pitch_mm, 0.0])])
    whole = np.array([(i, j) for i in range(-6, 7) for j in range(-6, 7)]) @ grid @ np.linalg.inv(steps)
    shares |= {(round(a % 1, 4) % 1, round(b % 1, 4) % 1) for a, b in whole.tolist()}
    around = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)], float)
    nearest = [min((np.array(s) + around) @ steps, key=lambda v: float(v @ v)) for s in sorted(shares)]
    return [v for v in nearest if float(np.hypot(*v)) > 0.3 * pitch_mm]


def _pick(samples: Samples, use: BoolArray) -> Samples:
    return Samples(samples.xy[use], samples.normal[use], samples.direction[use], samples.edge[use], samples.third[use])


def _shifted(samples: Samples, shift_mm: Array) -> Samples:
    return replace(samples, xy=samples.xy + shift_mm)


def _off(samples: Samples, others: Samples, distance_mm: float) -> BoolArray:
    """(N,) whether a sample is farther than distance_mm from all others of its direction."""
    from scipy.spatial import cKDTree

    off = np.ones(len(samples.xy), bool)
    for k in np.unique(samples.direction):
        mine, theirs = samples.direction == k, others.direction == k
        if theirs.any():
            off[mine] = cKDTree(others.xy[theirs]).query(samples.xy[mine])[0] > distance_mm
    return off


def _within(sought: Sought, moved: Samples, inner: BoolArray) -> Samples | None:
    """The moved inner samples that lie well inside the piece and not beside a planned edge; None when too few do."""
    hull = sought.outline_mm
    side = np.roll(hull, -1, 0) - hull
    normal = np.stack([-side[:, 1], side[:, 0]], 1) / np.hypot(*side.T)[:, None]
    sign = 1.0 if float(np.sum(hull[:, 0] * np.roll(hull[:, 1], -1) - np.roll(hull[:, 0], -1) * hull[:, 1])) > 0 else -1
    depth = sign * np.einsum("nkj,kj->nk", moved.xy[:, None] - hull[None], normal).min(1)
    pitch = sought.nominal.pitch_mm
    use = inner & (depth > 0.3 * pitch) & _off(moved, sought.samples, 0.3 * pitch)
    return _pick(moved, use) if use.sum() > 0.15 * inner.sum() else None


def _mean_clear(found: Found, samples: Samples, pitch_mm: float) -> float:
    clear = clearness(found.energy, found.field, samples, found.step, pitch_mm)
    return float(np.nanmean(clear)) if np.isfinite(clear).sum() > 10 else 0.0


def rivals(found: Found, sought: Sought) -> list[Rival]:
    """The places one period away and those with another turn, the closest rival first."""
    turns = (*sought.turns, 360.0)
    apart = [t for t in (0.0, 60.0, 120.0, 180.0) if t < turns[1]]
    steps = period(sought.nominal, sought.view == "back")
    shifts = [np.zeros(2)]
    if steps is not None:
        shifts += [rotation(60.0 * k) @ steps[0] for k in range(6)]
    out = [Rival(t, s, *_lead(found, sought, t, s)) for t in apart for s in shifts if t or s.any()]
    return sorted(out, key=lambda r: r.sigmas)


def _lead(found: Found, sought: Sought, turn_deg: float, shift_mm: Array) -> tuple[float, float]:
    """Lead over another place and its std. A direction counts as much as its edges show in this light."""
    own, pitch = sought.samples, sought.nominal.pitch_mm
    other = _shifted(turned(own, turn_deg), shift_mm)
    clear = clearness(found.energy, found.field, own, found.step, pitch)
    seen = np.isfinite(clear)
    count = np.maximum(np.bincount(own.direction[seen], minlength=DIRECTIONS), 1)
    shown = np.maximum(np.bincount(own.direction[seen], clear[seen], minlength=DIRECTIONS) / count, 0.0)
    only_own, only_other = _off(own, other, 0.12 * pitch), _off(other, own, 0.12 * pitch)
    theirs = _pick(other, only_other)
    against = clearness(found.energy, found.field, theirs, found.step, pitch)
    mine, spread = _weighed(clear[only_own], shown[own.direction[only_own]])
    rival, rival_spread = _weighed(against, shown[theirs.direction])
    # Where one of the two lies off the picture, what shows elsewhere takes its place.
    usual = float(shown[own.direction].mean())
    mine, rival = (usual if np.isnan(mine) else mine), (0.0 if np.isnan(rival) else rival)
    if usual < 1e-3 or (np.isinf(spread) and np.isinf(rival_spread)):
        return 0.0, float("inf")
    halved = 0.5 * usual if np.isinf(spread) or np.isinf(rival_spread) else 0.0
    spread = 0.3 * usual if np.isinf(spread) else spread
    rival_spread = 0.3 * usual if np.isinf(rival_spread) else rival_spread
    return (mine - rival - halved) / usual, float(np.hypot(spread, rival_spread)) / usual


def _weighed(clear: Array, weight: Array) -> tuple[float, float]:
    """Weighted mean and its std; nan and infinity where too few are in the picture."""
    use = np.isfinite(clear) & (weight > 0)
    clear, weight = clear[use], weight[use]
    if len(clear) < 10:
        return float("nan"), float("inf")
    mean = float(np.average(clear, weights=weight))
    # Neighbouring samples see the same pixels: of four, one counts.
    few = float(weight.sum() ** 2 / np.sum(weight**2)) / 4
    return mean, float(np.sqrt(np.average((clear - mean) ** 2, weights=weight) / few))


def moved_to(found: Found, rival: Rival) -> Array:
    """The rival's matrix (3, 3), mm as the camera sees the plan -> small px."""
    return found.matrix @ motion(rival.turn_deg, rival.shift_mm)
