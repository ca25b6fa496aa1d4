"""pool_photos: from the measurements of several photos to those of the piece, or the reason why there are none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from foldtrue.errors import FoldtrueError, PhotoTooPoor
from foldtrue.frames import Array
from foldtrue.handover import Features, Inspection, LatticeFit
from foldtrue.handover_pool import PooledInspection, PooledPhoto, Repeatability
from foldtrue.pool.agree import Against, against_others, birge, odd_one, plainly_apart
from foldtrue.pool.combine import Reading, combine, pose_freedoms, reading
from foldtrue.pool.family import WHY, find_family
from foldtrue.pool.orient import Answer
from foldtrue.pool.piece import pooled_fit
from foldtrue.pool.relabel import relabel_inspection
from foldtrue.pool.repeat import scatter

_SETTLED = ("side_assumed", "turn_assumed", "scale_assumed", "plane_from_piece", "overturn_not_told")
"""What one photo has to assume and another may settle for the piece."""
_ALONE = "No figures of one piece come of these photos; it stands by itself."
_FLAGS: Mapping[Answer, tuple[str, ...]] = {
    "other piece": ("photo_disagrees",),
    "disagrees": ("photo_disagrees",),
    "orientation": ("orientation_assumed",),
}


def pool_photos(outcomes: Mapping[str, Inspection | FoldtrueError], same_way_up: bool = False) -> PooledInspection:
    """The piece's figures from what came of each of its photos, by name; never a figure of two pieces.

    same_way_up: the piece lay the same way up in all photos, so that nothing has to be found out about that. One
    measured photo alone stands for itself. Raises the first refusal when no photo could be measured.
    """
    photos: dict[str, PooledPhoto] = {}
    measured: dict[str, Inspection] = {}
    for name, outcome in outcomes.items():
        if isinstance(outcome, Inspection):
            measured[name] = outcome
            photos[name] = PooledPhoto(name, outcome, "used", plan_turn_deg=0.0)
        else:
            photos[name] = PooledPhoto(name, None, "refused", str(outcome))
    if not measured:
        raise next(outcome for outcome in outcomes.values() if isinstance(outcome, FoldtrueError))
    if len(measured) == 1:
        return PooledInspection(next(iter(measured.values())), tuple(photos.values()), None)
    return _pool(photos, measured, same_way_up)


def _pool(photos: dict[str, PooledPhoto], measured: Mapping[str, Inspection], same_way_up: bool) -> PooledInspection:
    """Find the photos of one piece, bring them to one orientation, leave out who disagrees, combine the rest."""
    names, found = list(measured), list(measured.values())
    design = pose_freedoms(found[0].nominal)
    readings, planes = [reading(f, design) for f in found], [f.plane for f in found]
    family = find_family(readings, planes, found[0].nominal, design, same_way_up)
    for k, answer in family.left.items():
        photos[names[k]] = _left_out(names[k], found[k], answer, names[family.anchor])
    if not family.stands:
        return _none(photos, measured, family.problem(names))
    for k, by in family.members.items():
        there = relabel_inspection(found[k], by)
        photos[names[k]] = PooledPhoto(names[k], there, "used", plan_turn_deg=_turn(by.motion), mirrored=by.mirrors)
    used = {n: reading(p.inspection, design) for n, p in photos.items() if p.status == "used" and p.inspection}
    judged = _judge(used, design)
    while (odd := odd_one(list(judged.values()))) is not None:
        name = list(used)[odd]
        photos[name] = _judged(_left_out(name, measured[name], "disagrees", "the others"), judged[name])
        del used[name]
        judged = _judge(used, design)
    photos |= {name: _judged(photos[name], judged[name]) for name in used}
    return _combined(photos, used, measured, names[family.anchor], design)


def _combined(
    photos: Mapping[str, PooledPhoto],
    used: Mapping[str, Reading],
    measured: Mapping[str, Inspection],
    anchor: str,
    design: Array,
) -> PooledInspection:
    readings = list(used.values())
    whole = combine(readings, design)
    if len(used) == 2 and plainly_apart(whole.chi_square, whole.freedoms):
        one, other = used
        what, advice = WHY["disagrees"]
        apart = {name: replace(photos[name], flags=_FLAGS["disagrees"]) for name in used}
        return _none({**photos, **apart}, measured, PhotoTooPoor(f"{other} {what.format(one)}", advice))
    found = [p.inspection for p in photos.values() if p.status == "used" and p.inspection]
    widened, p_value = birge(whole)
    place, turn = scatter(readings, whole, design, found[0].nominal)
    repeatability = Repeatability(*place, *turn, whole.chi_square, whole.freedoms, p_value, widened)
    shown = list(used).index(anchor) if anchor in used else 0
    fit = pooled_fit(found, readings, whole, design, shown, widened)
    return PooledInspection(_piece(found, shown, fit), tuple(photos.values()), repeatability)


def _piece(found: Sequence[Inspection], shown: int, fit: LatticeFit) -> Inspection:
    """The piece as an Inspection, drawn in one of its photos. Edge samples stay with the photos they are of."""
    base, said = found[shown], [f.plane.assumed for f in found]
    words = dict.fromkeys(word for assumed in said for word in assumed)
    kept = tuple(w for w in words if w not in _SETTLED or all(w in assumed for assumed in said))
    reference = next((f.plane.reference for f in found if f.fit.scale is not None), base.plane.reference)
    plane = replace(base.plane, map=fit.map, assumed=kept, reference=reference)
    timings = {step: sum(f.timings_s.get(step, 0.0) for f in found) for step in base.timings_s}
    return replace(base, plane=plane, features=_no_samples(), fit=fit, timings_s=timings)


def _no_samples() -> Features:
    number, index, truth = np.zeros(0), np.zeros(0, np.int64), np.zeros(0, bool)
    return Features(number, number, number, truth, index, number, number, number, number, number, index, truth)


def _turn(motion: Array) -> float:
    """Turn (0 to 360 deg) of a motion (2, 2), after the mirror image x -> -x where there is one."""
    turn = float(np.degrees(np.arctan2(motion[1, 0], motion[0, 0])))
    return round(turn + (180.0 if np.linalg.det(motion) < 0 else 0.0), 6) % 360.0


def _judge(used: Mapping[str, Reading], design: Array) -> dict[str, Against]:
    return dict(zip(used, against_others(list(used.values()), design), strict=True))


def _judged(photo: PooledPhoto, against: Against) -> PooledPhoto:
    return replace(photo, chi_square=against.chi_square, freedoms=against.freedoms, p_value=against.p_value)


def _left_out(name: str, alone: Inspection, answer: Answer, other: str) -> PooledPhoto:
    what, advice = WHY[answer]
    return PooledPhoto(name, alone, "left_out", f"It {what.format(other)} {advice}", _FLAGS.get(answer, ()))


def _none(
    photos: Mapping[str, PooledPhoto], measured: Mapping[str, Inspection], problem: FoldtrueError
) -> PooledInspection:
    """No figures of one piece: every measured photo stands by itself, as it was measured."""
    alone = {
        name: replace(
            p, inspection=measured[name], status="left_out", reason=_ALONE, plan_turn_deg=None, mirrored=False
        )
        for name, p in photos.items()
        if p.status == "used"
    }
    return PooledInspection(None, tuple({**photos, **alone}.values()), None, problem)
