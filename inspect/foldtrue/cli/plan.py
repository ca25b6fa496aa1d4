"""foldtrue plan: make, check and draw a plan."""

from __future__ import annotations

from pathlib import Path

import click

from foldtrue.cli.draw import plan_draw
from foldtrue.cli.parts import FILE
from foldtrue.cli.plan_new import plan_new


@click.group()
def plan() -> None:
    """Make, check and draw the plan a piece is folded after."""


plan.add_command(plan_new)


@plan.command("check")
@click.argument("plan_file", metavar="PLAN", type=FILE)
def plan_check(plan_file: Path) -> None:
    """Say whether PLAN folds flat, and what comes out: size, layers, largest stack, place of the first twist."""
    from foldtrue.plan.file import read_plan
    from foldtrue.plan.summary import check_plan, summary_text

    click.echo(summary_text(check_plan(read_plan(plan_file))))


plan.add_command(plan_draw)
