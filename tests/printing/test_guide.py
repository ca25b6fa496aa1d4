"""The placement guide: counting leads to the twist, the order goes from the inside out, the list has every twist."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.printing.drawing import Words
from foldtrue.printing.guide import guide_order
from foldtrue.printing.way import grid_start_mm, start_words, way_to

DIRECTIONS_DEG = (0, 60, 120, 180, 240, 300)


def words(pages):
    return [mark.text for page in pages for mark in page.marks if isinstance(mark, Words)]


def walked(way, pitch_mm):
    """Every point on the way, half a space apart, in mm."""
    places = [np.array(way.start)]
    for direction, spaces in way.steps:
        angle = np.deg2rad(DIRECTIONS_DEG[direction])
        unit = pitch_mm * np.array([np.cos(angle), np.sin(angle)])
        places += [places[-1] + s * unit for s in np.linspace(0, spaces, max(2, int(2 * spaces) + 1))[1:]]
    return np.array(places)


def inside(points, outline):
    side = np.roll(outline, -1, 0) - outline
    ray = points[:, None] - outline
    return (side[:, 0] * ray[..., 1] - side[:, 1] * ray[..., 0] > -1e-6 * np.hypot(*side.T)).all(1)


def test_counting_along_two_grid_lines_leads_to_every_twist_and_stays_on_the_sheet(any_plan):
    _, nominal = any_plan
    for twist in nominal.twists:
        way = way_to(nominal, twist)
        assert len(way.steps) <= 2
        assert all(spaces > 0 for _, spaces in way.steps)
        places = walked(way, nominal.pitch_mm)
        np.testing.assert_allclose(places[-1], twist.sheet_mm, atol=1e-4)
        assert inside(places, nominal.sheet_outline_mm).all()


@pytest.mark.parametrize("name", ["turned rectangle", "odd divisions"])
def test_a_grid_that_starts_in_a_corner_is_counted_from_there(named_plan, pages, name):
    _, nominal = named_plan(name)
    np.testing.assert_allclose(grid_start_mm(nominal), nominal.sheet_outline_mm[0], atol=1e-9)
    assert start_words(nominal) == "the ringed corner"
    assert "from the ringed corner count" in " ".join(words(pages(named_plan(name), "guide")))


def test_the_first_twist_is_found_in_words(named_plan, pages):
    # docs/plan-file.md: at spacing 2 the first twist stands two spaces, here of 20 mm, from the centre on the +x axis
    said = " ".join(words(pages(named_plan("honeycomb"), "guide")))
    assert "from the sheet's centre count 2 spaces along the grid line to the right." in said
    assert "40.0 mm right of and 0.0 mm above it" in said


def test_a_twist_in_the_middle_needs_no_counting(named_plan, pages):
    said = " ".join(words(pages(named_plan("mixed"), "guide")))
    assert "number 1 (twist t0, hexagon, hand ccw): its middle lies on the sheet's centre." in said


def test_the_order_is_ring_by_ring_and_counter_clockwise(any_plan):
    _, nominal = any_plan
    order = guide_order(nominal)
    assert {twist.id for twist in order} == {twist.id for twist in nominal.twists}
    rings = [twist.ring for twist in order]
    assert rings == sorted(rings)
    for ring in set(rings):
        x, y = np.array([twist.sheet_mm for twist in order if twist.ring == ring]).T
        assert (np.diff(np.round(np.arctan2(y, x) % (2 * np.pi), 6) % 6.283185) >= 0).all()


def test_the_list_gives_number_name_kind_hand_and_grid_place_of_every_twist(any_plan, pages):
    _, nominal = any_plan
    texts = words(pages(any_plan, "guide"))
    for number, twist in enumerate(guide_order(nominal), 1):
        at = texts.index(twist.id)
        i, j = twist.grid
        assert texts[at - 1] == str(number)
        assert texts[at + 1 : at + 3] == [twist.kind, "ccw" if twist.hand > 0 else "cw"]
        assert [float(v) for v in texts[at + 3 : at + 5]] == pytest.approx([i, j], abs=1e-4)


def test_a_place_from_the_list_can_be_left_out_of_the_plan(pages, named_plan):
    from foldtrue.plan.file import parse_plan
    from foldtrue.plan.fold import fold_plan

    plan, _ = named_plan("honeycomb")
    texts = words(pages(named_plan("honeycomb"), "guide"))
    place = [[float(v) for v in texts[texts.index(name) + 3 : texts.index(name) + 5]] for name in ("t7", "t8")]
    content = plan.model_dump(exclude_none=True)
    content["twists"]["leave_out"] = place
    assert len(fold_plan(parse_plan(content)).twists) == 22
