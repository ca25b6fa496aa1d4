"""The controls of the photo's form, and advice in their words: what the command line calls `--held glass` is on a page
"under a pane of glass" under "How was it held?".

Advice is written once, below, for whoever types commands. The pages' labels stand here alone, so that what advice calls
them is what the pages show; tests/web/test_advice.py finds advice that no control answers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

from foldtrue.web.stages import VIEW_WORDS

Controls = Mapping[str, "Control"]


@dataclass(frozen=True)
class Control:
    """label: beside it on the page. choices: what can be chosen, by the command line's word."""

    label: str
    choices: Mapping[str, str] = field(default_factory=dict)


PHOTO: Controls = {
    "view": Control("How was it lit?", VIEW_WORDS),
    "side": Control("Which side faces the camera?", {"front": "the front", "back": "the back"}),
    "reference": Control(
        "Something of known size in the picture",
        {
            "auto": "look for one",
            "none": "none",
            "mat": "the printed mat",
            "card": "a card of 85.60 x 53.98 mm beside it",
            "A4": "a sheet of A4 under it",
            "Letter": "a sheet of Letter under it",
            "scan": "it is a scan",
        },
    ),
    "dpi": Control("Resolution of a scan, dpi"),
    "bars": Control("Bars of the mat as measured, mm"),
    "held": Control(
        "How was it held?",
        {"free": "lying or hanging free", "glass": "under a pane of glass", "window": "taped flat to a window"},
    ),
    "same-way-up": Control("In all photos the piece lies the same way up"),
    "rings": Control("How many whole rings are folded?"),
    "at": Control("Lay the plan on the photo"),
}
"""By option of `foldtrue piece` and `ring`. The last one stands where a finished piece was not found, and nowhere else:
see `without_place`."""

_SENTENCES: Mapping[str, str] = {
    "Measure it with: foldtrue ring PHOTO --plan PLAN": "Choose “Half-done piece” on the first page and send it again.",
    "Measure it with: foldtrue grid PHOTO --plan PLAN": "Choose “Creased grid” on the first page and send it again.",
    "a piece that is folded already is measured with foldtrue piece": "a piece that is folded already is measured as a "
    "“Finished piece”",
    "Say it with --rings or --twists.": "Say it under “How many whole rings are folded?”.",
    "Leave out --rings and --twists, or name the twists that are folded.": "Choose “find out from the photo” under "
    "“How many whole rings are folded?”.",
    "where only part of a ring is folded, name its twists with --twists": "where only part of a ring is folded, finish "
    "the ring first, or name its twists on the command line",
    "Take larger paper, or one page of the drawing's own size: --paper fit.": "Take larger paper, or “one page”.",
    "Print it on several: --paper A3.": "Print it on several: A3.",
    "Take the place of a twist as 'plan draw --what guide' lists it.": "Take the place of a twist as “Where the twists "
    "go” under “Print” lists it.",
    "Choose another folder with --out.": "Start foldtrue with another folder in FOLDTRUE_HOME.",
    "Choose another file with --record.": "Start foldtrue with another folder in FOLDTRUE_HOME.",
    "Run: foldtrue record check; restore a backup if it is damaged.": "Restore a backup if it is damaged; foldtrue "
    "record check, in a terminal, says whether it is.",
    "Record something with: foldtrue record add": "Put a result on the shelf.",
    "See: foldtrue record list": "Look on the shelf.",
    "Measure the camera again with foldtrue camera PHOTO --keep,": "Measure the camera again, as “Settings” says,",
    "measure the camera again, foldtrue camera PHOTO --keep; or say --no-kept-camera.": "measure the camera again, as "
    "“Settings” says.",
    "Give a result.json that foldtrue piece wrote.": "Measure the photo again.",
}
"""Advice, or a part of it, that is more than the name of a control."""
_OTHERS = re.compile(r"(?<![\w-])--[a-z][a-z-]*(?: [A-Z][A-Z0-9]*(?:,[A-Z0-9]+)*(?!\w))?")
_METAVAR, _NUMBERS = r"[A-Z][A-Z0-9]*(?:,[A-Z0-9]+)*(?![\w])", r"[0-9]+(?:\.[0-9]+)?(?:,[0-9]+(?:\.[0-9]+)?)+"


def page_words(text: str, controls: Controls = PHOTO) -> str:
    """A sentence of advice with the page's controls in place of options and commands. An option without a
    control is said to be the command line's."""
    for said, words in _SENTENCES.items():
        text = text.replace(said, words)
    for name, control in controls.items():
        text = _option(name, control).sub(partial(_named, name, control), text)
    return _OTHERS.sub(lambda found: f"{found[0]} on the command line", text)


def without_place(controls: Controls) -> Controls:
    """The controls where the plan cannot be laid on the photo by hand."""
    return {name: control for name, control in controls.items() if name != "at"}


def _option(name: str, control: Control) -> re.Pattern[str]:
    """The option with the values that follow it, those after 'or' included."""
    value = "|".join([*map(re.escape, control.choices), _NUMBERS, _METAVAR])
    option = rf"--{name}(?![\w-])"
    return re.compile(rf"{option}(?: ((?:{value})(?: or (?:{option} )?(?:{value}))*)(?![\w-]))?")


def _named(name: str, control: Control, found: re.Match[str]) -> str:
    said = re.split(rf" or (?:--{name} )?", found[1] or "")
    values = [one for one in said if one in control.choices or re.match(r"\d", one)]
    chosen = " or ".join(f"“{control.choices.get(one, one)}”" for one in values)
    return f"{chosen} under “{control.label}”" if chosen else f"“{control.label}”"
