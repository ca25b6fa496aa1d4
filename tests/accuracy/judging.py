"""Judge a measured piece against exact truth: what counts as right, and how far off the figures are.

A photo without a scale cannot tell the piece's own size, shear and keystone from the camera's, so the same best-fitting
homography is taken out of truth and result before they are compared (docs/conventions.md). The mean overturn, known
less well than the turns against each other, is taken out of the angle errors and stated beside them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.fit.poses import freedoms, homography_step
from foldtrue.frames import apply_homography, homography_jacobian, rotation


@dataclass(frozen=True)
class Truth:
    """Every twist: planned_mm, error_mm (T, 2), turn_deg, hand (T,), px (T, 2), seen (T,): it is in the picture."""

    planned_mm: np.ndarray
    error_mm: np.ndarray
    turn_deg: np.ndarray
    hand: np.ndarray
    px: np.ndarray
    seen: np.ndarray
    mm_per_px: float


@dataclass(frozen=True)
class Score:
    """One picture's figures; nan where they do not apply."""

    share: float
    wrong: int
    upright: bool
    position_rms_mm: float
    position_max_mm: float
    angle_rms_deg: float
    angle_max_deg: float
    overturn_error_deg: float
    gain: float
    cover_position: float
    cover_angle: float
    cover_relative: float


def left_over(planned, error, turn):
    """Error (N, 2) mm and turn (N,) deg after the best homography of the whole piece is taken out (least squares)."""
    measured = planned + error
    matrix = np.eye(3)
    for _ in range(30):
        design, _ = freedoms(planned, "homography")
        rest = apply_homography(np.linalg.inv(matrix), measured) - planned
        coef = np.linalg.lstsq(design, rest.ravel(), rcond=None)[0]
        matrix = matrix @ homography_step(coef, planned)
    back = np.linalg.inv(matrix / matrix[2, 2])
    jac = homography_jacobian(back, measured)
    extra = np.degrees(np.arctan2(jac[:, 1, 0] - jac[:, 0, 1], jac[:, 0, 0] + jac[:, 1, 1]))
    return apply_homography(back, measured) - planned, turn + extra


def score(truth: Truth, rows: list[dict], alike_deg: tuple[float, ...]) -> Score:
    """Compare result.json's twists with truth; alike_deg: the plan's own turns in this view."""
    done = [r for r in rows if r["status"] == "measured"]
    planned = np.array([r["planned_mm"] for r in done])
    error = np.array([r["position_error_mm"] for r in done])
    turn = np.array([r["angle_error_deg"] for r in done])
    px = np.array([r["centre_px"] for r in done])
    best = None
    spacing = float(np.median(np.sort(np.hypot(*(truth.planned_mm[:, None] - truth.planned_mm[None]).T), 0)[1]))
    for alike in alike_deg:
        m = rotation(alike)
        distance = np.hypot(*((planned @ m.T)[:, None] - truth.planned_mm[None]).transpose(2, 0, 1))
        site = distance.argmin(1)
        off = np.hypot(*(px - truth.px[site]).T) * truth.mm_per_px
        wrong = int(((distance.min(1) > 0.3 * spacing) | (off > 0.3 * spacing)).sum() + len(site) - len(set(site)))
        if best is None or wrong < best[0]:
            best = (wrong, alike, site, m)
    wrong, alike, site, m = best
    a, a_turn = left_over(truth.planned_mm[site], truth.error_mm[site], truth.turn_deg[site])
    b, b_turn = left_over(truth.planned_mm[site], error @ m.T, turn)
    miss, twist = np.hypot(*(b - a).T), b_turn - a_turn
    over = float(np.median(truth.hand[site] * twist))
    relative = twist - over * truth.hand[site]
    zero = float(np.sqrt(np.mean(np.sum(a**2, 1))))
    rms = float(np.sqrt(np.mean(miss**2)))

    def held(err, name):
        return float(np.mean(np.abs(err) <= np.array([r[name] for r in done])))

    return Score(
        share=float(truth.seen[site].sum() / max(truth.seen.sum(), 1)),
        wrong=wrong,
        upright=_is_upright(truth, alike, alike_deg),
        position_rms_mm=rms,
        position_max_mm=float(miss.max()),
        angle_rms_deg=float(np.sqrt(np.mean(relative**2))),
        angle_max_deg=float(np.abs(relative).max()),
        overturn_error_deg=over,
        gain=rms / zero if zero > 0.03 else float("nan"),
        cover_position=held(miss, "position_u95_mm"),
        cover_angle=held(twist, "angle_u95_deg"),
        cover_relative=held(relative, "angle_relative_u95_deg"),
    )


def _is_upright(truth: Truth, alike: float, alike_deg: tuple[float, ...]) -> bool:
    """Whether the turn that the result chose is the one, among those that look alike, closest to upright."""
    plan, seen = truth.planned_mm - truth.planned_mm.mean(0), (truth.px - truth.px.mean(0)) * [1, -1]
    cross, dot = np.sum(plan[:, 0] * seen[:, 1] - plan[:, 1] * seen[:, 0]), np.sum(plan * seen)
    roll = float(np.degrees(np.arctan2(cross, dot)))
    lean = {k: abs((roll + k + 180) % 360 - 180) for k in alike_deg}
    return lean[alike] <= min(lean.values()) + 1.0
