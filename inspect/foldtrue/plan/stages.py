"""Half-done pieces: the plan with only some of its twists folded, which is itself a plan that folds flat or does not.

Where the next twist is missing, a pleat runs straight on to the rim; the rest of the sheet is flat cells. The twists
keep the ids, rings and hands of the whole plan. Panels are made after the twists, so a half-done piece has none; pleats
without a twist count as folded.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from foldtrue.errors import PlanError, UsageError
from foldtrue.handover import Nominal, Twist
from foldtrue.plan.file import Plan
from foldtrue.plan.fold import fold_plan

_AFTER_THE_TWISTS = {"panels": None, "unmodelled": None}


@dataclass(frozen=True)
class Stage:
    """How far a piece has come.

    name: in words, as in "rings 1 to 2". rings: how many whole rings are folded, None where it is a choice of twists.
    nominal: the plan folded so far. not_made: the whole plan's other twists, in plan order.
    """

    name: str
    rings: int | None
    nominal: Nominal
    not_made: tuple[Twist, ...]

    @property
    def finished(self) -> bool:
        return not self.not_made


def stage_of_twists(plan: Plan, whole: Nominal, ids: Iterable[str]) -> Stage:
    """The piece with these twists folded; whole: the plan, all of it folded.

    Raises UsageError for an id the plan has not, or none at all, and PlanError, the twists named, where these alone do
    not fold flat.
    """
    wanted = list(dict.fromkeys(ids))
    known = {twist.id for twist in whole.twists}
    for name in wanted:
        if name not in known:
            raise UsageError(f"The plan has no twist {name!r}.", f"Its ids run from t0 to t{len(known) - 1}.")
    if not wanted:
        raise UsageError("No twist is named.", "Name those that are folded, as in t0,t1,t2.")
    return _stage(plan, whole, _listed(wanted), None, set(wanted))


def stage_of_rings(plan: Plan, whole: Nominal, rings: int) -> Stage:
    """The piece with its innermost rings folded; whole: the plan, all of it folded.

    Raises UsageError for a number of rings the plan has not, and PlanError, the twists named, where these rings alone
    do not fold flat.
    """
    last = rings_of(whole)
    if not 1 <= rings <= last:
        raise UsageError(f"The plan has no ring {rings}.", f"Its rings are 1 to {last}." if last > 1 else "It has one.")
    name = f"ring {rings}" if rings == 1 else f"rings 1 to {rings}"
    return _stage(plan, whole, name, rings, {twist.id for twist in whole.twists if twist.ring <= rings})


def rings_of(whole: Nominal) -> int:
    """How many rings the whole plan has."""
    return max(twist.ring for twist in whole.twists)


def foldable_stages(plan: Plan, whole: Nominal) -> list[Stage]:
    """Every number of whole rings that folds flat by itself, the finished piece last."""
    stages = []
    for rings in range(1, rings_of(whole) + 1):
        try:
            stages.append(stage_of_rings(plan, whole, rings))
        except PlanError:  # such a ring lies flat only once the next one holds it
            continue
    return stages


def _stage(plan: Plan, whole: Nominal, name: str, rings: int | None, made: set[str]) -> Stage:
    not_made = tuple(twist for twist in whole.twists if twist.id not in made)
    if not not_made:
        return Stage("all rings", rings_of(whole), whole, ())
    try:
        folded = fold_plan(plan.model_copy(update=_AFTER_THE_TWISTS), made)
    except PlanError as error:
        what = error.what[0].lower() + error.what[1:] if error.what.startswith(("The ", "It ")) else error.what
        raise PlanError(
            f"With only {name} folded the sheet does not lie flat: {what}",
            "Such a piece cannot be measured yet: fold on until its twists lie flat by themselves.",
            error.twists,
        ) from None
    ring = {twist.id: twist.ring for twist in whole.twists}
    twists = tuple(replace(twist, ring=ring[twist.id]) for twist in folded.twists)
    return Stage(name, rings, replace(folded, twists=twists, plan_sha256=whole.plan_sha256), not_made)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
