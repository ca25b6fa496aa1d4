"""The crease pattern: the sheet before folding, seen from its front."""

from __future__ import annotations

from foldtrue.handover import Nominal
from foldtrue.handover_grid import PlannedGrid
from foldtrue.printing.cautions import BLADE
from foldtrue.printing.drawing import Drawing, bounds
from foldtrue.printing.fold_lines import fold_stroke, line_key, rim_stroke, unused_creases
from foldtrue.printing.twist_marks import hand_key, twist_marks
from foldtrue.printing.words import counted


def draw_creases(nominal: Nominal, grid: PlannedGrid | None = None) -> Drawing:
    """Every fold once, named, valley or mountain as seen from the front; the rim; names and hands of the twists.

    grid: its creases that no fold uses are drawn too, thin and solid.
    """
    sheet = nominal.vertices_sheet_mm
    creases = nominal.creases
    folds = tuple(
        fold_stroke(sheet[ends], kind, name)
        for name, ends, kind in zip(creases.ids, creases.ends, creases.kind.tolist(), strict=True)
        if kind != "R"
    )
    polygons = [sheet[list(twist.tips)] for twist in nominal.twists]
    marks = twist_marks(polygons, [t.id for t in nominal.twists], [t.hand for t in nominal.twists])
    unused = unused_creases(nominal, grid) if grid is not None else ()
    low, high = bounds(nominal.sheet_outline_mm)
    return Drawing(
        kind="creases",
        title=f"Crease pattern: {nominal.name}",
        about=f"Unfolded sheet seen from its front. Grid pitch {nominal.pitch_mm:.2f} mm, lines "
        f"{nominal.row_mm:.2f} mm apart. {counted(len(nominal.twists), 'twist')}.",
        low=low,
        high=high,
        marks=(*unused, *folds, rim_stroke(nominal.sheet_outline_mm), *marks),
        key=(*line_key(grid is not None), *hand_key()),
        cautions=(BLADE,),
    )
