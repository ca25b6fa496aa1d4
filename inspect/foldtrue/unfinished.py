"""Photos of something else than was said, given to who measures finished pieces: of a piece lit otherwise, of the sheet
before it was folded, of a half-done piece. Say what they show, and what measures it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from foldtrue.errors import FoldtrueError, NotThisPiece

LIGHT = {
    "backlit": "against the light",
    "front": "from the front, lit from the camera's side",
    "back": "from the back, lit from the camera's side",
}

if TYPE_CHECKING:
    from foldtrue.handover import Photo
    from foldtrue.inspection import InspectOptions
    from foldtrue.plan.file import Plan


def unfinished(photo: Path, plan: Plan, options: InspectOptions) -> NotThisPiece | None:
    """What to say of a photo that shows the piece lit otherwise than was said, the sheet before it was folded, or half
    done; None where it shows none of these, or it cannot be told."""
    from foldtrue.inspection_grid import shows_unfolded_grid
    from foldtrue.inspection_ring import half_done
    from foldtrue.photo import read_photo

    try:
        shown = read_photo(photo)
        lit = _lit(shown, plan, options)
        if lit is not None:
            return lit
        stage = half_done(shown, plan, options)
        unfolded = stage is None and shows_unfolded_grid(shown, plan)
    except FoldtrueError:
        return None
    if stage is not None:
        return NotThisPiece(
            f"The picture shows the piece half done, {stage} folded.",
            "Measure it with: foldtrue ring PHOTO --plan PLAN",
        )
    if unfolded:
        return NotThisPiece(
            "The picture shows the creased sheet before it was folded.",
            "Measure it with: foldtrue grid PHOTO --plan PLAN",
        )
    return None


def _lit(photo: Photo, plan: Plan, options: InspectOptions) -> NotThisPiece | None:
    """What to say where a view was named and the whole plan lies in the picture as another view shows it: a half-done
    piece or a grid would else be seen in edges that light from the wrong side explains."""
    from foldtrue.plan.fold import fold_plan
    from foldtrue.rectify.piece import RectifyOptions, rectify_photo

    if options.view == "auto":
        return None
    try:
        plane = rectify_photo(photo, fold_plan(plan), RectifyOptions(view="auto", at_px=options.at_px))
    except FoldtrueError:
        return None
    if plane.view == options.view:
        return None
    return NotThisPiece(
        f"The picture shows the piece {LIGHT[plane.view]}, not {LIGHT[options.view]}.",
        f"Say --view {plane.view}.",
    )
