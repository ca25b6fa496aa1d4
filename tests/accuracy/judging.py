"""Judge a measured piece against exact truth: what counts as right, and how far off the figures are.

A photo without a scale cannot tell the piece's own size, shear and keystone from the camera's, so the same kind of
best-fitting map (a homography; a similarity where a reference sheet gives the scale) is taken out of truth and result
before they are compared (docs/conventions.md). The mean overturn, known less well than the turns against each other, is
taken out of the angle errors and stated beside them. None of it uses the package's own fits, which are on trial here.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

from foldtrue.frames import apply_homography, homography_jacobian, rotation

SITE = 0.3  # a twist counts as placed when it lies within this share of the twists' spacing
NAMES = ("position_error_mm", "position_u95_mm", "angle_error_deg", "angle_u95_deg", "centre_px")


@dataclass(frozen=True)
class Truth:
    """Every twist of the plan and what was made of it.

    planned_mm, error_mm (T, 2), turn_deg, hand (T,), px (T, 2) where it is in the upright picture, seen (T,): whole in
    the picture. level: 'homography' or 'similarity', what truth and result are freed of.
    """

    planned_mm: np.ndarray
    error_mm: np.ndarray
    turn_deg: np.ndarray
    hand: np.ndarray
    px: np.ndarray
    seen: np.ndarray
    mm_per_px: float
    level: str = "homography"


@dataclass(frozen=True)
class Score:
    """One picture's figures; nan where they do not apply.

    share: of the twists in the picture that were measured. wrong: rows at a site that is not theirs, or a second row
    for a site. gain: position RMS over that of an answer of zero for every twist. cover: share of the 95 % intervals
    that hold the truth, for position, angle, and angle with the common overturn taken out. scale_error: stated size of
    the piece over the true one, less one, where a sheet gives it; scale_held: whether it lies in its 95 % interval.
    """

    share: float
    wrong: int
    upright: bool
    position_rms_mm: float
    position_p95_mm: float
    position_max_mm: float
    angle_rms_deg: float
    angle_max_deg: float
    overturn_error_deg: float
    gain: float
    cover_position: float
    cover_angle: float
    cover_relative: float
    scale_error: float = math.nan
    scale_held: float = math.nan


@dataclass(frozen=True)
class Misses:
    """Row by row, N rows at distinct sites.

    site (N,): index into the truth. miss_mm (N, 2), angle_deg, relative_deg (N,): result minus truth. true_mm (N, 2),
    true_deg (N,): the planted errors that are left. limit_...: the stated 95 % limits (N,), nan where none is.
    turned_deg: from the result's axes to the truth's, of turns that look alike.
    """

    site: np.ndarray
    miss_mm: np.ndarray
    angle_deg: np.ndarray
    relative_deg: np.ndarray
    true_mm: np.ndarray
    true_deg: np.ndarray
    limit_mm: np.ndarray
    limit_deg: np.ndarray
    limit_relative_deg: np.ndarray
    overturn_deg: float
    wrong: int
    upright: bool
    turned_deg: float = 0.0


def traced_truth(folder: Path) -> Truth:
    """truth.json of a picture by sample_images/render."""
    stated = json.loads((folder / "truth.json").read_text())
    twists, camera = stated["twists"], stated["camera"]
    return Truth(
        planned_mm=np.array([t["planned_mm"] for t in twists]),
        error_mm=np.array([t["position_error_mm"] for t in twists]),
        turn_deg=np.array([t["angle_error_deg"] for t in twists]),
        hand=np.array([1.0 if t["hand"] == "ccw" else -1.0 for t in twists]),
        px=np.array([t["centre_px"] for t in twists]),
        seen=np.ones(len(twists), bool),
        mm_per_px=camera["distance_mm"] / camera["focal_px"],
    )


def usable(row: dict) -> bool:
    """Measured, with position, angle and both uncertainties stated."""
    return row["status"] == "measured" and all(row[name] is not None for name in NAMES)


def best_map(planned, measured, level):
    """3x3 map of this level from planned to measured (N, 2), least squares of the distances at the measured side."""
    size = float(np.abs(planned).max())
    x, y = (planned / size).T
    one, nil = np.ones_like(x), np.zeros_like(x)
    if level == "similarity" or len(planned) < 6:
        design = np.concatenate([np.stack([x, -y, one, nil], 1), np.stack([y, x, nil, one], 1)])
        a, b, c, d = np.linalg.lstsq(design, measured.T.ravel(), rcond=None)[0]
        return np.array([[a / size, -b / size, c], [b / size, a / size, d], [0, 0, 1.0]])
    affine = np.linalg.lstsq(np.stack([x, y, one], 1), measured, rcond=None)[0].T
    scale = np.diag([1 / size, 1 / size, 1.0])

    def matrix(q):
        return np.append(q, 1.0).reshape(3, 3) @ scale

    def rest(q):
        return (apply_homography(matrix(q), planned) - measured).ravel()

    return matrix(least_squares(rest, np.append(affine.ravel(), [0, 0]), xtol=1e-14, ftol=1e-14, gtol=1e-14).x)


def left_over(planned, error, turn, level):
    """Error (N, 2) mm and turn (N,) deg after the best map of the whole piece is taken out of planned + error."""
    measured = planned + error
    back = np.linalg.inv(best_map(planned, measured, level))
    jac = homography_jacobian(back, measured)
    extra = np.degrees(np.arctan2(jac[:, 1, 0] - jac[:, 0, 1], jac[:, 0, 0] + jac[:, 1, 1]))
    return apply_homography(back, measured) - planned, turn + extra


def sites(truth: Truth, planned, px):
    """Turn (a multiple of 60 deg) of the result's axes against the truth's, site (N,) of every row and good (N,)."""
    spacing = float(np.median(np.sort(np.hypot(*(truth.planned_mm[:, None] - truth.planned_mm[None]).T), 0)[1]))
    best = None
    for k in range(6):
        there = planned @ rotation(60.0 * k).T
        away = np.hypot(*(there[:, None] - truth.planned_mm[None]).transpose(2, 0, 1))
        site = away.argmin(1)
        off_px = np.hypot(*(px - truth.px[site]).T)
        good = (away.min(1) < SITE * spacing) & (off_px * truth.mm_per_px < SITE * spacing)
        first = np.zeros(len(site), bool)
        first[np.unique(site, return_index=True)[1]] = True
        good &= first
        if best is None or good.sum() > best[2].sum():
            best = 60.0 * k, site, good
    return best


def misses(truth: Truth, rows: list[dict], alike_deg: tuple[float, ...]) -> Misses | None:
    """Compare result.json's twists with truth; alike_deg: the plan's own turns in this view. None: nothing to judge."""
    claimed = [r for r in rows if r["status"] == "measured"]
    done = [r for r in claimed if usable(r)]
    if len(done) < 3:
        return None
    planned, px, error = (np.array([r[n] for r in done]) for n in ("planned_mm", "centre_px", "position_error_mm"))
    turned, site, good = sites(truth, planned, px)
    if good.sum() < 3:
        return None
    kept = np.flatnonzero(good)
    site = site[kept]
    error = (error @ rotation(turned).T)[kept]
    turn = np.array([r["angle_error_deg"] for r in done])[kept]
    true, true_turn = left_over(truth.planned_mm[site], truth.error_mm[site], truth.turn_deg[site], truth.level)
    found, found_turn = left_over(truth.planned_mm[site], error, turn, truth.level)
    angle = found_turn - true_turn
    over = float(np.median(truth.hand[site] * angle))

    def limits(name):
        return np.array([done[k].get(name) if done[k].get(name) is not None else np.nan for k in kept], float)

    return Misses(
        site=site,
        miss_mm=found - true,
        angle_deg=angle,
        relative_deg=angle - over * truth.hand[site],
        true_mm=true,
        true_deg=true_turn,
        limit_mm=limits("position_u95_mm"),
        limit_deg=limits("angle_u95_deg"),
        limit_relative_deg=limits("angle_relative_u95_deg"),
        overturn_deg=over,
        wrong=len(done) - len(kept),
        upright=_is_upright(truth, turned, alike_deg),
        turned_deg=turned,
    )


def score(truth: Truth, m: Misses) -> Score:
    """The misses of one picture as its figures."""
    miss = np.hypot(*m.miss_mm.T)
    zero, rms = _rms(np.hypot(*m.true_mm.T)), _rms(miss)
    return Score(
        share=float(truth.seen[m.site].sum() / max(truth.seen.sum(), 1)),
        wrong=m.wrong,
        upright=m.upright,
        position_rms_mm=rms,
        position_p95_mm=float(np.percentile(miss, 95)),
        position_max_mm=float(miss.max()),
        angle_rms_deg=_rms(m.relative_deg),
        angle_max_deg=float(np.abs(m.relative_deg).max()),
        overturn_error_deg=m.overturn_deg,
        gain=rms / zero if zero > 0.03 else math.nan,
        cover_position=_held(miss, m.limit_mm),
        cover_angle=_held(m.angle_deg, m.limit_deg),
        cover_relative=_held(m.relative_deg, m.limit_relative_deg),
    )


def scale_figures(truth: Truth, site, fit: dict) -> tuple[float, float]:
    """scale_error and scale_held of result.json's fit against these sites' truth; nan where there is none of either."""
    if truth.level != "similarity" or fit["scale"] is None:
        return math.nan, math.nan
    true = true_scale(truth, site)
    return fit["scale"] / true - 1, float(abs(fit["scale"] - true) <= fit["scale_u95"])


def true_scale(truth: Truth, site) -> float:
    """Size of the piece / planned size, by the similarity that fits these sites' true places best."""
    planned = truth.planned_mm[site]
    return math.hypot(*best_map(planned, planned + truth.error_mm[site], "similarity")[:2, 0])


def true_form(truth: Truth, site, turned_deg: float = 0.0) -> np.ndarray:
    """(4,) stretch_x, shear_deg, keystone_x, keystone_y of the true piece (docs/conventions.md) on the result's axes,
    from its places after the similarity that fits them best."""
    planned, error = (each[site] @ rotation(turned_deg) for each in (truth.planned_mm, truth.error_mm))
    rest, _ = left_over(planned, error, np.zeros(len(site)), "similarity")
    reach = float(np.abs(truth.planned_mm).max())
    x, y = (planned / reach).T
    one, nil = np.ones_like(x), np.zeros_like(x)
    columns = ((one, nil), (nil, one), (x, y), (-y, x), (x, -y), (y, x), (x * x, x * y), (x * y, y * y))
    design = np.concatenate([np.stack([c[axis] for c in columns], 1) for axis in (0, 1)])
    found = np.linalg.lstsq(design, rest.T.ravel(), rcond=None)[0][4:] * 2 / reach
    return found * [1, math.degrees(1), 1, 1]


def turns_alike(plan_turns: tuple[float, ...], assumed: list[str]) -> tuple[float, ...]:
    """The plan's turns (deg) that count as alike: all six where the result says that it could not tell more."""
    return tuple(60.0 * k for k in range(6)) if "turn_assumed" in assumed else plan_turns


def _rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _held(error, limit) -> float:
    stated = np.isfinite(limit)
    return float(np.mean(np.abs(error[stated]) <= limit[stated])) if stated.any() else math.nan


def _is_upright(truth: Truth, turned: float, alike_deg: tuple[float, ...]) -> bool:
    """Whether the turn that the result chose looks alike and is, among those that do, the one closest to upright."""
    plan, seen = truth.planned_mm - truth.planned_mm.mean(0), (truth.px - truth.px.mean(0)) * [1, -1]
    mirrored = np.linalg.det(plan.T @ seen) < 0  # seen from behind: upright is the plan's x to the left
    plan = plan * ([-1, 1] if mirrored else [1, 1])
    cross, dot = np.sum(plan[:, 0] * seen[:, 1] - plan[:, 1] * seen[:, 0]), np.sum(plan * seen)
    roll = float(np.degrees(np.arctan2(cross, dot)))
    lean = {round(k) % 360: abs(math.remainder(roll + (-k if mirrored else k), 360)) for k in alike_deg}
    return round(turned) % 360 in lean and lean[round(turned) % 360] <= min(lean.values()) + 1.0
