"""The command line: thin commands that read options, call one function each, and print. No science here.

Heavy modules are imported inside the commands, so that `foldtrue --help` answers at once.
"""

from __future__ import annotations

from collections.abc import Sequence

import click

from foldtrue import __version__
from foldtrue.cli.camera import camera
from foldtrue.cli.grid import grid
from foldtrue.cli.judging import compare, judge, tolerances
from foldtrue.cli.mat import mat
from foldtrue.cli.piece import piece
from foldtrue.cli.plan import plan
from foldtrue.cli.practice import practice
from foldtrue.cli.progress import progress
from foldtrue.cli.record import record
from foldtrue.cli.report import report
from foldtrue.cli.ring import ring
from foldtrue.cli.running import STOPPED as STOPPED
from foldtrue.cli.running import run_command
from foldtrue.cli.serve import serve
from foldtrue.cli.sheet import sheet


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="foldtrue")
def foldtrue() -> None:
    """Measure a folded-paper twist tessellation from a photo: which twists are off, by how much, and how sure that is.

    Exit codes: 0 done, 1 outside its limits (only with --fail-outside), 2 wrong call or plan, 3 file unreadable, 4 not
    this piece, 5 photo too poor, 6 the machine lacks something.
    """


_BEFORE = (plan, mat, camera, sheet, grid)
_MEASURING = (ring, piece, report, judge, compare, tolerances)
_AFTER = (record, progress, practice, serve)
for _command in (*_BEFORE, *_MEASURING, *_AFTER):
    foldtrue.add_command(_command)


def run(arguments: Sequence[str]) -> int:
    """Run a command line and return its exit code; a known failure is one line on stderr, never a traceback."""
    return run_command(foldtrue, arguments)
