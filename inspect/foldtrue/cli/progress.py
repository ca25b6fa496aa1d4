"""foldtrue progress: is it getting better, and is that more than chance?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from foldtrue.cli.parts import FILE
from foldtrue.cli.record import chosen_by, filter_options, open_record, record_option


@click.command()
@filter_options
@click.option(
    "--out", type=FILE, metavar="FILE.html", help="Write a page with charts, and its figures beside it as FILE.json."
)
@record_option
def progress(out: Path | None, record_file: Path | None, **options: Any) -> None:
    """Say whether recorded pieces get better, at what, and whether that is more than chance.

    Finished pieces are compared, or those of --stage ring or grid. 'Not enough pieces to say' is an answer:
    docs/progress.md has the rule, and the definition of every figure.
    """
    from foldtrue.progress.judge import see_progress
    from foldtrue.progress.page import progress_page
    from foldtrue.progress.wording import progress_record, progress_text
    from foldtrue.report.files import write_whole

    if out is not None and out.suffix.lower() not in (".html", ".htm"):
        raise click.UsageError("The page's name must end in .html.")
    stage: Any = options["stage"] or "piece"
    if stage == "sheet":
        raise click.UsageError("Cut sheets are recorded, but not compared: choose --stage grid, ring or piece.")
    with open_record(record_file) as kept:
        found = see_progress(kept.find(chosen_by({**options, "stage": stage})), stage)
    click.echo(progress_text(found))
    if out is not None:
        write_whole(out, progress_page(found).encode())
        text = json.dumps(progress_record(found), ensure_ascii=False, allow_nan=False, indent=1)
        write_whole(out.with_suffix(".json"), (text + "\n").encode())
