"""foldtrue piece: measure a piece in a photo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click

from foldtrue.cli.judging import judge_with, judging_options, read_choices, say_verdict
from foldtrue.cli.parts import FILE, Corners, Progress, corners_options, point
from foldtrue.errors import FoldtrueError, NotThisPiece
from foldtrue.references import Asked

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from foldtrue.inspection import InspectOptions


@click.command()
@click.argument("photos", type=FILE, nargs=-1, required=True, metavar="PHOTO...")
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
    "--reference",
    type=click.Choice(get_args(Asked), case_sensitive=False),
    default="auto",
    show_default=True,
    help="Thing of known size in the picture: a scan's resolution, any card of 85.60 x 53.98 mm beside the piece "
    "(blank side up), a blank sheet under it; auto looks for one.",
)
@click.option("--dpi", type=float, help="Resolution of a scan, where its file does not say it or is wrong.")
@corners_options
@click.option(
    "--held",
    type=click.Choice(["free", "glass", "window"]),
    default="free",
    show_default=True,
    help="How the piece was held: lying or hanging free, under a pane of glass, or taped flat to a window.",
)
@click.option("--same-way-up", is_flag=True, help="With several photos: the piece lies the same way up in all of them.")
@judging_options
@click.option(
    "--out",
    type=FILE,
    help="Folder for result.json, twists.csv, pleats.csv, overlay.png and touchup; none without it.",
)
def piece(
    photos: tuple[Path, ...],
    plan_file: Path,
    side: Any,
    view: Any,
    at: tuple[float, float] | None,
    reference: Any,
    dpi: float | None,
    corners: Corners | None,
    corners_mm: tuple[float, float] | None,
    held: Any,
    same_way_up: bool,
    tolerance_set: str,
    rule: str,
    guard: float | None,
    fail_outside: bool,
    out: Path | None,
) -> None:
    """Measure the finished piece in PHOTO and print its errors, the worst twist first, the verdict by the limits given,
    and what is worth refolding.

    Several photos of one piece (light from several sides, the piece turned, front, back and against the light) are
    measured one by one and combined; each one's own results go to the folder photos in the --out folder.

    Result files of an earlier run in the --out folder are removed before a photo is read, so that a refused photo
    leaves no result.
    """
    from foldtrue.report.files import clear_photos, clear_results, clear_touch_up

    judged = judge_with(*read_choices(tolerance_set, rule, guard))
    if out is not None:
        clear_touch_up(out)
        clear_results(out, inputs=(*photos, plan_file))
        clear_photos(out, inputs=(*photos, plan_file))
    from foldtrue.inspection import InspectOptions, inspect_photo
    from foldtrue.plan.file import read_plan
    from foldtrue.report.result import result_record
    from foldtrue.report.tables import piece_text
    from foldtrue.report.write import write_report

    scale = {"reference": reference, "dpi": dpi, "corners_px": corners, "corners_mm": corners_mm}
    options = InspectOptions(view=view, side=side, at_px=at, held=held, **scale)
    if len(photos) > 1:
        _measure_together(photos, plan_file, options, same_way_up, out, judged, fail_outside)
        return
    with Progress() as progress:
        try:
            inspection = inspect_photo(photos[0], read_plan(plan_file), options, progress)
        except NotThisPiece as error:
            raise _unfolded(photos[0], plan_file) or error from None
        progress("report")
        record = result_record(inspection) if out is None else write_report(inspection, out, judge=judged).record
    click.echo(piece_text(record) + "\n")
    say_verdict(judged(record) if out is None else record["judgement"], fail_outside)


def _unfolded(photo: Path, plan_file: Path) -> NotThisPiece | None:
    """What to say of a photo that shows the sheet before it was folded; None where it does not, or cannot be told."""
    from foldtrue.inspection_grid import shows_unfolded_grid
    from foldtrue.photo import read_photo
    from foldtrue.plan.file import read_plan

    try:
        if not shows_unfolded_grid(read_photo(photo), read_plan(plan_file)):
            return None
    except FoldtrueError:
        return None
    return NotThisPiece(
        "The picture shows the creased sheet before it was folded.", "Measure it with: foldtrue grid PHOTO --plan PLAN"
    )


def _measure_together(
    photos: tuple[Path, ...],
    plan_file: Path,
    options: InspectOptions,
    same_way_up: bool,
    out: Path | None,
    judged: Callable[[Mapping[str, Any]], Mapping[str, Any]],
    fail_outside: bool,
) -> None:
    """Measure several photos of one piece. Where no figures of one piece come of them, each photo's are given all the
    same before that is said."""
    from foldtrue.inspection import inspect_photos
    from foldtrue.plan.file import read_plan
    from foldtrue.report.pooled import pooled_record, pooled_text, write_pooled

    with Progress() as progress:
        pooled = inspect_photos(photos, read_plan(plan_file), options, progress, same_way_up)
        progress("report")
        record = pooled_record(pooled) if out is None else write_pooled(pooled, out, judged)
    click.echo(pooled_text(pooled, record))
    if pooled.problem is not None:
        raise pooled.problem
    if record is not None:
        click.echo("")
        say_verdict(judged(record) if out is None else record["judgement"], fail_outside)
