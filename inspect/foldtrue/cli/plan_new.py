"""foldtrue plan new: a plan from a few words, or step by step, or for a wanted size."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from foldtrue.cli.parts import FILE
from foldtrue.cli.plan_words import each, once
from foldtrue.errors import PlanError

if TYPE_CHECKING:
    from foldtrue.plan.new import PlanWords

_SHEETS = ["hexagon", "square", "rectangle", "polygon"]
_GRIDS = ["point-to-point", "edge-to-edge", "rotated", "pitch"]
_TWISTS = ["triangle", "mixed", "rhombi", "clusters"]
_BORDERS = ["trimmed", "full", "rings", "open"]


@click.command("new")
@click.option("--ask", is_flag=True, help="Ask step by step; other options given become the answers offered.")
@click.option("--finished-size", type=float, metavar="MM", help="Wanted finished height: find the sheet for it.")
@click.option("--sheet", type=click.Choice(_SHEETS), default="hexagon", show_default=True, help="Its shape.")
@click.option("--height", type=float, metavar="MM", help="Flat-to-flat height of a hexagon, height of a rectangle.")
@click.option("--side", type=float, metavar="MM", help="Side of a hexagon or a square.")
@click.option("--width", type=float, metavar="MM", help="Width of a rectangle.")
@click.option(
    "--corners", metavar="X,Y ...", callback=once("read_corners"), help="Corners of a convex polygon around 0,0, mm."
)
@click.option("--grid", type=click.Choice(_GRIDS), help="What is divided; the sheet's most usual grid if not given.")
@click.option(
    "--divisions", type=int, help="Number of divisions from edge to edge or point to point; 16 or 32 if not given."
)
@click.option("--slope", metavar="M,N", callback=once("read_slope"), help="Rotated grid: first side in pitches.")
@click.option("--pitch", type=float, metavar="MM", help="Side of the grid's small triangle.")
@click.option(
    "--start", type=click.Choice(["centre", "corner"]), help="Where the grid has a point; centre if not given."
)
@click.option("--twists", type=click.Choice(_TWISTS), help="What is folded; triangle if not given.")
@click.option("--spacing", type=float, help="Distance of neighbouring twists, in grid pitches.")
@click.option("--every", type=float, help="Distance of neighbouring clusters, in grid pitches.")
@click.option("--rings", type=int, help="Number of complete rings; as many as fit if not given.")
@click.option("--first-hand", type=click.Choice(["ccw", "cw"]), help="Of twist t0; ccw if not given.")
@click.option("--width-rows", type=float, help="Width of the pleats in rows of the grid; 1 if not given.")
@click.option(
    "--twist", multiple=True, metavar="KIND,I,J,HAND,...", callback=each("read_twist"), help="One twist; repeatable."
)
@click.option(
    "--step",
    multiple=True,
    metavar="I,J",
    callback=each("read_place"),
    help="Twice: repeat the listed twists along it.",
)
@click.option("--border", type=click.Choice(_BORDERS), help="How the twists end at the rim, see docs/plan-file.md.")
@click.option(
    "--leave-out", multiple=True, metavar="I,J", callback=each("read_place"), help="Grid place without its twist."
)
@click.option(
    "--pleat",
    "pleats",
    multiple=True,
    metavar="I,J,TURN,HAND,...",
    callback=each("read_pleat"),
    help="Pleat without a twist.",
)
@click.option(
    "--corner-pleats", type=click.IntRange(0, 50), default=0, help="So many pleats across each corner of the sheet."
)
@click.option("--name", help="Name of the plan; made from the sizes if not given.")
@click.option("--out", type=FILE, help="Plan file to write; needed unless --ask or only a table is wanted.")
def plan_new(ask: bool, finished_size: float | None, out: Path | None, **said: Any) -> None:
    """Write a plan file from a few words, after checking that it folds flat.

    With --finished-size and no size of the sheet, the sheet is chosen for it and the practical choices near it are
    shown; without --out nothing is written.
    """
    from foldtrue.plan.new import PlanWords

    words = PlanWords(**said)
    if ask:
        if finished_size is not None:
            raise click.UsageError("--ask does not go with --finished-size: ask for the table first.")
        from foldtrue.cli.ask import ask_plan

        ask_plan(words, out)
        return
    if finished_size is not None:
        words = _sized(words, finished_size, write=out is not None)
    elif out is None:
        raise click.UsageError("Missing option '--out', the plan file to write.")
    if out is not None:
        write_new(words, out)


def write_new(words: PlanWords, out: Path) -> None:
    """Make, check, write and describe."""
    from foldtrue.plan.file import write_plan
    from foldtrue.plan.new import make_plan
    from foldtrue.plan.summary import check_plan, summary_text

    made = make_plan(words)
    summary = check_plan(made.plan)
    write_plan(made.plan, out)
    click.echo("\n".join([summary_text(summary), *made.notes]))


def _sized(words: PlanWords, finished_mm: float, write: bool) -> PlanWords:
    """Show the practical choices; give the words with the sheet that gives the size, where a plan is to be written."""
    from foldtrue.plan.choices import choices_text, nearest_choices, sheet_for
    from foldtrue.plan.new import make_plan, sheet_size

    if not 0 < finished_mm < 5000:
        raise click.UsageError(f"--finished-size is a height in mm between 0 and 5000, not {finished_mm:g}.")
    settled = sheet_for(words, finished_mm) if write else None
    click.echo(f"Practical choices for a piece {finished_mm:g} mm high:")
    click.echo(choices_text(nearest_choices(words, finished_mm)))
    if settled is None and sheet_size(words) is None:
        with suppress(PlanError):  # what was left open may not fold as it is filled in; the table says what does
            settled = sheet_for(words, finished_mm)
    if settled is not None:
        click.echo(f"For exactly {finished_mm:g} mm: {make_plan(settled).plan.name}.")
    return settled or words
