"""The same measurement told on another of the plan's orientations that look alike.

A photo is measured on the plan as it lies closest to upright. Where the plan looks alike after a motion Q (a turn, or a
turn with a mirror image; orthogonal, about the origin) it may as well have been laid on the picture as map(inv(Q) p)
instead of map(p). What was called twist i, planned at p_i, is then twist j with p_j = Q p_i, and

    position error of j = Q (position error of i), its covariance Q C Q',
    turn of j = det(Q) (turn of i): a mirror image makes counter-clockwise clockwise,
    size of j = size of i.

Hands are the plan's, so they do not move with the twists: a turn by one period of the plan keeps them; a turn that only
looks alike may swap them all, and so the sign of the common overturn; a true mirror image (the piece seen from the
other side) swaps hands and turns, which leaves the overturn as it is. A vertex goes where Q carries it on the sheet and
in the folded piece at once, a crease where its ends go; its offset is positive to the left, so it changes sign with
det(Q) and when the crease runs the other way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.frames import Array, apply_homography, rotation
from foldtrue.handover import BoolArray, Inspection, IntArray, LatticeFit, Nominal, Plane
from foldtrue.handover_figures import Budget, Form

_SAME = 1e-6
"""Places closer than this, in pitches, are one."""


@dataclass(frozen=True)
class Relabelling:
    """A motion (2, 2) and where it carries twists (T,), vertices (V,) and creases (C,): their new numbers, -1 where the
    plan has no such vertex or crease. turned (C,): the crease runs the other way then."""

    motion: Array
    twists: IntArray
    vertices: IntArray
    creases: IntArray
    turned: BoolArray

    @property
    def mirrors(self) -> bool:
        return bool(np.linalg.det(self.motion) < 0)


def mirrored_turn(turn_deg: float) -> Array:
    """Motion (2, 2): the mirror image x -> -x, then a turn."""
    return np.asarray(rotation(turn_deg) @ np.diag([-1.0, 1.0]))


def relabelling(nominal: Nominal, motion: Array) -> Relabelling | None:
    """Where the motion (2, 2) carries everything; None when some twist does not fall on one of its kind."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    twists = _images(planned, planned @ motion.T, nominal.pitch_mm)
    kinds = [t.kind for t in nominal.twists]
    if (twists < 0).any() or any(kinds[j] != kind for j, kind in zip(twists, kinds, strict=True)):
        return None
    places = np.hstack([nominal.vertices_sheet_mm, nominal.vertices_mm])
    moved = np.hstack([nominal.vertices_sheet_mm @ motion.T, nominal.vertices_mm @ motion.T])
    vertices = _images(places, moved, nominal.pitch_mm)
    number = {tuple(ends): c for c, ends in enumerate(nominal.creases.ends.tolist())}
    ends = [tuple(pair) for pair in vertices[nominal.creases.ends].tolist()]
    ahead = np.array([number.get(pair, -1) for pair in ends], np.int64)
    back = np.array([number.get(pair[::-1], -1) for pair in ends], np.int64)
    return Relabelling(motion, twists, vertices, np.where(ahead >= 0, ahead, back), (ahead < 0) & (back >= 0))


def _images(places: Array, moved: Array, pitch_mm: float) -> IntArray:
    """Index (N,) of the place at each moved point, -1 where there is none."""
    from scipy.spatial import cKDTree

    distance, index = cKDTree(places).query(moved)
    return np.where(distance < _SAME * pitch_mm, index, -1).astype(np.int64)


def motions_alike(nominal: Nominal, plane: Plane) -> tuple[Relabelling, ...]:
    """What the photo of this plane cannot tell apart, the orientation it was measured on first.

    Turns that leave the view's look as it is; all that carry twists onto twists where rectification found that more
    look alike; with mirror images where the side that faces the camera was only assumed.
    """
    turns = set(nominal.symmetry[plane.view])
    if "turn_assumed" in plane.assumed:
        turns |= {60.0 * k for k in range(6)}
    motions = [rotation(turn) for turn in sorted(turns)]
    found = [r for r in (relabelling(nominal, m) for m in motions) if r is not None]
    if "side_assumed" in plane.assumed:
        mirrors = (relabelling(nominal, mirrored_turn(30.0 * k)) for k in range(12))
        found += [r for r in mirrors if r is not None and (r.vertices >= 0).all()]
    return tuple(found)


def relabel_inspection(found: Inspection, by: Relabelling) -> Inspection:
    """The whole measurement on the orientation of the plan that `by` says; features keep the photo's own labels."""
    fit = relabel_fit(found.fit, found.nominal, by)
    side = found.plane.side
    if by.mirrors:
        side = "front" if side == "back" else "back"
    ahead = np.array([[0.0, 0.0], [found.nominal.pitch_mm * (-1.0 if side == "back" else 1.0), 0.0]])
    (x0, y0), (x1, y1) = apply_homography(fit.map.homography, ahead)
    turn = float(np.degrees(np.arctan2(y0 - y1, x1 - x0)))
    return replace(found, fit=fit, plane=replace(found.plane, map=fit.map, side=side, turn_deg=turn))


def relabel_fit(fit: LatticeFit, nominal: Nominal, by: Relabelling) -> LatticeFit:
    """The fit on the orientation of the plan that `by` says, exactly; what has no place there is not measured."""
    lifted = np.eye(3)
    lifted[:2, :2] = by.motion
    fit = replace(fit, map=replace(fit.map, homography=fit.map.homography @ lifted.T))
    return _relabel_paper(_relabel_twists(fit, nominal, by), by)


def _relabel_form(form: Form, q: Array) -> Form:
    """Stretch and shear are the parts of a symmetric tensor without trace, keystone those of a vector."""
    columns = []
    for stretch, shear in np.eye(2):
        tensor = q @ np.array([[stretch, shear], [shear, -stretch]]) @ q.T
        columns.append([tensor[0, 0], tensor[0, 1]])
    move = np.zeros((4, 4))
    move[:2, :2], move[2:, 2:] = np.transpose(columns), q
    return Form(move @ form.figures, move @ form.cov @ move.T)


def _relabel_twists(fit: LatticeFit, nominal: Nominal, by: Relabelling) -> LatticeFit:
    q, sign, t = by.motion, float(np.linalg.det(by.motion)), _Mover(by.twists)
    angle, measured = t.move(sign * fit.angle_error_deg), fit.measured[np.argsort(by.twists)]
    hand = np.array([twist.hand for twist in nominal.twists], float)
    return replace(
        fit,
        tips_px=_tips(fit, nominal, by),
        centre_px=t.move(fit.centre_px),
        position_error_mm=t.move(fit.position_error_mm @ q.T),
        position_cov_mm2=t.move(q @ fit.position_cov_mm2 @ q.T),
        angle_error_deg=angle,
        angle_std_deg=t.move(fit.angle_std_deg),
        size_error=t.move(fit.size_error),
        size_std=t.move(fit.size_std),
        measured=measured,
        flags=tuple(fit.flags[i] for i in np.argsort(by.twists)),
        overturn_deg=None if fit.overturn_deg is None else float(np.mean((hand * angle)[measured])),
        leverage=t.move(fit.leverage),
        leave_one_out_mm=t.move(fit.leave_one_out_mm @ q.T),
        twist_cov=None if fit.twist_cov is None else move_covariance(fit.twist_cov, by),
        noise_cov=None if fit.noise_cov is None else move_covariance(fit.noise_cov, by),
        form=None if fit.form is None else _relabel_form(fit.form, q),
        budget=None if fit.budget is None else _relabel_budget(fit.budget, by),
    )


def _relabel_budget(budget: Budget, by: Relabelling) -> Budget:
    """Terms of places turn with the plan, those of turns keep their size whichever way round they count."""
    q, t = by.motion, _Mover(by.twists)
    return replace(
        budget,
        position_cov_mm2=np.stack([t.move(q @ term @ q.T) for term in budget.position_cov_mm2]),
        turn_var_deg2=np.stack([t.move(term) for term in budget.turn_var_deg2]),
    )


def _relabel_paper(fit: LatticeFit, by: Relabelling) -> LatticeFit:
    q, sign, v, c = by.motion, float(np.linalg.det(by.motion)), _Mover(by.vertices), _Mover(by.creases)
    known = np.zeros(len(by.vertices), bool)
    known[by.vertices[by.vertices >= 0]] = fit.vertex_measured[by.vertices >= 0]
    return replace(
        fit,
        vertices_mm=v.move(fit.vertices_mm @ q.T),
        vertex_cov_mm2=v.move(q @ fit.vertex_cov_mm2 @ q.T),
        vertex_measured=known,
        edge_offset_mm=c.move(sign * np.where(by.turned, -1.0, 1.0) * fit.edge_offset_mm),
        edge_offset_std_mm=c.move(fit.edge_offset_std_mm),
        edge_angle_deg=c.move(sign * fit.edge_angle_deg),
        edge_angle_std_deg=c.move(fit.edge_angle_std_deg),
        # Pleats, sides and nodes of the outline are stated with the photo's own labels alone.
        node_cov_mm2=None,
        pleats=None,
        outline=None,
    )


def move_covariance(cov: Array, by: Relabelling) -> Array:
    """Covariance (3 T, 3 T) of x, y, turn under the relabelling."""
    count = len(by.twists)
    each = np.eye(3)
    each[:2, :2], each[2, 2] = by.motion, np.linalg.det(by.motion)
    blocks = np.einsum("ab,ibjc,dc->iajd", each, cov.reshape(count, 3, count, 3), each)
    out = np.empty_like(blocks)
    out[by.twists[:, None], :, by.twists[None, :], :] = blocks.transpose(0, 2, 1, 3)
    return np.asarray(out.reshape(3 * count, 3 * count))


@dataclass(frozen=True)
class _Mover:
    to: IntArray

    def move(self, values: Array) -> Array:
        """Rows at their new numbers; nan where none comes."""
        out = np.full((len(self.to), *values.shape[1:]), np.nan)
        out[self.to[self.to >= 0]] = values[self.to >= 0]
        return out


def _tips(fit: LatticeFit, nominal: Nominal, by: Relabelling) -> tuple[Array, ...]:
    """Every twist's tips in the photo, in the order of the plan's tips."""
    out: list[Array] = [np.zeros((0, 2))] * len(by.twists)
    for i, j in enumerate(by.twists.tolist()):
        moved = nominal.vertices_mm[list(nominal.twists[i].tips)] @ by.motion.T
        order = _images(moved, nominal.vertices_mm[list(nominal.twists[j].tips)], nominal.pitch_mm)
        out[j] = fit.tips_px[i][order]
    return tuple(out)
