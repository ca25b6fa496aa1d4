"""What is printed on the mat's sheet and on the page of instructions that comes with it."""

from __future__ import annotations

from collections.abc import Sequence

from foldtrue.mat import Mat

UP = "UP"
CUT = "cut along the dashed line and take the middle out"


def bar_words(designed_mm: float) -> str:
    """Beside a bar: what to do with it."""
    between = "from the middle of one end stroke to the middle of the other"
    return f"designed {designed_mm:g} mm {between}; measured ________ mm"


def place_words(mat: Mat) -> str:
    """In the margin: what this sheet is and where the piece goes."""
    across, down = mat.free_mm
    return f"Mat {mat.paper}: piece inside the frame ({across:g} x {down:g} mm), its own up towards the arrow."


def title(mat: Mat, cut_out: bool) -> str:
    return f"Mat {mat.paper}, frame for light from behind" if cut_out else f"Mat {mat.paper}"


def instructions(mat: Mat, cut_out: bool) -> Sequence[tuple[str, Sequence[str]]]:
    """Headings with their steps, in the order of the work."""
    bottom, left = mat.bars_mm
    printing = (
        "Print page 1 alone at 100 % (actual size); switch off 'fit to page' and every other scaling.",
        f"Measure both bars with a good steel rule to a quarter of a millimetre: {bottom:g} mm along the bottom, "
        f"{left:g} mm along the left side, as designed. Printers are off by a per cent or so.",
        "Give what you read when you measure a photo, bottom bar first: on the page, or with "
        f"foldtrue piece PHOTO --plan PLAN --bars {bottom:g},{left:g}. "
        "Without it sizes are uncertain by some per cent, whatever the photo.",
        "Every print has lengths of its own, and paper grows when it is damp: measure the sheet that you use.",
    )
    return (("Print and measure", printing), ("Photograph", _photograph(cut_out)), ("Take care", _cautions(cut_out)))


def _photograph(cut_out: bool) -> Sequence[str]:
    if cut_out:
        laying = (
            "Cut along the dashed line with a knife and a steel rule, and take the middle out.",
            "Tape the frame flat to the light table or window pane and lay or tape the piece inside it, its own up "
            "towards the arrow. Nothing may lie between the frame and the table.",
        )
    else:
        laying = (
            "Tape the sheet flat on a firm table by its four corners: a mat that bulges measures wrong.",
            "Lay the piece inside the frame, its own up towards the arrow.",
        )
    return (
        *laying,
        "Photograph from straight above, as far off as the zoom allows, all of the frame in the picture. Some markers "
        "may be hidden, but not two whole sides.",
        "One light from one side is best for folds; no shadow of your own across the frame.",
    )


def _cautions(cut_out: bool) -> Sequence[str]:
    blade = (
        "Blades: cut away from you, fingers behind the rule, on a cutting board. Retract the blade after each cut.",
    )
    return (
        "Hot lamps scorch and can light paper: keep halogen and other hot lamps half a metre off, never leave them on "
        "unattended, use a cool one where you can.",
        *(blade if cut_out else ()),
        "This is a help for folding, not a certified measurement.",
    )
