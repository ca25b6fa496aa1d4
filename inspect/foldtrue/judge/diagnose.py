"""diagnose_fit: which habits' patterns stand out of a piece's errors, by comparing models of them.

The errors are normal with the covariance of their measurement, plus the folder's own scatter, whose size is not known.
A pattern is added to that model where it raises the likelihood by more than chance would: the likelihood ratio's chance
follows from a mixture of chi-squares, since variance components cannot be negative (Self and Liang, J. Amer. Statist.
Assoc. 82 (1987) 605 [from memory]); it is multiplied by the number of patterns of the kind (Bonferroni), and must be
below ALARM over the number of kinds, so that a piece of pure chance is called anything in no more than ALARM of all
cases. The pattern least like chance is taken first, and the search begins anew with it in the model.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from scipy import stats

from foldtrue.alignment import freedoms
from foldtrue.frames import Array
from foldtrue.handover import LatticeFit, Nominal
from foldtrue.handover_judge import BorderCheck, CauseCode, Diagnosis, Finding
from foldtrue.judge.causes import finding_of, overturn_finding, size_finding
from foldtrue.judge.mixed import (
    Data,
    Fitted,
    component_std,
    effect_tests,
    fit_model,
    project,
    without_effects,
)
from foldtrue.judge.patterns import Layout, drift_kernels, hand_effect, layout_of, ring_kernel, rows_kernel
from foldtrue.measured import COVERAGE_95

Of = Literal["position", "angle"]
OF: tuple[Of, ...] = get_args(Of)
ALARM = 0.05
KINDS: tuple[CauseCode, ...] = get_args(CauseCode)
RIVAL = 20.0
"""Two kinds whose chances differ by less than this factor are both told (strong evidence begins at 20: Kass and
Raftery, J. Amer. Statist. Assoc. 90 (1995) 773 [from memory])."""
LEAST_TWISTS = 7
"""Below so many the fit of the whole piece leaves too little to see a pattern in."""
_MOST_FINDINGS = 3


@dataclass(frozen=True)
class Part:
    """What a pattern or a model does to the places, or to the turns: covariances, each of a size not known, and columns
    of effects; both as far as the data have them left."""

    kernels: tuple[Array, ...] = ()
    effects: Array | None = None

    def __bool__(self) -> bool:
        return bool(self.kernels) or self.effects is not None

    @property
    def columns(self) -> int:
        return 0 if self.effects is None else self.effects.shape[1]


NOTHING = Part()


@dataclass(frozen=True, eq=False)
class Pattern:
    """One thing to look for, itself and no other like it. trials: how many of its kind are looked for."""

    code: CauseCode
    trials: int
    position: Part = NOTHING
    angle: Part = NOTHING
    normal_deg: float | None = None
    twists: tuple[str, ...] = ()

    def part(self, of: Of) -> Part:
        return self.position if of == "position" else self.angle

    @property
    def freedoms(self) -> tuple[int, int]:
        """Components that cannot be negative, and effects."""
        parts = (self.position, self.angle)
        return sum(len(part.kernels) for part in parts), sum(part.columns for part in parts)


@dataclass(frozen=True)
class Errors:
    """Places (mm) and turns (deg) of the measured twists, as data."""

    layout: Layout
    data: Mapping[Of, Data]


@dataclass(frozen=True)
class Model:
    """The errors with some patterns, fitted: places and turns apart, since no component is common to both."""

    errors: Errors
    patterns: tuple[Pattern, ...]
    fitted: Mapping[Of, Fitted]

    @property
    def log_likelihood(self) -> float:
        return sum(each.log_likelihood for each in self.fitted.values())

    def part(self, of: Of) -> Part:
        """All kernels, the folder's own scatter first, then each pattern's in order; and all effects."""
        return _together(self.errors.data[of], [pattern.part(of) for pattern in self.patterns])

    def plus(self, pattern: Pattern) -> Model:
        """The model with one more pattern; what it has no part in is not fitted again."""
        patterns, fitted = (*self.patterns, pattern), dict(self.fitted)
        for of, smaller in self.fitted.items():
            if pattern.part(of):
                whole = _together(self.errors.data[of], [each.part(of) for each in patterns])
                # The smaller model's components, and half of its scatter for each new one.
                new = np.full(len(pattern.part(of).kernels), 0.5 * smaller.components[0])
                start = np.concatenate([smaller.components, new])
                fitted[of] = fit_model(self.errors.data[of], whole.kernels, whole.effects, start)
        return Model(self.errors, patterns, fitted)


def chance_only(errors: Errors) -> Model:
    """The model without any pattern."""
    return Model(errors, (), {of: fit_model(data, _together(data, []).kernels) for of, data in errors.data.items()})


def _together(data: Data, parts: Sequence[Part]) -> Part:
    effects = [part.effects for part in parts if part.effects is not None]
    kernels = (np.eye(len(data.z)), *(kernel for part in parts for kernel in part.kernels))
    return Part(kernels, np.concatenate(effects, 1) if effects else None)


def diagnose_fit(nominal: Nominal, fit: LatticeFit) -> Diagnosis:
    """Patterns in the errors of a piece's twists, plainest first; Diagnosis.reason where too few were measured."""
    if fit.twist_cov is None or int(fit.measured.sum()) < LEAST_TWISTS:
        reason = f"Fewer than {LEAST_TWISTS} twists were measured: too few to see a habit in."
        return Diagnosis((), None, None, None, reason)
    errors = errors_of(nominal, fit)
    chance_model = chance_only(errors)
    model: Model = chance_model
    found: list[tuple[Pattern, float, CauseCode | None]] = []
    while len(found) < _MOST_FINDINGS:
        tested = sorted(_tested(model), key=lambda each: each[0])
        chance, pattern = tested[0]
        if chance > ALARM / len(KINDS):
            break
        model = model.plus(pattern)
        found.append((pattern, chance, _rival(tested)))
    findings = [replace(finding_of(model, pattern, chance), rival=rival) for pattern, chance, rival in found]
    findings += _whole_piece(fit)
    return Diagnosis(
        findings=tuple(sorted(findings, key=lambda finding: finding.p_value)),
        scatter_mm=math.sqrt(model.fitted["position"].components[0]),
        scatter_deg=math.sqrt(model.fitted["angle"].components[0]),
        border=_border(chance_model),
        reason=None,
    )


def errors_of(nominal: Nominal, fit: LatticeFit) -> Errors:
    """What the fit measured, the freedoms of the whole piece's fit and the common overturn projected out."""
    assert fit.twist_cov is not None
    seen = np.flatnonzero(fit.measured)
    layout = layout_of(nominal, fit.measured)
    places = np.stack([3 * seen, 3 * seen + 1], 1).ravel()
    taken, _ = freedoms(layout.planned_mm, fit.alignment)
    position = project(fit.position_error_mm[seen].ravel(), fit.twist_cov[np.ix_(places, places)], taken)
    turns = 3 * seen + 2
    angle = project(fit.angle_error_deg[seen], fit.twist_cov[np.ix_(turns, turns)], layout.hand[:, None])
    return Errors(layout, {"position": position, "angle": angle})


def _tested(model: Model) -> Iterator[tuple[float, Pattern]]:
    """Every pattern that is not in the model yet, with the chance of its kind doing as much."""
    taken = {(p.code, p.normal_deg) for p in model.patterns}
    for pattern in _candidates(model.errors):
        if (pattern.code, pattern.normal_deg) not in taken:
            larger = model.plus(pattern)
            ratio = 2 * (larger.log_likelihood - model.log_likelihood)
            yield min(1.0, pattern.trials * chance_of(ratio, *pattern.freedoms)), pattern
    yield from _single(model)


def _rival(tested: Sequence[tuple[float, Pattern]]) -> CauseCode | None:
    """Another kind of pattern that is hardly more like chance than the first, so that the two cannot be told apart."""
    (chance, best), *others = tested
    near = (p.code for c, p in others if p.code != best.code and c < RIVAL * chance and c < ALARM / len(KINDS))
    return next(near, None)


def chance_of(ratio: float, components: int, effects: int) -> float:
    """Probability that chance raises twice the log likelihood by `ratio` or more: each of `components` is at zero in
    half of all cases."""
    weights = [math.comb(components, k) / 2**components for k in range(components + 1)]
    counts = range(effects, effects + components + 1)
    tails = [float(stats.chi2.sf(ratio, count)) if count else float(ratio <= 0) for count in counts]
    return float(np.dot(weights, tails))


def _candidates(errors: Errors) -> Iterator[Pattern]:
    layout, position, angle = errors.layout, errors.data["position"], errors.data["angle"]
    normals = layout.normals_deg
    for normal in normals:
        for way in drift_kernels(layout, normal):
            yield Pattern("drift", 2 * len(normals), Part((position.kernel(way),)), normal_deg=normal)
        rows = position.kernel(rows_kernel(layout, normal))
        yield Pattern("rows", len(normals), Part((rows,)), normal_deg=normal)
    if len(set(layout.hand.tolist())) == 2:
        yield Pattern("hand_shift", 1, Part(effects=position.seen(hand_effect(layout))))
    yield Pattern("turn_alike", 1, angle=Part(effects=angle.seen(np.ones((len(layout.ids), 1)))))
    for code, variance in _spreads(layout):
        places = position.kernel(np.diag(np.repeat(variance, 2)))
        yield Pattern(code, 1, Part((places,)), Part((angle.kernel(np.diag(variance)),)))


def _spreads(layout: Layout) -> Iterator[tuple[CauseCode, Array]]:
    """Variances (T,) that differ over the piece; growth from ring to ring needs three of them, and rings that are more
    than border and inside."""
    inner = int((layout.border == 0).sum())
    both = 3 <= inner <= len(layout.ids) - 3
    if both:
        yield "border", layout.border
    rings = np.unique(layout.ring)
    alike = both and abs(np.corrcoef(layout.ring, layout.border)[0, 1]) > 0.95
    if len(rings) > 2 and not alike:
        yield "ring", ring_kernel(layout)


def _single(model: Model) -> Iterator[tuple[float, Pattern]]:
    """The twist that is most unlike the others; a twist already taken, and whatever it explains, is not asked again."""
    layout, data = model.errors.layout, model.errors.data
    count = len(layout.ids)
    taken = {p.twists for p in model.patterns}
    each = np.eye(count)[:, :, None]
    columns: dict[Of, Array] = {
        "position": np.stack([data["position"].seen(np.kron(one, np.eye(2))) for one in each]),
        "angle": np.stack([data["angle"].seen(one) for one in each]),
    }
    square = np.zeros(count)
    for of in OF:
        whole, fitted = model.part(of), model.fitted[of]
        square += effect_tests(without_effects(data[of], fitted, whole.effects), whole.kernels, fitted, columns[of])
    for i in np.argsort(-square).tolist():
        named = (layout.ids[i],)
        if named in taken:
            continue
        places, turns = (Part(effects=columns[of][i]) for of in OF)
        pattern = Pattern("single", count, places, turns, twists=named)
        ratio = 2 * (model.plus(pattern).log_likelihood - model.log_likelihood)
        yield min(1.0, count * chance_of(ratio, *pattern.freedoms)), pattern
        return


def _whole_piece(fit: LatticeFit) -> list[Finding]:
    """What the piece has as a whole, each with its own uncertainty: the common overturn, and its size."""
    out: list[Finding] = []
    asked: Sequence[tuple[float | None, float | None, Callable[[LatticeFit, float], Finding]]] = (
        (fit.overturn_deg, fit.overturn_std_deg, overturn_finding),
        (None if fit.scale is None else fit.scale - 1, fit.scale_std, size_finding),
    )
    for value, std, words in asked:
        if value is not None and std:
            chance = 2 * float(stats.norm.sf(abs(value) / std))
            if chance < ALARM / len(KINDS):
                out.append(words(fit, chance))
    return out


def _border(model: Model) -> BorderCheck | None:
    """Whether border twists scatter otherwise than the rest, either way: both scatters with their uncertainty."""
    layout, data = model.errors.layout, model.errors.data["position"]
    if not 3 <= int(layout.border.sum()) <= len(layout.ids) - 3:
        return None
    kernels = [data.kernel(np.diag(np.repeat(part, 2))) for part in (layout.border, 1 - layout.border)]
    fitted = fit_model(data, kernels)
    ratio = max(0.0, 2 * (fitted.log_likelihood - model.fitted["position"].log_likelihood))
    sizes = np.sqrt(fitted.components)
    stds = [component_std(data, kernels, fitted, k) / (2 * sizes[k]) if sizes[k] > 0 else math.nan for k in (0, 1)]
    u95 = [COVERAGE_95 * std if math.isfinite(std) else None for std in stds]
    together = COVERAGE_95 * math.hypot(*stds)
    return BorderCheck(
        border_mm=float(sizes[0]),
        border_u95_mm=u95[0],
        inner_mm=float(sizes[1]),
        inner_u95_mm=u95[1],
        difference_mm=float(sizes[0] - sizes[1]),
        difference_u95_mm=together if math.isfinite(together) else None,
        p_value=float(stats.chi2.sf(ratio, 1)),
    )
