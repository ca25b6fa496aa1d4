"""foldtrue plan: make, check and draw a plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from foldtrue.cli.draw import plan_draw
from foldtrue.cli.parts import FILE

if TYPE_CHECKING:
    from foldtrue.plan.summary import PlanSummary


@click.group()
def plan() -> None:
    """Make, check and draw the plan a piece is folded after."""


@plan.command("new")
@click.option("--sheet", type=click.Choice(["hexagon"]), default="hexagon", show_default=True, help="Its shape.")
@click.option("--height", type=float, required=True, help="Flat-to-flat height of the sheet, mm.")
@click.option("--grid", type=click.Choice(["point-to-point", "edge-to-edge"]), required=True, help="What is divided.")
@click.option("--divisions", type=int, required=True, help="Number of divisions, even.")
@click.option("--twists", type=click.Choice(["triangle"]), default="triangle", show_default=True, help="Kind of twist.")
@click.option("--spacing", type=int, required=True, help="Distance of neighbouring twists, in grid pitches.")
@click.option("--rings", type=int, required=True, help="Number of complete rings of twists.")
@click.option("--first-hand", type=click.Choice(["ccw", "cw"]), default="ccw", show_default=True, help="Of twist t0.")
@click.option("--name", help="Name of the plan; made from the sizes if not given.")
@click.option("--out", type=FILE, required=True, help="Plan file to write.")
def plan_new(out: Path, **choices: Any) -> None:
    """Write a plan file for a honeycomb of twists on a hexagonal sheet, after checking that it folds flat."""
    from foldtrue.plan.file import parse_plan, write_plan
    from foldtrue.plan.summary import check_plan

    made = parse_plan(plan_content(**choices))
    summary = check_plan(made)
    write_plan(made, out)
    click.echo(_plan_text(summary))


def plan_content(
    *, sheet: str, height: float, grid: str, divisions: int, spacing: int, rings: int, first_hand: str, **rest: Any
) -> dict[str, Any]:
    name = rest["name"] or f"{sheet} {height:g} mm, {grid} {divisions}, spacing {spacing}, rings {rings}"
    return {
        "format": "foldtrue-plan",
        "version": 1,
        "name": name,
        "sheet": {"shape": sheet, "height_mm": height},
        "grid": {"kind": grid, "divisions": divisions},
        "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings, "first_hand": first_hand},
    }


def _plan_text(summary: PlanSummary) -> str:
    x, y = summary.first_twist_mm
    shares = ", ".join(f"{100 * share:.0f} % in {count}" for count, share in sorted(summary.layer_shares.items()))
    return "\n".join(
        (
            f"{summary.name}: folds flat. {summary.twists} twists, {summary.facets} facets.",
            f"Grid pitch {summary.pitch_mm:.2f} mm, lines {summary.row_mm:.2f} mm apart.",
            f"First twist t0: {x + 0.0:.1f} mm right of and {y + 0.0:.1f} mm above the sheet's centre.",
            f"Finished piece: height {summary.finished_height_mm:.1f} mm, width {summary.finished_width_mm:.1f} mm.",
            f"Layers: {summary.mean_layers:.2f} on the average; {shares}.",
        )
    )


@plan.command("check")
@click.argument("plan_file", metavar="PLAN", type=FILE)
def plan_check(plan_file: Path) -> None:
    """Say whether PLAN folds flat, and what comes out."""
    from foldtrue.plan.file import read_plan
    from foldtrue.plan.summary import check_plan

    click.echo(_plan_text(check_plan(read_plan(plan_file))))


plan.add_command(plan_draw)
