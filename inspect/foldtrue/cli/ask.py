"""foldtrue plan new --ask: the plan step by step, each question explained and answered by default."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from shutil import get_terminal_size
from typing import Any

import click

from foldtrue.errors import PlanError, UsageError
from foldtrue.plan.file import Plan, write_plan
from foldtrue.plan.new import PlanWords, make_plan
from foldtrue.plan.questions import QUESTIONS, Question, answered, filled_in
from foldtrue.plan.summary import PlanSummary, check_plan, summary_text

BACK = "back"
_START = "Questions to a plan. Enter takes the answer in brackets, 'back' returns to the question before, Ctrl-C stops."


def ask_plan(words: PlanWords, out: Path | None) -> None:
    """Ask until a plan folds, then write it. words: answers offered instead of the usual ones."""
    click.echo(_START)
    position, trail = 0, list[tuple[int, PlanWords, str]]()
    again: str | None = None
    while True:
        position = _next(position, words)
        if position == len(QUESTIONS):
            done = _finish(words, out)
            answer = "" if done else BACK
        else:
            answer = _prompt(QUESTIONS[position], words, again)
        again = None
        if answer == BACK:
            if trail:
                position, words, again = trail.pop()
            else:
                click.echo("This is the first question.")
        elif position == len(QUESTIONS):
            return
        elif (told := _take(QUESTIONS[position], words, answer)) is not None:
            trail.append((position, words, answer))
            position, words = position + 1, told


def _next(position: int, words: PlanWords) -> int:
    """The question at or after a position that is to be asked."""
    while position < len(QUESTIONS) and not QUESTIONS[position].when(words):
        position += 1
    return position


def _prompt(question: Question, words: PlanWords, again: str | None) -> str:
    choices = question.choices(words)
    offered = again or _as_text(getattr(words, question.word)) or question.offers(words)
    if choices and offered not in choices:
        offered = choices[0]
    click.echo("\n" + click.wrap_text(question.explains, get_terminal_size().columns - 1))
    asks = f"{question.asks} ({', '.join(choices)})" if choices else question.asks
    return str(click.prompt(asks, default=offered, type=str)).strip()


def _as_text(value: Any) -> str:
    if value in (None, (), 0):
        return ""
    if isinstance(value, tuple):
        pairs = value if isinstance(value[0], tuple) else (value,)
        return " ".join(",".join(f"{number:g}" for number in pair) for pair in pairs)
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _take(question: Question, words: PlanWords, answer: str) -> PlanWords | None:
    """The words with the answer, and what it leads to; None, with the reason shown, when it is no answer."""
    try:
        told = answered(words, question, answer)
    except UsageError as error:
        click.echo(str(error))
        return None
    try:
        click.echo(f"So far: {_prediction(_checked(make_plan(filled_in(told)).plan))}")
    except UsageError as error:
        if _is_invalid(error):
            click.echo(str(error))
            return None
        click.echo(f"So far it does not fold: {error}")
    return told


@lru_cache(maxsize=8)
def _checked(plan: Plan) -> PlanSummary:
    """Many answers leave the plan as it was."""
    return check_plan(plan)


def _is_invalid(error: UsageError) -> bool:
    """Whether a value is out of range whatever else is answered (rather than not folding with the rest as offered)."""
    return not isinstance(error, PlanError) or (not error.twists and error.what.startswith("The plan is not valid"))


def _prediction(summary: PlanSummary) -> str:
    return (
        f"{summary.twists} twists, finished height {summary.finished_height_mm:.1f} mm, layers "
        f"{summary.mean_layers:.2f} on the average, {summary.most_layers} in the largest stack."
    )


def _finish(words: PlanWords, out: Path | None) -> bool:
    """Check the whole plan and write it; False to go back to the last question."""
    try:
        made = make_plan(words)
        summary = _checked(made.plan)
    except UsageError as error:
        click.echo(f"\nThis plan cannot be folded: {error}\nBack to the question before.")
        return False
    click.echo("\n" + "\n".join([summary_text(summary), *made.notes]))
    answer = str(click.prompt("\nWrite it to", default=str(out or "plan.json"), type=str)).strip()
    path = Path(answer)
    if answer == BACK or (path.exists() and not click.confirm(f"{path} exists. Replace it?")):
        return False
    write_plan(made.plan, path)
    click.echo(f"Written: {path}")
    return True
