"""judge_record: from a result's record and the person's limits to the verdict on every figure, twist and the piece."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from foldtrue.handover_judge import (
    FigureKind,
    Figures,
    Judged,
    Judgement,
    Limit,
    PieceWord,
    Rule,
    Settle,
    Tolerances,
    Word,
)
from foldtrue.judge.decision import false_decision, judge_figure
from foldtrue.judge.figures import read_figures
from foldtrue.judge.touchup import touch_up_list

_WORST_FIRST: tuple[Word, ...] = ("outside", "not_measured", "too_close", "within")
_MOST_PHOTOS = 9


def judge_record(record: Mapping[str, Any], tolerances: Tolerances, rule: Rule) -> Judgement:
    """The verdict on a result. record: as in docs/result.schema.json.

    The piece is *outside* when some figure is, by a test that holds for all figures together; else *not enough
    measured* when a needed figure is missing, else *too close* when some figure is, else *within*. Raises
    UnreadableFile for a record without the published form.
    """
    found = read_figures(record)
    judged = _judge_all(found, tolerances, rule)
    missing = Counter(one.figure.kind for one in judged if one.needed and one.word == "not_measured")
    beyond = proven_outside(judged, rule)
    return Judgement(
        word=piece_word(judged, beyond, bool(missing)),
        tolerances=tolerances,
        rule=rule,
        figures=judged,
        twists=_twist_words(judged, found),
        by_chance=not beyond and any(one.word == "outside" for one in judged),
        all_within=all_within(judged),
        missing=dict(missing),
        settle=tuple(_settle(one, rule, found.view) for one in judged if one.word == "too_close"),
        touch_up=touch_up_list(found, judged),
    )


def _judge_all(found: Figures, tolerances: Tolerances, rule: Rule) -> tuple[Judged, ...]:
    judged = []
    for figure in found.figures:
        limit = tolerances.limits.get(figure.kind)
        if limit is None:
            continue
        size = _in_units(limit, found.pitch_mm)
        if size is None:  # a share of a pitch that the result does not tell: nothing can be held against it
            judged.append(Judged(figure, math.nan, limit.needed, "not_measured", None, None))
        else:
            judged.append(judge_figure(figure, size, rule, limit.needed))
    return tuple(judged)


def _in_units(limit: Limit, pitch_mm: float | None) -> float | None:
    if limit.unit != "of_pitch":
        return limit.value
    return None if pitch_mm is None else limit.value * pitch_mm


def proven_outside(judged: Sequence[Judged], rule: Rule) -> bool:
    """Whether some figure is outside, all figures taken together.

    Among m good figures the worst may look bad by chance, so one must be so far out that a figure at its limit gets
    there with a probability of no more than a / m, a that of one decision (Bonferroni): a piece whose figures are all
    within is called outside with no more than a, however they depend on each other. Simple acceptance makes no such
    promise for one figure, nor for many.
    """
    measured = [one for one in judged if one.word != "not_measured"]
    if rule.guard == 0:
        return any(one.word == "outside" for one in measured)
    bound = false_decision(rule) / max(len(measured), 1)
    return any(one.word == "outside" and one.p_value is not None and one.p_value <= bound for one in measured)


def piece_word(judged: Sequence[Judged], beyond: bool, missing: bool) -> PieceWord:
    """The piece's verdict. *Within* needs no correction for the number of figures: a bad piece passes only if its bad
    figure does (intersection-union test; Berger, Technometrics 24 (1982) 295)."""
    words = {one.word for one in judged}
    if beyond:
        return "outside"
    if missing or not words - {"not_measured"}:
        return "not_enough_measured"
    return "too_close" if words & {"too_close", "outside"} else "within"


def all_within(judged: Sequence[Judged]) -> tuple[float, float]:
    """Least and greatest probability that all measured figures are truly within, however they depend on each other
    (Bonferroni-Fréchet bounds)."""
    chances = [one.probability for one in judged if one.probability is not None]
    if not chances:
        return 0.0, 1.0
    return max(0.0, 1 - sum(1 - chance for chance in chances)), min(chances)


def _twist_words(judged: Sequence[Judged], found: Figures) -> dict[str, Word]:
    """The worst word of a twist's own place and turn; twists that no limit concerns are left out."""
    kinds: set[FigureKind] = {"twist_position", "twist_angle"}
    words: dict[str, set[Word]] = {twist.id: set() for twist in found.twists}
    for one in judged:
        if one.figure.kind in kinds:
            words[one.figure.id].add(one.word)
    return {name: min(own, key=_WORST_FIRST.index) for name, own in words.items() if own}


def _settle(one: Judged, rule: Rule, view: str) -> Settle:
    """How much smaller the uncertainty must get for the guard band to fit between value and limit, and how."""
    figure = one.figure
    assert figure.value is not None
    assert figure.std is not None
    smaller = min(1.0, abs(one.limit - abs(figure.value)) / (2 * rule.guard * figure.std))
    if figure.kind == "size":
        return Settle(figure, smaller, None, "A surer scale may settle it: docs/scale.md says what gives one.")
    if _MOST_PHOTOS * smaller**2 < 1:
        return Settle(figure, smaller, None, "It lies at the limit itself: no photo is likely to settle it, you may.")
    count = max(2, math.ceil(1 / smaller**2))
    if view != "backlit":
        advice = f"One photo against the light, or {count} in all with the lamp on other sides, may settle it."
    elif smaller > 0.5:
        advice = f"{count} photos in all, the piece turned between them, may settle it."
    else:
        advice = f"Zoom in until the piece fills the picture, flatten it under glass, and take {count} photos in all."
    return Settle(figure, smaller, count, advice)
