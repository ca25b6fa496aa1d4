"""A pattern that stands out, in the folder's words: how much of it there is, the habit that leaves it, what helps."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import LatticeFit
from foldtrue.handover_judge import CauseCode, Finding, FindingUnit
from foldtrue.judge.mixed import component_std, expected
from foldtrue.measured import COVERAGE_95, plus_minus, radius95
from foldtrue.propagation import half_width

if TYPE_CHECKING:
    from foldtrue.judge.diagnose import Model, Of, Pattern


def finding_of(model: Model, pattern: Pattern, chance: float) -> Finding:
    """What the fitted model says of one of its patterns."""
    return _OF[pattern.code](model, pattern, chance)


def _drift(model: Model, pattern: Pattern, chance: float) -> Finding:
    size, u95 = _moved(model, pattern)
    normal = _whole(pattern.normal_deg)
    sentence = (
        f"The grid drifts across the {normal} deg direction: it moves twists along it by {plus_minus(size, u95, 'mm')} "
        "(root mean square), growing from row to row."
    )
    advice = "So look sheets that were divided by stepping from one edge: divide this direction by halving."
    return _finding(model, pattern, chance, (size, u95, "mm"), sentence, advice)


def _rows(model: Model, pattern: Pattern, chance: float) -> Finding:
    size, u95 = _moved(model, pattern)
    normal = _whole(pattern.normal_deg)
    sentence = (
        f"One of the three directions is off: whole rows across {normal} deg lie beside their place by "
        f"{plus_minus(size, u95, 'mm')} (root mean square), row by row."
    )
    advice = "As a rule it was creased first or last: line its creases up with the crossings of the other two."
    return _finding(model, pattern, chance, (size, u95, "mm"), sentence, advice)


def _hand_shift(model: Model, pattern: Pattern, chance: float) -> Finding:
    b, cov = _effect(model, pattern, "position")
    size, u95 = 2 * float(np.hypot(*b)), 2 * float(radius95(cov))
    towards = math.degrees(math.atan2(b[1], b[0])) % 360
    sentence = (
        f"Twists turned counter-clockwise lie {plus_minus(size, u95, 'mm')} towards {towards:.0f} deg of those turned "
        "clockwise, all alike."
    )
    advice = "Light does that, not folding: photograph again with the lamp on the other side before mending anything."
    return _finding(model, pattern, chance, (size, u95, "mm"), sentence, advice)


def _turn_alike(model: Model, pattern: Pattern, chance: float) -> Finding:
    b, cov = _effect(model, pattern, "angle")
    u95 = COVERAGE_95 * math.sqrt(float(cov[0, 0]))
    way = "counter-clockwise" if b[0] > 0 else "clockwise"
    sentence = f"All twists are turned {way} alike, whatever their hand, by {plus_minus(abs(b[0]), u95, 'deg')}."
    advice = "Folding does not do that; a picture taken in motion or put together of several does. Take another."
    return _finding(model, pattern, chance, (float(b[0]), u95, "deg"), sentence, advice)


def _ring(model: Model, pattern: Pattern, chance: float) -> Finding:
    t, std = _component(model, pattern)
    rings = model.errors.layout.ring
    per_ring = math.sqrt(t / float(np.mean((rings - rings.min()) ** 2)))
    u95 = COVERAGE_95 * per_ring * std / (2 * t) if t > 0 and math.isfinite(std) else None
    sentence = f"Errors grow outwards: every ring adds {plus_minus(per_ring, u95, 'mm')} to the twists' scatter."
    advice = "Each ring hands its errors on to the next: check the first ring before you build on it."
    return _finding(model, pattern, chance, (per_ring, u95, "mm_per_ring"), sentence, advice)


def _border_only(model: Model, pattern: Pattern, chance: float) -> Finding:
    t, std = _component(model, pattern)
    own = float(model.fitted["position"].components[0])
    times = math.sqrt((own + t) / own) if own > 0 else math.inf
    u95 = COVERAGE_95 * std / (2 * own * times) if own > 0 and math.isfinite(std) else None
    said = plus_minus(times, u95, "") if math.isfinite(times) else "many"
    sentence = f"It is the border: twists whose pleats run to the rim scatter {said} times as much as the rest."
    advice = "Nothing holds border twists: crease their pleats to the rim before you twist, and press them last."
    return _finding(model, pattern, chance, (times, u95, "times"), sentence, advice)


def _single(model: Model, pattern: Pattern, chance: float) -> Finding:
    b, cov = _effect(model, pattern, "position")
    turn, turn_cov = _effect(model, pattern, "angle")
    size, u95 = float(np.hypot(*b)), float(radius95(cov))
    turned = plus_minus(float(turn[0]), COVERAGE_95 * math.sqrt(float(turn_cov[0, 0])), "deg")
    sentence = (
        f"{pattern.twists[0]} is off by itself: {plus_minus(size, u95, 'mm')} and {turned} beside what else is in the "
        "piece."
    )
    return _finding(model, pattern, chance, (size, u95, "mm"), sentence, "Refold this one; the habit is sound.")


def overturn_finding(fit: LatticeFit, chance: float) -> Finding:
    """All twists turned too far or not far enough."""
    assert fit.overturn_deg is not None
    assert fit.overturn_std_deg is not None
    u95 = COVERAGE_95 * fit.overturn_std_deg
    far = "too far" if fit.overturn_deg > 0 else "not far enough"
    sentence = f"All twists are turned {far} in their own hand, by {plus_minus(abs(fit.overturn_deg), u95, 'deg')}."
    advice = _why_overturned(fit)
    return Finding("overturn", fit.overturn_deg, u95, "deg", None, (), chance, None, None, sentence, advice)


def _why_overturned(fit: LatticeFit) -> str:
    if fit.scale is None or not fit.scale_std:
        return (
            "Pleats that are not closed all the way do that, and so does light that shifts all edges: a picture with "
            "something of known size in it would tell which."
        )
    if fit.scale - 1 > half_width(fit.scale_std, fit.scale_limits):
        return "The piece is larger than planned too: its pleats are not closed all the way. Press each one shut."
    return "Its size is as planned, so light that shifts all edges is the likelier reason: light it from another side."


def size_finding(fit: LatticeFit, chance: float) -> Finding:
    """The whole piece larger or smaller than planned."""
    assert fit.scale is not None
    assert fit.scale_std is not None
    percent, u95 = 100 * (fit.scale - 1), 100 * half_width(fit.scale_std, fit.scale_limits)
    larger = percent > 0
    way = "larger" if larger else "smaller"
    sentence = f"The whole piece is {plus_minus(abs(percent), u95, '%')} {way} than planned."
    habit = "Its pleats are not closed all the way, or" if larger else "Its pleats are wider than planned, or"
    advice = f"{habit} the sheet was not cut to size: measure the next sheet before creasing it."
    return Finding("size", percent, u95, "percent", None, (), chance, None, None, sentence, advice)


_OF: Mapping[CauseCode, Callable[[Model, Pattern, float], Finding]] = {
    "drift": _drift,
    "rows": _rows,
    "hand_shift": _hand_shift,
    "turn_alike": _turn_alike,
    "ring": _ring,
    "border": _border_only,
    "single": _single,
}


def _finding(
    model: Model,
    pattern: Pattern,
    chance: float,
    figure: tuple[float, float | None, FindingUnit],
    sentence: str,
    advice: str,
) -> Finding:
    size, u95, unit = figure
    return Finding(
        code=pattern.code,
        size=size,
        u95=u95,
        unit=unit,
        normal_deg=pattern.normal_deg,
        twists=pattern.twists,
        p_value=chance,
        share_position=_share(model, pattern, "position"),
        share_angle=_share(model, pattern, "angle"),
        sentence=sentence,
        advice=advice,
    )


def _share(model: Model, pattern: Pattern, of: Of) -> float | None:
    """Of the mean square of all errors of places or turns, noise taken out, that of the pattern; None where it has no
    part in them."""
    if not pattern.part(of):
        return None
    data = model.errors.data[of]
    whole = float(np.sum(data.z**2) - np.trace(data.cov))
    if pattern.code in ("ring", "border"):  # variances: what is expected of single errors is less than they add
        components = model.fitted[of].components[_kernels(model, pattern, of)]
        square = float(sum(t * np.trace(k) for t, k in zip(components, pattern.part(of).kernels, strict=True)))
    else:
        square = float(np.sum(_predicted(model, pattern, of) ** 2))
    return min(1.0, square / whole) if whole > 0 else 1.0


def _kernels(model: Model, pattern: Pattern, of: Of) -> slice:
    """Where the pattern's kernels stand among the model's, whose first is the folder's own scatter."""
    before = model.patterns[: model.patterns.index(pattern)]
    start = 1 + sum(len(other.part(of).kernels) for other in before)
    return slice(start, start + len(pattern.part(of).kernels))


def _predicted(model: Model, pattern: Pattern, of: Of) -> Array:
    """What of the data is the pattern's."""
    data, fitted, whole = model.errors.data[of], model.fitted[of], model.part(of)
    out = np.zeros_like(data.z)
    own = _kernels(model, pattern, of)
    for which in range(own.start, own.stop):
        out = out + expected(data, whole.kernels, fitted, which, whole.effects)
    columns = pattern.part(of).effects
    return np.asarray(out if columns is None else out + columns @ _effect(model, pattern, of)[0])


def _effect(model: Model, pattern: Pattern, of: Of) -> tuple[Array, Array]:
    """The pattern's effects in the fitted model, and their covariance."""
    before = model.patterns[: model.patterns.index(pattern)]
    start = sum(other.part(of).columns for other in before)
    own = slice(start, start + pattern.part(of).columns)
    return model.fitted[of].effects[own], model.fitted[of].effects_cov[own, own]


def _moved(model: Model, pattern: Pattern) -> tuple[float, float | None]:
    """Root mean square by which the pattern moves twists, and its u95 by that of its largest component."""
    size = math.sqrt(float(np.sum(_predicted(model, pattern, "position") ** 2)) / len(model.errors.layout.ids))
    t, std = _component(model, pattern)
    return size, COVERAGE_95 * size * std / (2 * t) if t > 0 and math.isfinite(std) else None


def _component(model: Model, pattern: Pattern) -> tuple[float, float]:
    """The pattern's largest component among places, and its standard uncertainty."""
    fitted, whole, own = model.fitted["position"], model.part("position"), _kernels(model, pattern, "position")
    which = own.start + int(np.argmax(fitted.components[own]))
    std = component_std(model.errors.data["position"], whole.kernels, fitted, which, whole.effects)
    return float(fitted.components[which]), std


def _whole(deg: float | None) -> str:
    return f"{0.0 if deg is None else deg:.0f}"
