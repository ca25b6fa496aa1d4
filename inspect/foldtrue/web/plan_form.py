"""The form of a new plan: the questions of plan/questions.py with what was answered so far, and the plan that comes of
it. Left empty, a question has the answer that is offered, as Enter takes it in the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from foldtrue.errors import FoldtrueError, UsageError
from foldtrue.plan.choices import Choice, nearest_choices, sheet_for
from foldtrue.plan.file import plan_text
from foldtrue.plan.new import NewPlan, PlanWords, make_plan
from foldtrue.plan.questions import MORE, QUESTIONS, Question, answered
from foldtrue.plan.said import number
from foldtrue.plan.summary import PlanSummary, check_plan
from foldtrue.web.controls import Control, Controls, page_words

FINISHED = Control("Finished height, mm")
_OPTIONS = {"pleats": "pleat"}
PLAN: Controls = {
    _OPTIONS.get(each.word, each.word.replace("_", "-")): Control(
        each.asks, {word: word for word in (*each.choices(PlanWords()), *each.choices(PlanWords(rings=1)))}
    )
    for each in (*QUESTIONS, *MORE)
} | {"finished-size": FINISHED}
"""By option of `foldtrue plan new`."""
FIRST = ("sheet", "twists", "grid")
"""What decides which questions follow."""
WORDS = tuple(dict.fromkeys(["finished", *(each.word for each in (*QUESTIONS, *MORE))]))
_MOST_FINISHED_MM = 5000.0
_NOT_VARIED = ("start", "border", "name")
"""Of a choice among sizes these are settled by what is folded most."""


@dataclass(frozen=True)
class Field:
    """One question as the page shows it. value: as typed. offered: what counts where nothing is. fault: why the answer
    is none, empty where it is one."""

    question: Question
    value: str
    offered: str
    choices: tuple[str, ...]
    fault: str


@dataclass(frozen=True)
class PlanForm:
    """words: what was answered, as far as it is an answer. finished_mm: the wanted height, where the sheet is to be
    found for it. faults: of all fields, sentences."""

    words: PlanWords
    fields: tuple[Field, ...]
    more: tuple[Field, ...]
    finished: str
    finished_mm: float | None
    faults: tuple[str, ...]


@dataclass(frozen=True)
class Made:
    """A plan that folds. notes: what was decided on the way."""

    text: bytes
    summary: PlanSummary
    notes: tuple[str, ...]


def plan_form(given: Mapping[str, str]) -> PlanForm:
    """given: by word, as typed; other names are left alone."""
    words, more = PlanWords(), []
    for question in MORE:
        words, field = _answer(words, question, given.get(question.word, "").strip(), blank="")
        more.append(field)
    finished = given.get("finished", "").strip()
    finished_mm, fault = _finished(finished)
    fields = []
    for question in QUESTIONS:
        if question.when(words):
            typed = given.get(question.word, "").strip()
            left_open = question.word == "name" or (bool(finished) and question.needed and _is_size(words, question))
            words, field = _answer(words, question, typed, blank="" if left_open else None)
            fields.append(replace(field, offered="") if left_open and finished else field)
    faults = [field.fault for field in (*more, *fields)] + [fault]
    told = tuple(page_words(each, PLAN) for each in faults if each)
    return PlanForm(words, tuple(fields), tuple(more), finished, finished_mm, told)


def _answer(words: PlanWords, question: Question, typed: str, blank: str | None) -> tuple[PlanWords, Field]:
    """blank: what an empty field stands for, the answer offered where it is None."""
    choices = tuple(question.choices(words))
    offered = question.offers(words)
    if choices:
        offered = offered if offered in choices else choices[0]
        typed = typed if typed in choices else offered
    text, fault = typed or (offered if blank is None else blank), ""
    if text:
        try:
            words = answered(words, question, text)
        except UsageError as error:
            fault = f"{question.asks}: {error}"
    return words, Field(question, typed, offered, choices, fault)


def _is_size(words: PlanWords, question: Question) -> bool:
    return (words.sheet, question.word) in (("hexagon", "height"), ("square", "side"))


def _finished(typed: str) -> tuple[float | None, str]:
    if not typed:
        return None, ""
    try:
        wanted = number(typed)
    except ValueError:
        wanted = 0.0
    if not 0 < wanted < _MOST_FINISHED_MM:
        return None, f"{FINISHED.label}: '{typed}' is not a height between 0 and {_MOST_FINISHED_MM:g} mm."
    return wanted, ""


def made_plan(given: Mapping[str, str]) -> Made:
    """The plan of these answers; the last few are remembered. Raises UsageError in the page's words."""
    return _made(tuple((word, given[word]) for word in WORDS if given.get(word)))


@lru_cache(maxsize=8)
def _made(given: tuple[tuple[str, str], ...]) -> Made:
    form = plan_form(dict(given))
    if form.faults:
        raise UsageError(" ".join(form.faults), "Put it right, or leave the field empty for what is offered.")
    words, finished_mm = form.words, form.finished_mm
    try:
        new: NewPlan = make_plan(words if finished_mm is None else sheet_for(words, finished_mm))
        return Made(plan_text(new.plan), check_plan(new.plan), new.notes)
    except UsageError as error:
        raise _in_page_words(error) from None


def practical(given: Mapping[str, str]) -> list[Choice]:
    """Practical choices near the wanted height, what was left empty varied; empty where no height is wanted. Raises
    UsageError in the page's words."""
    form = plan_form(given)
    if form.finished_mm is None:
        return []
    words = PlanWords()
    for question in QUESTIONS:
        typed = given.get(question.word, "").strip()
        if typed and question.word not in _NOT_VARIED and question.when(words):
            words, _ = _answer(words, question, typed, blank="")
    try:
        return nearest_choices(words, form.finished_mm)
    except FoldtrueError as error:
        raise _in_page_words(error) from None


def _in_page_words(error: FoldtrueError) -> UsageError:
    return UsageError(page_words(error.what, PLAN), page_words(error.advice, PLAN))
