"""A piece before and after it was mended: which figures changed by more than both uncertainties together allow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from foldtrue.errors import NotThisPiece
from foldtrue.frames import Array
from foldtrue.handover_judge import Change, ChangeWord, Comparison, Figure, Figures
from foldtrue.judge.figures import read_figures

_RATIO = 2 * math.log(1000.0)
"""Twice the log-likelihood by which one way up must lead over another."""
_CLIPPED = 9.0
"""No twist speaks for more than three standard deviations: a mended one says nothing about which way up."""
_SAME_PLACE_MM = 0.05


def compare_records(before: Mapping[str, Any], after: Mapping[str, Any]) -> Comparison:
    """Every figure that both results hold, largest change in uncertainties first.

    Raises NotThisPiece when they are of different plans, or when the second fits the first better in another
    orientation of the plan: then each twist would be held against another one.
    """
    old, new = read_figures(before), read_figures(after)
    if old.plan_sha256 != new.plan_sha256:
        raise NotThisPiece("The two results are of different plans.", "Compare two results of one piece.")
    certain = _same_way_up(old, new)
    known = {(figure.kind, figure.id): figure for figure in old.figures if figure.value is not None}
    pairs = [
        (known[figure.kind, figure.id], figure)
        for figure in new.figures
        if figure.value is not None and (figure.kind, figure.id) in known
    ]
    changes = [_change(one, other) for one, other in pairs]
    changes.sort(key=lambda change: change.size / change.u95 if change.u95 else math.inf, reverse=True)
    return Comparison(tuple(changes), certain, old.view == new.view)


def _change(old: Figure, new: Figure) -> Change:
    """The change of one figure, the two measurements taken as independent: what they share makes it only smaller."""
    assert old.value is not None
    assert new.value is not None
    u95 = math.hypot(old.u95 or 0.0, new.u95 or 0.0)
    size = abs(new.value - old.value)
    if old.vector is not None and new.vector is not None:
        size = math.dist(old.vector, new.vector)
    nearer = abs(old.value) - abs(new.value)
    word: ChangeWord = "moved"
    if size <= u95:
        word = "no_difference"
    elif abs(nearer) > u95:
        word = "better" if nearer > 0 else "worse"
    return Change(old, new, size, u95, word)


def _same_way_up(old: Figures, new: Figures) -> bool:
    """Whether the errors themselves show that both results are on one orientation of the plan. Raises NotThisPiece when
    they show another one."""
    scores = {name: _misfit(old, new, motion) for name, motion in _motions(old).items()}
    upright = scores.pop("as they are")
    best = min(scores, key=lambda name: scores[name], default=None)
    if best is None:
        return True
    if scores[best] < upright - _RATIO:
        raise NotThisPiece(
            f"The second result fits the first far better {best}: each twist would be compared with another one.",
            "Mark one corner, photograph the piece the same way up both times, and measure it again.",
        )
    return scores[best] > upright + _RATIO


def _motions(found: Figures) -> dict[str, Array]:
    """The turns and mirror images (2, 2) that carry the plan's twists onto its twists."""
    places = np.array([twist.planned_mm for twist in found.twists]).reshape(-1, 2)
    motions = {}
    for mirrored in (False, True):
        for turn in range(0, 360, 60):
            a = math.radians(turn)
            motion = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
            motion = motion @ np.diag([-1.0, 1.0]) if mirrored else motion
            name = " and ".join(["mirrored"] * mirrored + [f"turned by {turn} deg"] * (turn > 0)) or "as they are"
            if (_matches(places, motion)[1] < _SAME_PLACE_MM).all():
                motions[name] = motion
    return motions


def _matches(places: Array, motion: Array) -> tuple[Array, Array]:
    """For each place (T, 2) which place the motion carries it to, and how far it misses that."""
    apart = np.linalg.norm((places @ motion.T)[:, None] - places[None], axis=2)
    index = apart.argmin(1) if len(places) else np.zeros(0, int)
    return index, apart[np.arange(len(places)), index]


def _misfit(old: Figures, new: Figures, motion: Array) -> float:
    """Sum over twists of the squared difference of place and turn in standard deviations, none above _CLIPPED, when the
    first result is moved by `motion`."""
    places = np.array([twist.planned_mm for twist in old.twists]).reshape(-1, 2)
    names = [twist.id for twist in old.twists]
    index = _matches(places, motion)[0]
    sense = float(np.sign(np.linalg.det(motion)))
    total = 0.0
    for kind in ("twist_position", "twist_angle"):
        first, second = _by_id(old.figures, kind), _by_id(new.figures, kind)
        for name, image in zip(names, index.tolist(), strict=True):
            one, other = first.get(name), second.get(names[image])
            if one is None or other is None:
                continue
            gap = _gap(one, other, motion, sense)
            total += min(_CLIPPED, gap**2 / max((one.std or 0.0) ** 2 + (other.std or 0.0) ** 2, 1e-12))
    return total


def _by_id(figures: Sequence[Figure], kind: str) -> dict[str, Figure]:
    return {figure.id: figure for figure in figures if figure.kind == kind and figure.value is not None}


def _gap(one: Figure, other: Figure, motion: Array, sense: float) -> float:
    if one.vector is not None and other.vector is not None:
        return float(np.linalg.norm(motion @ np.array(one.vector) - np.array(other.vector)))
    return float((one.value or 0.0) * sense - (other.value or 0.0))
