"""Several edges on one line against the light: the outermost one is seen."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.fit.lines import EdgeLines
from foldtrue.fit.silhouette import on_crease, outermost
from foldtrue.handover import Creases


class Strip:
    """Three creases on one line, 20 mm long, between vertices of their own; the paper lies below (y < 0)."""

    vertices_mm = np.array([[0.0, 0.0], [20.0, 0.0]] * 3)
    creases = Creases(("a", "b", "c"), np.array([[0, 1], [2, 3], [4, 5]]), np.array(["M", "V", "R"]), np.zeros((3, 2)))


class Known:
    """A factor whose covariance is this standard deviation for every unknown."""

    def __init__(self, std_mm):
        self.variance = std_mm**2

    def solve(self, columns):
        return columns * self.variance


def line_at(offset_mm):
    """One shared line seen at this height, its darker side to the right (below)."""
    one = np.ones(1)
    return EdgeLines(
        crease=np.array([0]),
        t_mid=0.5 * one,
        offset_mm=offset_mm * one,
        offset_std_mm=0.01 * one,
        slope_mm=0 * one,
        slope_std_mm=0.01 * one,
        normal=np.array([[0.0, 1.0]]),
        dark=-one,
        kind=np.array([0]),
        glare=np.array([True]),
        on_table=np.array([False]),
        shared=np.array([True]),
        members=(np.array([0, 1, 2]),),
        pair=np.array([-1]),
        pair_kind=np.array([0]),
        stretch=np.array([0]),
        samples=40 * one,
        rms_mm=0.01,
        pixel_share=np.ones((1, 2)),
    )


def taken_for(heights_mm, seen_mm, std_mm=0.01):
    x = np.zeros(13)
    x[1:12:2] = np.repeat(heights_mm, 2)
    crease, doubt = outermost(line_at(seen_mm), Strip, np.arange(6), x, Known(std_mm), loose_mm=0.1)
    return int(crease[0]), float(doubt[0])


@pytest.mark.parametrize("outer", [0, 1, 2])
def test_the_edge_that_sticks_out_most_is_taken(outer):
    heights = np.full(3, -0.3)
    heights[outer] = 0.2
    assert taken_for(heights, 0.2)[0] == outer


def test_a_clear_case_leaves_little_doubt_and_a_tie_leaves_much():
    clear = taken_for([0.5, -0.5, -0.5], 0.5)[1]
    tie = taken_for([0.2, 0.2, -0.5], 0.2)[1]
    assert 0 < 4 * clear < tie


def test_places_along_another_crease_of_the_line_are_its_own():
    """A crease that runs the other way has t turned round, and slopes with it."""
    lines = line_at(0.0)
    Turned = type(
        "Turned", (Strip,), {"vertices_mm": np.array([[0.0, 0], [20, 0], [30, 0], [-10, 0], [0, 0], [20, 0]])}
    )
    t, ratio = on_crease(lines, np.array([1]), Turned)
    assert t[0] == pytest.approx(0.5)
    assert ratio[0] == pytest.approx(-0.5)
    assert on_crease(lines, np.array([0]), Turned)[1][0] == pytest.approx(1.0)
