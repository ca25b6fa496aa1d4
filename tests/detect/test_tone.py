"""Edges that show by a change of tone alone, on pictures painted here: each twist lighter or darker than the paper."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from painted_edges import LINEAR, SHAPE, folded, found_in, misses, painted, piece, plane_of

from foldtrue.handover import Photo
from foldtrue.stretches import OUTER, RIM, SIDE, lit_kinds

STEP = 0.06


def toned(displacement, tone, noise=0.01, seed=0):
    """A photo of a front of spacing 3 whose twists (T,) are lighter by tone than the paper, relative, on a darker
    table, with vertices moved by displacement (V, 2) mm. No shadow, no ridge."""
    nominal, plane = folded(3), plane_of("front")
    moved, fine = nominal.vertices_mm + displacement, 8
    light = np.full((SHAPE[0], SHAPE[1]), 0.3, np.float32)

    def fill(points_mm, value):
        """Sub-pixel exact: drawn eight times as large and averaged."""
        px = plane.map.to_px(points_mm)
        low = np.floor(px.min(0)).astype(int) - 2
        size = np.ceil(px.max(0)).astype(int) + 3 - low
        large = np.zeros((size[1] * fine, size[0] * fine), np.float32)
        cv2.fillPoly(large, [np.rint((px - low + 0.5) * fine - 0.5).astype(np.int32)], 1.0)
        share = cv2.resize(large, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA)
        part = light[low[1] : low[1] + size[1], low[0] : low[0] + size[0]]
        part += share * (value - part)

    fill(nominal.outline_mm, 1.0)
    for twist, more in zip(nominal.twists, tone, strict=True):
        fill(moved[list(twist.tips)], 1.0 + more)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    light *= 1 + noise * np.random.default_rng(seed).normal(size=SHAPE)
    code = np.rint(np.clip(0.5 * light, 0, 1) * 65535).astype(np.uint16)
    return Photo(np.repeat(code[:, :, None], 3, axis=2), LINEAR, "0" * 64, "PNG", 1, None, None)


def either_way(seed=3):
    """Half of the twists lighter than the paper, half darker, in no order."""
    count = len(folded(3).twists)
    return STEP * np.random.default_rng(seed).permutation(np.where(np.arange(count) % 2, 1.0, -1.0))


def sides():
    """Whether each stretch (S,) of the front is a twist's side."""
    return lit_kinds(folded(3), "front").kind_type == SIDE


@pytest.fixture(scope="module")
def seen():
    displacement = piece(3)
    return displacement, found_in(toned(displacement, either_way()), 3, "front")


def test_sides_are_found_though_some_twists_are_lighter_and_some_darker(seen):
    """Over a kind the mean is even, so no look of its kind shows such an edge."""
    features = seen[1]
    assert features.found[sides()].mean() > 0.9


def test_they_lie_where_they_were_drawn_to_half_a_pixel(seen):
    """0.1 mm at 5 px per mm; the step is six times the noise of one pixel."""
    displacement, features = seen
    miss, use = misses(3, "front", features, displacement)
    by_tone = features.tone[features.stretch[use]] > 0
    assert by_tone.sum() > 100
    assert 1.4826 * np.median(np.abs(miss[by_tone])) < 0.1


def test_the_sense_of_the_step_is_told(seen):
    """A side falls away from its twist, so light falls along the facing where the twist is the lighter."""
    features, nominal, tone = seen[1], folded(3), either_way()
    s = nominal.views["front"]
    owner = {t: k for k, twist in enumerate(nominal.twists) for t in [frozenset(twist.tips)]}
    told = 0
    for stretch in np.flatnonzero(sides() & features.found & (features.tone > 0)):
        ends = set(nominal.creases.ends[s.crease[stretch]].tolist())
        twist = next(k for tips, k in owner.items() if ends <= tips)
        assert features.tone[stretch] == (1 if tone[twist] > 0 else 2)
        told += 1
    assert told > 20


def test_even_paper_shows_no_step():
    """Noise alone: nothing inside the outline is found."""
    features = found_in(toned(piece(3), np.zeros(len(folded(3).twists))), 3, "front")
    inside = ~np.isin(lit_kinds(folded(3), "front").kind_type, (RIM, OUTER))
    assert features.found[inside].mean() < 0.05


def test_a_single_step_teaches_no_look_and_is_left_out():
    """One twist of 24 that leans says too little of how a step of tone looks in this photo."""
    tone = np.zeros(len(folded(3).twists))
    tone[0] = STEP
    features = found_in(toned(piece(3), tone), 3, "front")
    assert not (features.tone[sides()] > 0).any()


def test_an_edge_that_shows_as_its_kind_does_is_not_taken_by_its_tone():
    displacement = piece(3)
    features = found_in(painted(3, "front", displacement, 1.0, noise=0.01), 3, "front")
    assert features.found.mean() > 0.9
    assert (features.tone == 0).all()
