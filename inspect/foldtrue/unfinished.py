"""Photos of what is no finished piece yet, given to who measures finished pieces: say what they show, and what
measures it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from foldtrue.errors import FoldtrueError, NotThisPiece

if TYPE_CHECKING:
    from foldtrue.inspection import InspectOptions
    from foldtrue.plan.file import Plan


def unfinished(photo: Path, plan: Plan, options: InspectOptions) -> NotThisPiece | None:
    """What to say of a photo that shows the sheet before it was folded, or half done; None where it shows neither, or
    it cannot be told."""
    from foldtrue.inspection_grid import shows_unfolded_grid
    from foldtrue.inspection_ring import half_done
    from foldtrue.photo import read_photo

    try:
        shown = read_photo(photo)
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
