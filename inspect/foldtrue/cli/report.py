"""foldtrue report: from a finished result to a page or a PDF that can be handed on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from foldtrue.cli.parts import FILE
from foldtrue.errors import UsageError

if TYPE_CHECKING:
    from foldtrue.report.page import PageOptions


@click.command()
@click.argument("result", type=FILE, metavar="RESULT")
@click.option("--html", type=FILE, metavar="FILE", help="The whole report as one page for any browser, pictures in it.")
@click.option("--pdf", type=FILE, metavar="FILE", help="One or two pages for a buyer or a class.")
@click.option(
    "--units", type=click.Choice(["mm", "inch"]), default="mm", show_default=True, help="What lengths are written in."
)
@click.option("--title", help="Title of the report; the plan's name without it.")
@click.option("--maker", help="Who folded the piece; nobody is named without it.")
@click.option("--date", "day", metavar="DATE", help="Date to stand on the report; today's without it.")
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    help="Paper of the PDF.",
)
def report(
    result: Path,
    html: Path | None,
    pdf: Path | None,
    units: Any,
    title: str | None,
    maker: str | None,
    day: str | None,
    paper: Any,
) -> None:
    """Make a report of RESULT, a folder that foldtrue piece wrote with --out, or its result.json alone, which has no
    picture to show. Nothing is measured anew.
    """
    if html is None and pdf is None:
        raise UsageError("Nothing was asked for.", "Say --html FILE, --pdf FILE, or both.")
    check_names(html, pdf)
    write_reports(result, html, pdf, page_options(units, title, maker, day), paper)


def check_names(html: Path | None, pdf: Path | None = None) -> None:
    """Refuse a name of another kind of file, which a slip would overwrite: the photo, the result."""
    for path, endings in ((html, (".html", ".htm")), (pdf, (".pdf",))):
        if path is not None and path.suffix.lower() not in endings:
            raise UsageError(f"{path.name} is no name for this report.", f"Give it one that ends in {endings[0]}.")


def page_options(units: Any, title: str | None = None, maker: str | None = None, day: str | None = None) -> PageOptions:
    """What the person chose, with today's date where none was given."""
    from datetime import date

    from foldtrue.report.page import PageOptions
    from foldtrue.report.units import Units

    chosen = date.today().isoformat() if day is None else day
    return PageOptions(date=chosen, title=title, maker=maker, units=Units(units))


def write_reports(result: Path, html: Path | None, pdf: Path | None, options: PageOptions, paper: Any = "A4") -> None:
    """Write the files asked for, and say so."""
    from foldtrue.piece_report import html_report, pdf_report, read_finished
    from foldtrue.report.files import write_whole

    found = read_finished(result)
    if html is not None:
        write_whole(html, html_report(found, options).encode())
        click.echo(f"{html} written.")
    if pdf is not None:
        write_whole(pdf, pdf_report(found, options, paper))
        click.echo(f"{pdf} written.")
