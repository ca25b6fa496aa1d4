"""The same story for a half-done piece: how far it has come, and the twists it has so far."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from foldtrue.errors import FoldtrueError, NotThisPiece, PhotoTooPoor, SiteAmbiguous, UsageError
from foldtrue.handover import Inspection, Nominal, Photo, Plane, Progress
from foldtrue.inspection import Clock, InspectOptions, mat_asked_for, measure_placed, rectify_options

if TYPE_CHECKING:
    from foldtrue.plan.file import Plan
    from foldtrue.plan.stages import Stage
    from foldtrue.rectify.piece import RectifyOptions

APART = 1.6
"""What the runner-up leaves unexplained must exceed what the best stage leaves by this factor, as one place in the
photo must against another (rectify/outcome.py)."""
MOST_TAKEN_UP = 1 / 3
"""Mean leverage of the twists on the camera's view (of 12 twists and eight freedoms it is a third) that passes without
a word."""
LEAST_TO_TELL = 0.75
"""Score from which a refused photo of a finished piece is called a half-done one."""


@dataclass(frozen=True, kw_only=True)
class RingOptions:
    """What the person says about how far the piece has come.

    rings: so many whole rings are folded; twists: these are, by id; neither: the photo tells it. Raises UsageError for
    both at once."""

    rings: int | None = None
    twists: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        if self.rings is not None and self.twists is not None:
            raise UsageError("Rings and twists are given.", "Leave one of --rings and --twists out.")

    @property
    def said(self) -> bool:
        return self.rings is not None or self.twists is not None


def inspect_ring(
    path: Path | str,
    plan: Plan,
    ring: RingOptions | None = None,
    options: InspectOptions | None = None,
    on_step: Callable[[str], None] | None = None,
) -> Inspection:
    """Measure the twists that a half-done piece has so far, in one photo.

    on_step is called with each step's name before it runs. Raises what `inspect_photo` raises; PlanError where the
    twists named do not lie flat by themselves; NotThisPiece where the photo shows another stage than was said, or no
    stage, or two stages alike; never reports a guess.
    """
    from foldtrue.photo import read_photo
    from foldtrue.plan.fold import fold_plan
    from foldtrue.plan.stages import rings_of

    ring, options = ring or RingOptions(), options or InspectOptions()
    clock = Clock(on_step)
    whole = clock.run("plan", fold_plan, plan)
    stages, said = clock.run("plan", _stages, plan, whole, ring)
    if said is not None:
        _check_enough(said)
    photo = clock.run("photo", read_photo, path)
    mat = clock.run("scale", mat_asked_for, photo, options)
    bare = photo if mat is None else mat.cleared
    found = clock.run("rectify", _fitting, bare, stages, rectify_options(options, photo, mat))
    stage, plane, rival = _decided(found, stages, said)
    _check_enough(stage)
    measured = measure_placed(Path(path), photo, stage.nominal, plane, options, clock, mat)
    progress = Progress(
        name=stage.name,
        rings=stage.rings,
        of_rings=rings_of(whole),
        said=ring.said,
        score=plane.score,
        rival=rival[0].name if rival else None,
        rival_score=rival[1].score if rival else 0.0,
        not_made=stage.not_made,
    )
    return replace(measured, plane=_warned(measured), progress=progress)


def _warned(measured: Inspection) -> Plane:
    """The plane, with a word where its own freedoms take up much of what the twists could tell of their places."""
    fit, plane = measured.fit, measured.plane
    few = float(fit.leverage[fit.measured].mean()) > MOST_TAKEN_UP
    return replace(plane, assumed=(*plane.assumed, "few_twists")) if few else plane


def half_done(photo: Photo, plan: Plan, options: InspectOptions) -> str | None:
    """In words how far the piece in a photo has come, where the photo plainly shows the plan half done; else None. For
    commands that measure finished pieces, to say what they were given."""
    from foldtrue.plan.fold import fold_plan
    from foldtrue.plan.stages import foldable_stages

    stages = [stage for stage in foldable_stages(plan, fold_plan(plan)) if not stage.finished]
    try:
        stage, plane, _ = _decided(_fitting(photo, stages, rectify_options(options, photo)), stages, None)
    except FoldtrueError:
        return None
    return stage.name if plane.score >= LEAST_TO_TELL else None


Fitting = dict[str, Plane | FoldtrueError]
Placed = tuple["Stage", Plane]


def _stages(plan: Plan, whole: Nominal, ring: RingOptions) -> tuple[list[Stage], Stage | None]:
    """All stages that the photo is compared with, and the one that the person named."""
    from foldtrue.plan.stages import foldable_stages, stage_of_rings, stage_of_twists

    said = None
    if ring.rings is not None:
        said = stage_of_rings(plan, whole, ring.rings)
    elif ring.twists is not None:
        said = stage_of_twists(plan, whole, ring.twists)
    stages = foldable_stages(plan, whole)
    made = {_made(stage) for stage in stages}
    if said is not None and _made(said) not in made:
        stages.append(said)
    elif said is not None:
        said = next(stage for stage in stages if _made(stage) == _made(said))
    return stages, said


def _made(stage: Stage) -> frozenset[str]:
    return frozenset(twist.id for twist in stage.nominal.twists)


def _fitting(photo: Photo, stages: Sequence[Stage], options: RectifyOptions) -> Fitting:
    """By each stage's name its place in the photo, or why it has none."""
    from foldtrue.rectify.piece import rectify_photo

    found: Fitting = {}
    for stage in stages:
        try:
            found[stage.name] = rectify_photo(photo, stage.nominal, options)
        except (NotThisPiece, PhotoTooPoor) as error:
            found[stage.name] = error
    return found


def _decided(found: Fitting, stages: Sequence[Stage], said: Stage | None) -> tuple[Stage, Plane, Placed | None]:
    """The stage to measure, its place, and the stage that comes next to it."""
    placed = [(stage, plane) for stage in stages if isinstance(plane := found[stage.name], Plane)]
    placed.sort(key=lambda pair: -pair[1].score)
    if said is not None:
        return _as_said(said, found[said.name], [pair for pair in placed if pair[0] is not said])
    if not placed:
        raise _why_none(list(found.values()))
    (stage, plane), rival = placed[0], placed[1] if len(placed) > 1 else None
    if rival is not None and 1 - rival[1].score < APART * (1 - plane.score):
        raise NotThisPiece(
            f"How far the piece has come cannot be told from the picture: {stage.name} and {rival[0].name} folded fit "
            f"it about alike ({plane.score:.2f} and {rival[1].score:.2f}).",
            "Say it with --rings or --twists.",
        )
    return stage, plane, rival


def _as_said(said: Stage, plane: Plane | FoldtrueError, others: list[Placed]) -> tuple[Stage, Plane, Placed | None]:
    """The stage that the person named, unless the photo plainly shows another one."""
    rival = others[0] if others else None
    better = rival is not None and (isinstance(plane, FoldtrueError) or 1 - plane.score > APART * (1 - rival[1].score))
    if better and rival is not None:
        raise NotThisPiece(
            f"The picture does not show {said.name} folded but rather {rival[0].name}.",
            "Leave out --rings and --twists, or name the twists that are folded.",
        )
    if isinstance(plane, FoldtrueError):
        raise plane
    return said, plane, rival


def _why_none(reasons: Sequence[Plane | FoldtrueError]) -> FoldtrueError:
    """The most telling reason that no stage has a place: one found but not decided, or too small, comes first."""
    for kind in (SiteAmbiguous, PhotoTooPoor):
        for reason in reasons:
            if isinstance(reason, kind):
                return reason
    return NotThisPiece(
        "The picture shows the plan at no stage: not finished, and with no number of whole rings folded.",
        "Check that the plan is this piece's; where only part of a ring is folded, name its twists with --twists.",
    )


def _check_enough(stage: Stage) -> None:
    """Raise PhotoTooPoor where the piece has too few twists so far to tell their errors from the camera's view."""
    from foldtrue.fit.lattice import LEAST_TWISTS

    count = len(stage.nominal.twists)
    if count < LEAST_TWISTS:
        raise PhotoTooPoor(
            f"{count} twists are too few to tell their errors from the camera's view; it takes {LEAST_TWISTS}.",
            "Fold on, and measure again.",
        )
