"""foldtrue sheet: measure the cut edges of a sheet that is not folded yet."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from foldtrue.cli.parts import FILE, Corners, Progress, corners_options


@click.command()
@click.argument("photo", type=FILE)
@click.option("--plan", "plan_file", type=FILE, help="The plan file the sheet was cut for.")
@click.option(
    "--height", type=float, metavar="MM", help="Flat-to-flat height of a hexagon, where there is no plan yet."
)
@click.option("--dpi", type=float, help="The picture is a scan of so many dots per inch: gives true lengths.")
@corners_options
@click.option("--out", type=FILE, help="Folder for sheet.json; none without it.")
def sheet(
    photo: Path,
    plan_file: Path | None,
    height: float | None,
    dpi: float | None,
    corners: Corners | None,
    corners_mm: tuple[float, float] | None,
    out: Path | None,
) -> None:
    """Measure sides, corners and heights of the unfolded sheet in PHOTO, and what to trim.

    A result file of an earlier run in the --out folder is removed before the photo is read, so that a refused photo
    leaves no result.
    """
    from foldtrue.report.files import SHEET_FILES, clear_results

    if (plan_file is None) == (height is None):
        raise click.UsageError("Give either --plan or --height, one of the two.")
    if out is not None:
        clear_results(out, (photo, *([plan_file] if plan_file else [])), SHEET_FILES, "foldtrue-sheet")
    from foldtrue.inspection import InspectOptions
    from foldtrue.inspection_grid import inspect_sheet
    from foldtrue.plan.file import read_plan
    from foldtrue.rectify.reference import located_reference
    from foldtrue.report.sheet import sheet_record, sheet_text, write_sheet_report

    with Progress() as progress:
        asked = read_plan(plan_file) if plan_file is not None else float(height or 0.0)
        said = InspectOptions(
            reference="auto" if dpi is None else "scan", dpi=dpi, corners_px=corners, corners_mm=corners_mm
        )
        known = partial(located_reference, asked=said.asked, dpi=dpi, corners_px=corners, corners_mm=corners_mm)
        inspection = inspect_sheet(photo, asked, None if said.asked == "auto" else known, progress)
        progress("report")
        record = sheet_record(inspection) if out is None else write_sheet_report(inspection, out)
    click.echo(sheet_text(record))
