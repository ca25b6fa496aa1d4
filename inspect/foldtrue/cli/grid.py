"""foldtrue grid: measure the grid of creases on a sheet that is not folded yet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from foldtrue.cli.parts import FILE, Progress


@click.command()
@click.argument("photo", type=FILE)
@click.option("--plan", "plan_file", type=FILE, required=True, help="The plan file whose grid was creased.")
@click.option("--out", type=FILE, help="Folder for grid.json and grid.png; none without it.")
@click.option(
    "--view",
    type=click.Choice(["auto", "backlit", "front"]),
    default="auto",
    show_default=True,
    help="Lit from behind (backlit), or from the camera's side, low across the creases; auto finds out.",
)
def grid(photo: Path, plan_file: Path, out: Path | None, view: Any) -> None:
    """Measure every line of the pre-creased grid in PHOTO, before any twist, and say whether it is worth going on.

    Result files of an earlier run in the --out folder are removed before the photo is read, so that a refused photo
    leaves no result.
    """
    from foldtrue.report.files import GRID_FILES, clear_results

    if out is not None:
        clear_results(out, (photo, plan_file), GRID_FILES, "foldtrue-grid")
    from foldtrue.inspection_grid import GridOptions, inspect_grid
    from foldtrue.plan.file import read_plan
    from foldtrue.report.grid import grid_record, grid_text, write_grid_report

    with Progress() as progress:
        inspection = inspect_grid(photo, read_plan(plan_file), GridOptions(view=view), progress)
        progress("report")
        record = grid_record(inspection) if out is None else write_grid_report(inspection, out)
    click.echo(grid_text(record))
