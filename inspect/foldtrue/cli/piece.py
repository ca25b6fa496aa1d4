"""foldtrue piece: measure a piece in a photo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from foldtrue.cli.judging import judging_options, read_choices, say_verdict
from foldtrue.cli.parts import FILE, Progress
from foldtrue.cli.photo import inspect_options, photo_options
from foldtrue.cli.report import check_names, page_options, write_reports
from foldtrue.errors import NotThisPiece, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from foldtrue.assess import Assessing
    from foldtrue.inspection import InspectOptions


@click.command()
@click.argument("photos", type=FILE, nargs=-1, required=True, metavar="PHOTO...")
@click.option("--plan", "plan_file", type=FILE, required=True, help="The plan file the piece was folded after.")
@photo_options
@click.option("--same-way-up", is_flag=True, help="With several photos: the piece lies the same way up in all of them.")
@judging_options
@click.option(
    "--out",
    type=FILE,
    help="Folder for result.json, twists.csv, pleats.csv, overlay.png, picture.jpg and touchup; none without it.",
)
@click.option("--html", type=FILE, metavar="FILE", help="With --out: the whole report as one page for any browser.")
def piece(
    photos: tuple[Path, ...],
    plan_file: Path,
    same_way_up: bool,
    tolerance_set: str,
    rule: str,
    guard: float | None,
    fail_outside: bool,
    out: Path | None,
    html: Path | None,
    **said: Any,
) -> None:
    """Measure the finished piece in PHOTO and print its errors, the worst twist first, the verdict by the limits given,
    and what is worth refolding.

    Several photos of one piece (light from several sides, the piece turned, front, back and against the light) are
    measured one by one and combined; each one's own results go to the folder photos in the --out folder.

    Result files of an earlier run in the --out folder are removed before a photo is read, so that a refused photo
    leaves no result.
    """
    from foldtrue.assess import assess_by
    from foldtrue.report.files import clear_photos, clear_report, clear_results, clear_touch_up

    assess = assess_by(*read_choices(tolerance_set, rule, guard))
    if html is not None:
        if out is None:
            raise UsageError("A report is made from a result's folder.", "Name one with --out.")
        check_names(html)
        clear_report(html)
    if out is not None:
        clear_touch_up(out)
        clear_results(out, inputs=(*photos, plan_file))
        clear_photos(out, inputs=(*photos, plan_file))
    from foldtrue.inspection import inspect_photo
    from foldtrue.plan.file import read_plan
    from foldtrue.report.result import result_record
    from foldtrue.report.tables import piece_text
    from foldtrue.report.write import write_report
    from foldtrue.unfinished import unfinished

    options = inspect_options(**said)
    if len(photos) > 1:
        together = _measure_together(photos, plan_file, options, same_way_up, out, assess)
        if together is not None:
            _tell(together, (out, html), fail_outside)
        return
    plan = read_plan(plan_file)
    with Progress() as progress:
        try:
            inspection = inspect_photo(photos[0], plan, options, progress)
        except NotThisPiece as error:
            raise unfinished(photos[0], plan, options) or error from None
        progress("report")
        if out is None:
            bare = result_record(inspection)
            record = {**bare, **assess(inspection, bare)}
        else:
            record = dict(write_report(inspection, out, assess=assess).record)
    click.echo(piece_text(record))
    _tell(record, (out, html), fail_outside)


def _tell(record: Mapping[str, Any], files: tuple[Path | None, Path | None], fail_outside: bool) -> None:
    """The report where one was asked for, the habits, and the verdict; files: the result's folder and the report."""
    from foldtrue.report.diagnosis import diagnosis_text

    out, html = files
    if out is not None and html is not None:
        write_reports(out, html, None, page_options("mm"))
    click.echo("")
    click.echo(diagnosis_text(record["diagnosis"]) + "\n")
    say_verdict(record["judgement"], fail_outside)


def _measure_together(
    photos: tuple[Path, ...],
    plan_file: Path,
    options: InspectOptions,
    same_way_up: bool,
    out: Path | None,
    assess: Assessing,
) -> Mapping[str, Any] | None:
    """Measure several photos of one piece and give its record. Where no figures of one piece come of them, each photo's
    are given all the same before that is said."""
    from foldtrue.inspection import inspect_photos
    from foldtrue.plan.file import read_plan
    from foldtrue.report.pooled import pooled_record, pooled_text, write_pooled

    with Progress() as progress:
        pooled = inspect_photos(photos, read_plan(plan_file), options, progress, same_way_up)
        progress("report")
        record = pooled_record(pooled) if out is None else write_pooled(pooled, out, assess)
        if out is None and record is not None and pooled.inspection is not None:
            record = {**record, **assess(pooled.inspection, record)}
    click.echo(pooled_text(pooled, record))
    if pooled.problem is not None:
        raise pooled.problem
    return record
