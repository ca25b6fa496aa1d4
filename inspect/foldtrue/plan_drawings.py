"""All drawings of a plan, for the command line and for web pages alike: from the folded plan to pages, SVG or PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from foldtrue.errors import UsageError
from foldtrue.handover import Nominal
from foldtrue.plan.file import Plan
from foldtrue.plan.fold import fold_plan
from foldtrue.plan.grid_lines import plan_grid
from foldtrue.plan.layer_regions import layer_regions
from foldtrue.printing.creases import draw_creases
from foldtrue.printing.drawing import Drawing, Page
from foldtrue.printing.folded import draw_folded
from foldtrue.printing.guide import guide_pages
from foldtrue.printing.light import draw_light
from foldtrue.printing.paper import PaperName, lay_out, paper_mm

DrawingName = Literal["creases", "front", "back", "light", "guide"]
DRAWINGS: tuple[DrawingName, ...] = get_args(DrawingName)


@dataclass(frozen=True, kw_only=True)
class DrawOptions:
    """paper: what the drawings are printed on, 'fit' for pages as large as each needs (the guide then takes A4).
    grid_lines: the crease pattern shows the grid's unused creases too. Raises UsageError for an unknown paper."""

    paper: PaperName = "fit"
    grid_lines: bool = False

    def __post_init__(self) -> None:
        paper_mm(self.paper)


def plan_pages(
    plan: Plan, what: Sequence[DrawingName], options: DrawOptions | None = None, nominal: Nominal | None = None
) -> tuple[Page, ...]:
    """The pages of the drawings asked for, in that order; to be written by `svg_text` or `pdf_bytes`.

    nominal: the plan folded, where it is known already. Raises PlanError when the plan cannot be folded, UsageError for
    an unknown drawing or more pages than anyone can join.
    """
    options = options or DrawOptions()
    nominal = nominal or fold_plan(plan)
    pages: list[Page] = []
    for name in what:
        if name == "guide":
            pages += guide_pages(nominal, plan_grid(plan), paper_mm(options.paper))
        else:
            pages += lay_out(_drawing(plan, nominal, name, options), options.paper)
    return tuple(pages)


def _drawing(plan: Plan, nominal: Nominal, name: DrawingName, options: DrawOptions) -> Drawing:
    if name == "creases":
        return draw_creases(nominal, plan_grid(plan) if options.grid_lines else None)
    if name == "front" or name == "back":
        return draw_folded(nominal, name)
    if name == "light":
        return draw_light(nominal, layer_regions(nominal))
    raise UsageError(f"There is no drawing called {name!r}.", f"Choose from {', '.join(DRAWINGS)}.")
