"""foldtrue mat: the printed mat as a PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from foldtrue.cli.parts import FILE


@click.command()
@click.option(
    "--paper",
    type=click.Choice(["A4", "A3", "Letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    help="Size of the paper; the piece must fit inside the frame: 150 x 230 mm (A4), 150 x 210 (Letter), 210 x 322 "
    "(A3).",
)
@click.option("--cut-out", is_flag=True, help="A frame with its middle cut out, for a light table or a window.")
@click.option("--out", type=FILE, required=True, help="PDF file to write.")
def mat(paper: Any, cut_out: bool, out: Path) -> None:
    """Write the mat that gives a photo its true size: a frame of markers around the place of the piece.

    Print page 1 at 100 %, measure its two bars with a rule, and give what you read with --bars.
    """
    from foldtrue.mat import MATS
    from foldtrue.printing.mat import mat_pdf
    from foldtrue.report.files import write_whole

    chosen = MATS[paper]
    write_whole(out, mat_pdf(chosen, cut_out=cut_out))
    bottom, left = chosen.bars_mm
    click.echo(f"Print page 1 of {out} at 100 %, then measure the bars: {bottom:g} and {left:g} mm as designed.")
