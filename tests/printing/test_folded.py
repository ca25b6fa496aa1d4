"""The folded piece from its front and back, and the areas made after the twists."""

from __future__ import annotations

import numpy as np

from foldtrue.printing.drawing import Area, Stroke, Words
from foldtrue.printing.folded import draw_folded


def edges(drawing):
    return np.array([m.points for m in drawing.marks if isinstance(m, Stroke) and m.kind in ("edge", "cut")])


def shown(nominal, side):
    """(S, 2, 2) mm of what shows, straight from the plan's view."""
    view = nominal.views[side]
    start, stop = (nominal.vertices_mm[nominal.creases.ends[view.crease, k]] for k in (0, 1))
    return np.stack([start + t[:, None] * (stop - start) for t in (view.t0, view.t1)], 1)


def as_set(segments):
    """To 0.001 mm, moved a little so that no half of it is rounded up here and down there."""
    return {tuple(sorted(map(tuple, np.round(segment + 0.00037, 3).tolist()))) for segment in segments}


def test_the_front_shows_what_the_plan_says_that_shows(any_plan):
    _, nominal = any_plan
    assert as_set(edges(draw_folded(nominal, "front"))) == as_set(shown(nominal, "front"))


def test_the_back_is_drawn_turned_over_about_the_upright_axis(any_plan):
    _, nominal = any_plan
    assert as_set(edges(draw_folded(nominal, "back"))) == as_set(shown(nominal, "back") * [-1, 1])


def test_names_follow_the_piece_when_it_is_turned_over(named_plan):
    _, nominal = named_plan("listed")
    for side, sign in (("front", 1), ("back", -1)):
        words = {m.text: m.at for m in draw_folded(nominal, side).marks if isinstance(m, Words)}
        for twist in nominal.twists:
            np.testing.assert_allclose(words[twist.id][0], sign * twist.planned_mm[0], atol=1e-6)


def test_the_size_said_is_the_finished_piece(named_plan):
    # design values: a 240 mm hexagon standing on a corner, 277.13 mm tall, folds to half of it at spacing 2
    assert "120.0 x 138.6 mm" in draw_folded(named_plan("honeycomb")[1], "front").about


def test_panels_and_unmodelled_areas_are_plain_outlines_with_a_word_and_nothing_behind_it(named_plan):
    _, nominal = named_plan("with areas")
    marks = draw_folded(nominal, "front").marks
    outlines = [m for m in marks if isinstance(m, Stroke) and m.kind in ("panel", "unmodelled")]
    for drawn, planned in zip(outlines, nominal.unmodelled_mm, strict=True):
        np.testing.assert_allclose(drawn.points, planned)
        assert drawn.closed
        assert not drawn.dashes
    blank = [m for m in marks if isinstance(m, Area) and m.kind == "unmodelled"]
    assert [m.grey for m in blank] == [1.0] * len(outlines)
    words = [m.text for m in marks if isinstance(m, Words)]
    assert {"panel0", "not modelled"} <= set(words)
