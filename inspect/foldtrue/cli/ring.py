"""foldtrue ring: measure a half-done piece before more is built on it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from foldtrue.cli.parts import FILE, Progress
from foldtrue.cli.photo import inspect_options, photo_options


@click.command()
@click.argument("photo", type=FILE)
@click.option("--plan", "plan_file", type=FILE, required=True, help="The plan of the finished piece.")
@click.option(
    "--rings", type=click.IntRange(1), help="So many whole rings are folded; the picture tells it if not given."
)
@click.option(
    "--twists", metavar="t0,t1,...", help="The twists that are folded, where they are no number of whole rings."
)
@photo_options
@click.option(
    "--out", type=FILE, help="Folder for result.json, twists.csv, pleats.csv and overlay.png; none without it."
)
def ring(
    photo: Path,
    plan_file: Path,
    rings: int | None,
    twists: str | None,
    out: Path | None,
    **said: Any,
) -> None:
    """Measure the twists that a half-done piece in PHOTO has so far, while mending is still cheap.

    The rest of the sheet is flat: its twists are listed as not made. Result files of an earlier run in the --out folder
    are removed before the photo is read, so that a refused photo leaves no result.
    """
    from foldtrue.report.files import clear_results

    if out is not None:
        clear_results(out, inputs=(photo, plan_file))
    from foldtrue.inspection_ring import RingOptions, inspect_ring
    from foldtrue.plan.file import read_plan
    from foldtrue.report.result import result_record
    from foldtrue.report.ring import ring_text
    from foldtrue.report.write import write_report

    options = inspect_options(**said)
    named = None if twists is None else tuple(part.strip() for part in twists.split(",") if part.strip())
    with Progress() as progress:
        inspection = inspect_ring(
            photo, read_plan(plan_file), RingOptions(rings=rings, twists=named), options, progress
        )
        progress("report")
        record = result_record(inspection) if out is None else write_report(inspection, out).record
    click.echo(ring_text(record, inspection.nominal))
