"""Photos that show something else than was said are told what they show."""

from __future__ import annotations

from pathlib import Path

import pytest

from foldtrue.inspection import InspectOptions
from foldtrue.plan.file import read_plan
from foldtrue.unfinished import unfinished

SAMPLES = Path(__file__).parent.parent / "sample_images"


def told(sample, plan, view):
    photo, asked = SAMPLES / sample / "photo.jpg", InspectOptions(view=view)
    return unfinished(photo, read_plan(SAMPLES / plan / "plan.json"), asked)


@pytest.mark.parametrize(
    ("sample", "said", "shown"),
    [("window-panel", "back", "backlit"), ("lantern-backlit", "front", "backlit"), ("porch-front", "backlit", "front")],
)
def test_a_piece_lit_otherwise_than_was_said_is_told_how(sample, said, shown):
    """And not that it is half done, which edges in light from the wrong side can look like."""
    error = told(sample, sample, said)
    assert error.advice == f"Say --view {shown}."


def test_another_plans_photo_is_not_told_to_be_lit_otherwise():
    error = told("porch-backlit", "lantern-backlit", "back")
    assert error is None or "--view" not in error.advice


def test_where_nothing_was_said_of_the_light_nothing_is_said_of_it():
    error = told("lantern-backlit", "porch-backlit", "auto")
    assert error is None or "--view" not in error.advice
