"""foldtrue plan draw: drawings of a plan to print."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from foldtrue.cli.parts import FILE
from foldtrue.errors import UsageError


@click.command("draw")
@click.argument("plan_file", metavar="PLAN", type=FILE)
@click.option(
    "--what",
    type=click.Choice(["creases", "front", "back", "light", "guide", "all"]),
    default="creases",
    show_default=True,
    help="Crease pattern, folded front or back, layers against the light, the guide for placing the twists, or all.",
)
@click.option(
    "--paper",
    type=click.Choice(["fit", "A4", "A3", "Letter"], case_sensitive=False),
    default="fit",
    show_default=True,
    help="Pages of a PDF: one as large as each drawing (fit), or paper, on several pages that join where it is small.",
)
@click.option("--grid-lines", is_flag=True, help="Crease pattern: show the grid's creases that stay flat too.")
@click.option("--out", type=FILE, required=True, help="File to write, .pdf or .svg.")
def plan_draw(plan_file: Path, what: str, paper: Any, grid_lines: bool, out: Path) -> None:
    """Draw PLAN at true size, to print: valley folds dashed, mountain folds dash-dot, all in black.

    A drawing larger than the paper comes on several pages of a PDF, with marks to join them and a page that shows how.
    """
    form = out.suffix.lower()
    if form not in (".pdf", ".svg"):
        raise UsageError(
            f"{out.name} is neither a PDF nor an SVG file.", "Give --out a name that ends in .pdf or .svg."
        )
    if form == ".svg" and paper != "fit" and what != "guide":
        raise UsageError("An SVG file is not cut up into pages.", "Give --out a name that ends in .pdf.")
    from foldtrue.plan.file import read_plan
    from foldtrue.plan_drawings import DRAWINGS, DrawOptions, plan_pages
    from foldtrue.printing.pdf import pdf_bytes
    from foldtrue.printing.svg import svg_text
    from foldtrue.printing.words import counted
    from foldtrue.report.files import write_whole

    names: Any = DRAWINGS if what == "all" else (what,)
    pages = plan_pages(read_plan(plan_file), names, DrawOptions(paper=paper, grid_lines=grid_lines))
    write_whole(out, pdf_bytes(pages) if form == ".pdf" else svg_text(pages).encode())
    if form == ".pdf":
        click.echo(f"{counted(len(pages), 'page')}. Print at 100 % and check the 100 mm line.")
