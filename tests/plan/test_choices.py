"""A wanted finished size: the sheet for it and the practical choices near it."""

from __future__ import annotations

import pytest

from foldtrue.errors import PlanError, UsageError
from foldtrue.plan.choices import PRACTICAL_DIVISIONS, PRACTICAL_PITCH_MM, nearest_choices, sheet_for
from foldtrue.plan.new import PlanWords, make_plan
from foldtrue.plan.summary import check_plan, finished_height_mm, summarise

# Computed independently of this program: words, sheet height, finished height.
SIZES = [
    ({"divisions": 16, "spacing": 2.0, "rings": 2}, 240, 120.0),
    ({"divisions": 32, "spacing": 3.0, "rings": 2}, 360, 270.0),
    ({"divisions": 48, "spacing": 3.0, "rings": 4}, 540, 360.0),
    ({"divisions": 16, "spacing": 2.0, "rings": 2, "grid": "edge-to-edge"}, 240, 150.0),
    ({"divisions": 32, "spacing": 3.0, "rings": 3, "grid": "edge-to-edge"}, 360, 258.75),
]


@pytest.mark.parametrize(("words", "sheet_mm", "finished_mm"), SIZES)
def test_the_sheet_for_a_finished_size_is_the_one_computed_independently(words, sheet_mm, finished_mm):
    assert sheet_for(PlanWords(**words), finished_mm).height == pytest.approx(sheet_mm, abs=0.05)


@pytest.mark.parametrize("twists", ["mixed", "rhombi", "clusters"])
def test_the_sheet_found_gives_the_size_when_folded(twists):
    found = sheet_for(PlanWords(sheet="square", twists=twists, divisions=32), 137.0)
    assert check_plan(make_plan(found).plan).finished_height_mm == pytest.approx(137.0, abs=0.1)


def test_the_finished_height_needs_no_layer_order(nominal, request):
    name = request.node.callspec.params["nominal"]
    plan = request.getfixturevalue("plans").made(name)
    assert finished_height_mm(plan) == pytest.approx(summarise(nominal).finished_height_mm, rel=1e-9)


def test_choices_are_practical_near_and_true():
    choices = nearest_choices(PlanWords(), 150.0)
    numbers = [choice.divisions for choice in choices]
    assert {16, 24, 32, 48, 64} <= set(numbers)
    assert numbers == sorted(numbers)
    assert max(numbers.count(n) for n in numbers) == 2
    low, high = PRACTICAL_PITCH_MM
    for choice in choices:
        assert choice.divisions in PRACTICAL_DIVISIONS
        assert choice.sheet_mm % 5 == 0
        assert low <= choice.pitch_mm <= high
        assert abs(choice.off_mm) <= 2.5
        plan = make_plan(
            PlanWords(height=choice.sheet_mm, divisions=choice.divisions, spacing=choice.spacing, rings=choice.rings)
        ).plan
        summary = check_plan(plan)
        assert summary.finished_height_mm == pytest.approx(150.0 + choice.off_mm, abs=1e-9)
        assert (summary.twists, summary.most_layers) == (choice.twists, choice.most_layers)


def test_with_a_sheet_given_the_rings_are_varied_and_the_nearest_kept():
    # point to point, each ring takes 3 pitches = 4 H / N off the height: of 48 divisions 240, 220, ... 120 mm
    choices = nearest_choices(PlanWords(height=240.0, divisions=48, spacing=2.0), 165.0)
    assert [(c.rings, round(c.finished_mm, 6)) for c in choices] == [(3, 180.0), (4, 160.0)]


def test_what_is_said_is_not_varied():
    choices = nearest_choices(PlanWords(divisions=24, spacing=3.0), 100.0)
    assert {(c.divisions, c.spacing) for c in choices} == {(24, 3.0)}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"sheet": "rectangle", "width": 9.0, "height": 9.0}, "works for a hexagon or a square"),
        ({"pitch": 9.0}, "needs a grid that divides the sheet"),
        ({"twist": ({"kind": "triangle", "grid": [0, 0], "hand": "ccw"},)}, "does not go with --twist"),
    ],
)
def test_sizes_that_no_sheet_decides_are_refused(words, said):
    for ask in (nearest_choices, sheet_for):
        with pytest.raises(UsageError, match=said):
            ask(PlanWords(**words), 100.0)


def test_a_sheet_already_given_is_not_chosen():
    with pytest.raises(UsageError, match="size is given already"):
        sheet_for(PlanWords(height=240.0), 100.0)


def test_sizes_out_of_reach_are_refused():
    with pytest.raises(PlanError, match="No practical choice"):
        nearest_choices(PlanWords(height=20.0), 15.0)
    with pytest.raises(PlanError, match="would have to be"):
        sheet_for(PlanWords(), 4000.0)
