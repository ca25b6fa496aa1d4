"""The tree of errors: exit codes, wording, and the way across process borders."""

from __future__ import annotations

import pickle

import pytest

from foldtrue import errors

KINDS = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, errors.FoldtrueError)]


@pytest.mark.parametrize("kind", KINDS)
def test_survives_pickling(kind):
    error = kind("The photo is black.", "Switch on the light.")
    copy = pickle.loads(pickle.dumps(error))
    assert type(copy) is kind
    assert (copy.what, copy.advice, str(copy)) == (error.what, error.advice, str(error))


def test_plan_error_keeps_its_twists_across_processes():
    error = pickle.loads(pickle.dumps(errors.PlanError("Two twists collide.", "Move one.", ("1.1", "1.2"))))
    assert error.twists == ("1.1", "1.2")


def test_reads_as_what_and_advice():
    assert str(errors.PhotoTooPoor("Too blurred.", "Hold still.")) == "Too blurred. Hold still."
    assert str(errors.PhotoTooPoor("Too blurred.")) == "Too blurred."


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        (errors.UsageError, 2),
        (errors.PlanError, 2),
        (errors.UnreadableFile, 3),
        (errors.NotThisPiece, 4),
        (errors.SiteAmbiguous, 4),
        (errors.PhotoTooPoor, 5),
        (errors.MachineLacks, 6),
    ],
)
def test_exit_codes_are_a_promise(kind, code):
    assert kind.exit_code == code


def test_every_kind_has_a_line_in_the_drawn_tree():
    assert all(kind.__name__ in (errors.__doc__ or "") for kind in KINDS)
