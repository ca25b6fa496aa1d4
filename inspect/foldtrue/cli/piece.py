"""foldtrue piece: measure a piece in a photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from foldtrue.cli.parts import FILE, Progress, point


@click.command()
@click.argument("photo", type=FILE)
@click.option("--plan", "plan_file", type=FILE, required=True, help="The plan file the piece was folded after.")
@click.option("--side", type=click.Choice(["front", "back"]), help="Side of the piece that faces the camera.")
@click.option(
    "--view",
    type=click.Choice(["auto", "backlit", "front", "back"]),
    default="auto",
    show_default=True,
    help="Lit from behind (backlit), or the front or back under a lamp or by a window; auto finds out.",
)
@click.option(
    "--at", callback=point, metavar="PX,PY", help="The piece's centre in the upright photo, where it cannot be told."
)
@click.option(
    "--sheet",
    type=click.Choice(["auto", "none", "A4", "Letter"], case_sensitive=False),
    default="auto",
    show_default=True,
    help="Blank sheet of paper under the piece, for its scale; auto looks for one.",
)
@click.option(
    "--out", type=FILE, help="Folder for result.json, twists.csv, pleats.csv and overlay.png; none without it."
)
def piece(
    photo: Path,
    plan_file: Path,
    side: Any,
    view: Any,
    at: tuple[float, float] | None,
    sheet: Any,
    out: Path | None,
) -> None:
    """Measure the finished piece in PHOTO and print its errors, the worst twist first.

    Result files of an earlier run in the --out folder are removed before the photo is read, so that a refused photo
    leaves no result.
    """
    from foldtrue.report.files import clear_results

    if out is not None:
        clear_results(out, inputs=(photo, plan_file))
    from foldtrue.inspection import InspectOptions, inspect_photo
    from foldtrue.plan.file import read_plan
    from foldtrue.report.result import result_record
    from foldtrue.report.tables import piece_text
    from foldtrue.report.write import write_report

    options = InspectOptions(view=view, side=side, at_px=at, sheet=sheet)
    with Progress() as progress:
        inspection = inspect_photo(photo, read_plan(plan_file), options, progress)
        progress("report")
        record = result_record(inspection) if out is None else write_report(inspection, out).record
    click.echo(piece_text(record))
