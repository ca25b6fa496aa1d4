"""foldtrue judge, compare and tolerances: from a result to a verdict, and the limits it rests on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from foldtrue.cli.parts import FILE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from foldtrue.handover_judge import Rule, Tolerances

Command = TypeVar("Command", bound=Callable[..., Any])
OUTSIDE = 1
"""Exit code of a verdict 'outside' under --fail-outside."""


def judging_options(command: Command) -> Command:
    """--tolerances, --rule, --guard and --fail-outside, for every command that gives a verdict."""
    for option in (
        click.option("--fail-outside", is_flag=True, help="End with exit code 1 when the piece is outside its limits."),
        click.option(
            "--guard", type=float, metavar="R", help="With --rule guarded: its width in expanded uncertainties, 0 to 3."
        ),
        click.option(
            "--rule",
            type=click.Choice(["guarded", "simple"]),
            default="guarded",
            show_default=True,
            help="guarded: a verdict only where the value keeps 0.83 uncertainties (or --guard) from the limit; "
            "simple: the value alone decides.",
        ),
        click.option(
            "--tolerances",
            "tolerance_set",
            default="default",
            show_default=True,
            metavar="NAME|FILE",
            help="Limits to hold the piece against: a file, one of your own sets, or foldtrue's proposal.",
        ),
    ):
        command = option(command)
    return command


def read_choices(tolerance_set: str, rule: str, guard: float | None) -> tuple[Tolerances, Rule]:
    """The limits and the rule that the person chose; read before any photo, so that a slip is told at once."""
    from foldtrue.handover_judge import Rule
    from foldtrue.judge.tolerances import find_tolerances

    if rule == "simple" and guard:
        raise click.UsageError("Simple acceptance has no guard band. Leave out --guard, or say --rule guarded.")
    chosen = Rule(guard=0.0) if rule == "simple" else Rule() if guard is None else Rule(guard=guard)
    return find_tolerances(tolerance_set), chosen


def say_verdict(judgement: Mapping[str, Any], fail_outside: bool) -> None:
    """Print the verdict; raises click's Exit for a piece outside its limits where that was asked for."""
    from foldtrue.report.judgement import judgement_text

    click.echo(judgement_text(judgement))
    if fail_outside and judgement["verdict"] == "outside":
        raise click.exceptions.Exit(OUTSIDE)


@click.command()
@click.argument("result", type=FILE, metavar="RESULT")
@judging_options
def judge(result: Path, tolerance_set: str, rule: str, guard: float | None, fail_outside: bool) -> None:
    """Hold RESULT, the result.json of a piece, against other limits. The file stays as it is."""
    from foldtrue.assess import judge_by
    from foldtrue.judge.figures import read_record

    choices = read_choices(tolerance_set, rule, guard)
    say_verdict(judge_by(*choices, read_record(result)), fail_outside)


@click.command()
@click.argument("before", type=FILE, metavar="BEFORE")
@click.argument("after", type=FILE, metavar="AFTER")
def compare(before: Path, after: Path) -> None:
    """Say what changed between two results of one piece (result.json of each), before and after it was mended, by more
    than both uncertainties together."""
    from foldtrue.judge.compare import compare_records
    from foldtrue.judge.figures import read_record
    from foldtrue.report.judgement import comparison_text

    click.echo(comparison_text(compare_records(read_record(before), read_record(after))))


@click.group()
def tolerances() -> None:
    """Make, check and show the limits a piece is held against."""


@tolerances.command("new")
@click.option("--name", required=True, help="Name of the set: letters, digits, - and _.")
@click.option("--out", type=FILE, help="File to write; in the folder of your own sets without it.")
def tolerances_new(name: str, out: Path | None) -> None:
    """Write a set of limits, foldtrue's proposal to begin with, for you to edit."""
    from foldtrue.errors import UsageError
    from foldtrue.judge.tolerances import kept_path, tolerances_text
    from foldtrue.report.files import write_whole

    path = kept_path(name)
    path = path if out is None else out
    if path.exists():
        raise UsageError(f"{path} is there already.", "Choose another name, or remove it first.")
    write_whole(path, tolerances_text(name).encode())
    click.echo(f"{path} written. Set the limits in it, then: foldtrue tolerances check {name if out is None else path}")


@tolerances.command("check")
@click.argument("tolerance_set", metavar="NAME|FILE")
def tolerances_check(tolerance_set: str) -> None:
    """Say whether a set of limits is valid, and what it says."""
    from foldtrue.judge.tolerances import find_tolerances
    from foldtrue.report.judgement import limits_text

    found = find_tolerances(tolerance_set)
    own = ", from no standard" if found.built_in else ""
    click.echo(f"{found.name} ({found.sha256[:8]}{own}): valid.\n{limits_text(found.limits)}")


@tolerances.command("show")
def tolerances_show() -> None:
    """List the sets that --tolerances knows by name."""
    from foldtrue.errors import UsageError
    from foldtrue.judge.tolerances import DEFAULT, find_tolerances, home, kept_sets

    kept = kept_sets()
    for name in dict.fromkeys([*([] if DEFAULT in kept else [DEFAULT]), *kept]):
        try:
            found = find_tolerances(name)
        except UsageError as error:
            click.echo(f"{name}: not valid. {error.what}")
        else:
            click.echo(f"{name}: {found.name}, {len(found.limits)} limits ({found.sha256[:8]})")
    click.echo(f"Your own sets are kept in {home()}.")
