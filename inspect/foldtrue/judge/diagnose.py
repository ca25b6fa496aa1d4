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
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
from scipy import stats

from foldtrue.alignment import freedoms
from foldtrue.frames import Array
from foldtrue.handover import LatticeFit, Nominal
from foldtrue.handover_judge import BorderCheck, CauseCode, Diagnosis, Finding
from foldtrue.judge.causes import finding_of, overturn_finding, size_finding
from foldtrue.judge.mixed import Data, Fitted, component_std, effect_tests, fit_model, project
from foldtrue.judge.patterns import Layout, drift_kernels, hand_effect, layout_of, ring_kernel, rows_kernel
from foldtrue.measured import COVERAGE_95

Parts = tuple[list[Array], Array | None]
ALARM = 0.05
KINDS: tuple[CauseCode, ...] = get_args(CauseCode)
RIVAL = 20.0
"""Two kinds whose chances differ by less than this factor are both told (strong evidence begins at 20: Kass and
Raftery, J. Amer. Statist. Assoc. 90 (1995) 773 [from memory])."""
LEAST_TWISTS = 7
"""Below so many the fit of the whole piece leaves too little to see a pattern in."""
_MOST_FINDINGS = 3


@dataclass(frozen=True)
class Pattern:
    """One thing to look for. kernels: covariances in the places' data and in the turns'; effects: columns in them.
    trials: how many of its kind are looked for."""

    code: CauseCode
    trials: int
    position_kernels: tuple[Array, ...] = ()
    angle_kernels: tuple[Array, ...] = ()
    position_effects: Array | None = None
    angle_effects: Array | None = None
    normal_deg: float | None = None
    twists: tuple[str, ...] = ()

    @property
    def freedoms(self) -> tuple[int, int]:
        """Components that cannot be negative, and effects."""
        effects = [e.shape[1] for e in (self.position_effects, self.angle_effects) if e is not None]
        return len(self.position_kernels) + len(self.angle_kernels), sum(effects)


@dataclass(frozen=True)
class Errors:
    """Places (mm) and turns (deg) of the measured twists, as data."""

    layout: Layout
    position: Data
    angle: Data


@dataclass(frozen=True)
class Model:
    """The errors with some patterns, fitted: places and turns apart, since no component is common to both."""

    errors: Errors
    patterns: tuple[Pattern, ...]
    position: Fitted
    angle: Fitted

    @property
    def log_likelihood(self) -> float:
        return self.position.log_likelihood + self.angle.log_likelihood

    def position_parts(self) -> Parts:
        return _position_parts(self.errors, self.patterns)

    def angle_parts(self) -> Parts:
        return _angle_parts(self.errors, self.patterns)

    def plus(self, pattern: Pattern) -> Model:
        """The model with one more pattern; what it has no part in is not fitted again."""
        patterns = (*self.patterns, pattern)
        position, angle = self.position, self.angle
        if pattern.position_kernels or pattern.position_effects is not None:
            start = _start(self.position, len(pattern.position_kernels))
            position = fit_model(self.errors.position, *_position_parts(self.errors, patterns), start)
        if pattern.angle_kernels or pattern.angle_effects is not None:
            start = _start(self.angle, len(pattern.angle_kernels))
            angle = fit_model(self.errors.angle, *_angle_parts(self.errors, patterns), start)
        return Model(self.errors, patterns, position, angle)


def chance_only(errors: Errors) -> Model:
    """The model without any pattern."""
    position = fit_model(errors.position, *_position_parts(errors, ()))
    return Model(errors, (), position, fit_model(errors.angle, *_angle_parts(errors, ())))


def _start(smaller: Fitted, more: int) -> Array:
    """The smaller model's components, and half of its scatter for each new one."""
    return np.concatenate([smaller.components, np.full(more, 0.5 * smaller.components[0])])


def _position_parts(errors: Errors, patterns: Sequence[Pattern]) -> Parts:
    """Kernels, the folder's own scatter first, and effects."""
    kernels = [np.eye(len(errors.position.z)), *(k for p in patterns for k in p.position_kernels)]
    return kernels, _columns([p.position_effects for p in patterns])


def _angle_parts(errors: Errors, patterns: Sequence[Pattern]) -> Parts:
    kernels = [np.eye(len(errors.angle.z)), *(k for p in patterns for k in p.angle_kernels)]
    return kernels, _columns([p.angle_effects for p in patterns])


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
        scatter_mm=math.sqrt(model.position.components[0]),
        scatter_deg=math.sqrt(model.angle.components[0]),
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
    return Errors(layout, position, angle)


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
    layout, position, angle = errors.layout, errors.position, errors.angle
    normals = layout.normals_deg
    for normal in normals:
        for way in drift_kernels(layout, normal):
            yield Pattern("drift", 2 * len(normals), (position.kernel(way),), normal_deg=normal)
        rows = position.kernel(rows_kernel(layout, normal))
        yield Pattern("rows", len(normals), (rows,), normal_deg=normal)
    if len(set(layout.hand.tolist())) == 2:
        yield Pattern("hand_shift", 1, position_effects=position.seen(hand_effect(layout)))
    yield Pattern("turn_alike", 1, angle_effects=angle.seen(np.ones((len(layout.ids), 1))))
    for code, variance in _spreads(layout):
        places = position.kernel(np.diag(np.repeat(variance, 2)))
        yield Pattern(code, 1, (places,), (angle.kernel(np.diag(variance)),))


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
    layout = model.errors.layout
    count = len(layout.ids)
    taken = {p.twists for p in model.patterns}
    position = np.stack([model.errors.position.seen(np.kron(np.eye(count)[:, [i]], np.eye(2))) for i in range(count)])
    angle = np.stack([model.errors.angle.seen(np.eye(count)[:, [i]]) for i in range(count)])
    square = np.zeros(count)
    for data, fitted, parts, columns in (
        (model.errors.position, model.position, model.position_parts(), position),
        (model.errors.angle, model.angle, model.angle_parts(), angle),
    ):
        kernels, effects = parts
        left = data if effects is None else Data(data.z - effects @ fitted.effects, data.cov, data.basis)
        square += effect_tests(left, kernels, fitted, columns)[0]
    for i in np.argsort(-square).tolist():
        if (layout.ids[i],) in taken:
            continue
        named = (layout.ids[i],)
        pattern = Pattern("single", count, position_effects=position[i], angle_effects=angle[i], twists=named)
        ratio = 2 * (model.plus(pattern).log_likelihood - model.log_likelihood)
        yield min(1.0, count * chance_of(ratio, 0, 3)), pattern
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
    layout, data = model.errors.layout, model.errors.position
    if not 3 <= int(layout.border.sum()) <= len(layout.ids) - 3:
        return None
    kernels = [data.kernel(np.diag(np.repeat(part, 2))) for part in (layout.border, 1 - layout.border)]
    fitted = fit_model(data, kernels)
    ratio = max(0.0, 2 * (fitted.log_likelihood - model.position.log_likelihood))
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


def _columns(parts: Sequence[Array | None]) -> Array | None:
    given = [part for part in parts if part is not None]
    return np.concatenate(given, 1) if given else None
