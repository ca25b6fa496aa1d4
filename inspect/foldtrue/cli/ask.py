"""foldtrue plan new --ask: the plan step by step, each question explained and answered by default."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from shutil import get_terminal_size
from typing import Any

import click

from foldtrue.cli.plan_words import read_corners, read_slope
from foldtrue.errors import FoldtrueError, PlanError, UsageError
from foldtrue.plan.file import Plan, write_plan
from foldtrue.plan.new import DEFAULT_DIVISIONS, DEFAULT_SPACING, PlanWords, choose, make_plan
from foldtrue.plan.parts import HoneycombRecipe
from foldtrue.plan.summary import PlanSummary, check_plan, summary_text

BACK = "back"
_START = "Questions to a plan. Enter takes the answer in brackets, 'back' returns to the question before, Ctrl-C stops."


@dataclass(frozen=True)
class Question:
    """One step: the word of PlanWords it settles, what it asks and explains, and the answer it offers.

    choices: the only answers, where there are so few. read: text -> value, ValueError or click.BadParameter when it is
    none. when: whether it is asked at all. needed: a plan cannot be made before it is answered.
    """

    word: str
    asks: str
    explains: str
    offers: Callable[[PlanWords], str]
    read: Callable[[str], Any] = str
    choices: Callable[[PlanWords], Sequence[str]] = lambda words: ()
    when: Callable[[PlanWords], bool] = lambda words: True
    needed: bool = False


def _grids(words: PlanWords) -> Sequence[str]:
    if words.sheet == "hexagon":
        return "point-to-point", "edge-to-edge", "rotated"
    return ("pitch", "rotated") if words.sheet == "polygon" else ("edge-to-edge", "rotated", "pitch")


def _is_recipe(words: PlanWords) -> bool:
    return words.layout not in ("listed", "repeated")


def _always(text: str) -> Callable[[PlanWords], str]:
    return lambda words: text


def _rings_offered(words: PlanWords) -> str:
    """As many as fit, where the layout comes in rings; else the sheet is filled."""
    try:
        recipe = make_plan(_filled(words)).plan.twists
    except FoldtrueError:
        return "fill"
    return str(recipe.rings) if isinstance(recipe, HoneycombRecipe) else "fill"


def _name_offered(words: PlanWords) -> str:
    try:
        return make_plan(_filled(words)).plan.name
    except FoldtrueError:  # said already, and once more at the end
        return "plan"


def _spacing_offered(words: PlanWords) -> str:
    return f"{DEFAULT_SPACING[words.layout] * (words.width_rows or 1):g}"


def _every_offered(words: PlanWords) -> str:
    return f"{3 * (words.spacing or 2) + (words.width_rows or 1):g}"


def _divisions_offered(words: PlanWords) -> str:
    return str(DEFAULT_DIVISIONS[words.layout] if _is_recipe(words) else 16)


def _borders(words: PlanWords) -> Sequence[str]:
    return ("keep", "open") if words.rings is not None else ("trimmed", "full", "rings", "open")


QUESTIONS = (
    Question(
        "sheet",
        "Sheet",
        "The shape of the paper.",
        _always("hexagon"),
        choices=lambda w: ("hexagon", "square", "rectangle", "polygon"),
    ),
    Question(
        "height",
        "Height, mm",
        "From side to side of the hexagon (flat to flat).",
        _always("240"),
        float,
        when=lambda w: w.sheet == "hexagon" and w.side is None,
        needed=True,
    ),
    Question(
        "side",
        "Side, mm",
        "Length of the square's side.",
        _always("200"),
        float,
        when=lambda w: w.sheet == "square",
        needed=True,
    ),
    Question(
        "width",
        "Width, mm",
        "The rectangle's side along x; a rotated grid runs along it.",
        _always("297"),
        float,
        when=lambda w: w.sheet == "rectangle",
        needed=True,
    ),
    Question(
        "height",
        "Height, mm",
        "The rectangle's other side, which edge-to-edge divisions divide.",
        _always("210"),
        float,
        when=lambda w: w.sheet == "rectangle",
        needed=True,
    ),
    Question(
        "corners",
        "Corners, mm",
        "x,y of each corner in order, a space between corners, the sheet's centre at 0,0; convex.",
        _always("-90,-80 110,-80 70,90 -60,75"),
        read_corners,
        when=lambda w: w.sheet == "polygon",
        needed=True,
    ),
    Question(
        "twists",
        "Twists",
        "triangle: six triangle twists around every cell. mixed: hexagon twists, triangles around each. rhombi: rows of"
        " rhombus twists. clusters: rings of six triangle twists standing apart.",
        _always("triangle"),
        choices=lambda w: ("triangle", "mixed", "rhombi", "clusters"),
        when=_is_recipe,
    ),
    Question(
        "grid",
        "Grid",
        "point-to-point or edge-to-edge: so many divisions of the sheet. rotated: turned against the sheet's side."
        " pitch: triangles of a given side.",
        lambda w: w.grid_kind,
        choices=_grids,
    ),
    Question(
        "divisions",
        "Divisions",
        "Folders use 8, 12, 16, 24, 32, 36, 48 or 64. An odd number needs a grid that starts in a corner.",
        _divisions_offered,
        int,
        when=lambda w: w.grid_kind in ("point-to-point", "edge-to-edge"),
    ),
    Question(
        "slope",
        "Slope M,N",
        "The sheet's first side runs M pitches along one grid direction and N along the next, 60 degrees further.",
        lambda w: "10,2" if w.sheet == "hexagon" else "20,4",
        read_slope,
        when=lambda w: w.grid_kind == "rotated",
        needed=True,
    ),
    Question(
        "pitch",
        "Pitch, mm",
        "Side of the grid's small triangle.",
        _always("8"),
        float,
        when=lambda w: w.grid_kind == "pitch",
        needed=True,
    ),
    Question(
        "start",
        "Grid starts in",
        "centre: three grid lines meet in the sheet's centre. corner: in its first corner; the twists then fill it.",
        lambda w: "corner" if (w.divisions or 0) % 2 else "centre",
        choices=lambda w: ("centre", "corner"),
    ),
    Question(
        "width_rows",
        "Width of the pleats, rows",
        "In rows of the grid; wider pleats make larger twists.",
        _always("1"),
        float,
        when=_is_recipe,
    ),
    Question(
        "spacing",
        "Spacing, pitches",
        "From one twist to the next. Close twists make a dense, thick piece.",
        _spacing_offered,
        float,
        when=_is_recipe,
    ),
    Question(
        "every",
        "Distance of the clusters, pitches",
        "From the middle of one ring of six to the next.",
        _every_offered,
        float,
        when=lambda w: w.layout == "clusters",
    ),
    Question(
        "rings",
        "Rings",
        "Complete rings around the centre, or 'fill' for all twists that the sheet holds.",
        _rings_offered,
        lambda text: None if text == "fill" else int(text),
        when=lambda w: w.layout != "listed" and w.start != "corner",
    ),
    Question(
        "border",
        "Border",
        "open: the last ring is left out. trimmed: twists at the rim whose pleats clash are left out. full: none is."
        " rings: complete rings only.",
        lambda w: _borders(w)[0],
        lambda text: None if text == "keep" else text,
        choices=_borders,
        when=lambda w: w.layout != "listed",
    ),
    Question(
        "first_hand",
        "Hand of the first twist",
        "ccw: its pleats are laid over counter-clockwise, seen from the front. cw: clockwise.",
        _always("ccw"),
        choices=lambda w: ("ccw", "cw"),
        when=_is_recipe,
    ),
    Question(
        "corner_pleats",
        "Pleats across each corner",
        "Extra pleats without a twist, valley lines towards the corner; 0 for none.",
        _always("0"),
        int,
    ),
    Question("name", "Name", "Shown in reports and drawings.", _name_offered),
)


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
    choices = question.choices(words)
    if choices and answer not in choices:
        click.echo(f"'{answer}' is none of {', '.join(choices)}.")
        return None
    try:
        told = choose(words, question.word, question.read(answer))
    except click.BadParameter as error:
        click.echo(error.message)
        return None
    except ValueError:
        click.echo(f"'{answer}' is not a {'whole number' if question.word in _WHOLE else 'number'}.")
        return None
    try:
        click.echo(f"So far: {_prediction(_checked(make_plan(_filled(told)).plan))}")
    except UsageError as error:
        if _is_invalid(error):
            click.echo(str(error))
            return None
        click.echo(f"So far it does not fold: {error}")
    return told


_WHOLE = ("divisions", "rings", "corner_pleats")


@lru_cache(maxsize=8)
def _checked(plan: Plan) -> PlanSummary:
    """Many answers leave the plan as it was."""
    return check_plan(plan)


def _is_invalid(error: UsageError) -> bool:
    """Whether a value is out of range whatever else is answered (rather than not folding with the rest as offered)."""
    return not isinstance(error, PlanError) or (not error.twists and error.what.startswith("The plan is not valid"))


def _filled(words: PlanWords) -> PlanWords:
    """The words with the offered answers where a plan cannot be made without one."""
    for question in QUESTIONS:
        if question.needed and question.when(words) and getattr(words, question.word) in (None, ()):
            words = replace(words, **{question.word: question.read(question.offers(words))})
    odd = bool((words.divisions or 0) % 2)
    return replace(words, start="corner") if odd and words.start is None else words


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
