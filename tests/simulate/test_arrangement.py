"""Layer counts beside every edge piece, against an independent point-in-polygon count."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import points_in_poly

from foldtrue.frames import Array
from foldtrue.handover import Nominal
from foldtrue.simulate import Errors
from foldtrue.simulate.arrangement import Pieces, buried_pieces, cut_at_crossings, nudged
from foldtrue.simulate.piece import errors_applied


def layers_at(nominal: Nominal, vertices_mm: Array, points: Array) -> Array:
    return np.sum([points_in_poly(points, vertices_mm[list(f.vertices)]) for f in nominal.facets], axis=0)


def beside(pieces: Pieces, away_mm: float, longer_than_mm: float) -> tuple[Array, Array, Array]:
    """Points left and right of the middles of all pieces long enough, and which pieces those are."""
    along = pieces.end - pieces.start
    length = np.hypot(*along.T)
    use = length > longer_than_mm
    normal = np.column_stack([-along[:, 1], along[:, 0]])[use] / length[use, None]
    middle = 0.5 * (pieces.start + pieces.end)[use]
    return middle + away_mm * normal, middle - away_mm * normal, use


@pytest.mark.parametrize("errors", [Errors(), Errors(position_mm=0.2, angle_deg=0.5, vertex_mm=0.05)])
def test_counts_beside_edges_are_those_of_point_in_polygon(panel: Nominal, errors: Errors) -> None:
    vertices = nudged(errors_applied(panel, errors, np.random.default_rng(1)), 1)
    pieces = cut_at_crossings(vertices, panel.facets)
    left, right, use = beside(pieces, 1e-8, 1e-3)
    assert use.sum() > 200
    assert np.array_equal(pieces.left[use], layers_at(panel, vertices, left))
    assert np.array_equal(pieces.right[use], layers_at(panel, vertices, right))


@pytest.mark.parametrize("seed", range(3))
def test_every_node_is_surrounded_consistently(open_panel: Nominal, seed: int) -> None:
    vertices = nudged(errors_applied(open_panel, Errors(position_mm=0.3), np.random.default_rng(seed)), seed)
    assert cut_at_crossings(vertices, open_panel.facets).leak() == 0


def test_layers_times_area_give_the_sheet(open_panel: Nominal) -> None:
    # Folding keeps area: the layers integrated over the folded piece are the area of the sheet.
    pieces = cut_at_crossings(nudged(open_panel.vertices_mm, 1), open_panel.facets)
    a, b = pieces.start, pieces.end
    swept = 0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])  # Green: area left of closed curves
    sheet = 360**2 * np.sqrt(3) / 2
    assert np.sum(swept * (pieces.left - pieces.right)) == pytest.approx(sheet, rel=1e-7)


def area_with(pieces: Pieces, layers: int) -> float:
    """mm^2 that hold this number of layers or more (Green's theorem over the edge pieces)."""
    a, b = pieces.start, pieces.end
    swept = 0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    return float(np.sum(swept * ((pieces.left >= layers).astype(int) - (pieces.right >= layers))))


def test_a_perfect_dense_panel_shows_no_slivers(panel: Nominal) -> None:
    pieces = cut_at_crossings(nudged(panel.vertices_mm, 1), panel.facets)
    assert area_with(pieces, 1) == pytest.approx(120**2 * np.sqrt(3) / 2, rel=1e-5)  # folded height 120 mm
    assert area_with(pieces, 6) < 0.01
    assert area_with(pieces, 3) > 0.8 * area_with(pieces, 1)


def test_nudge_is_far_below_anything_measurable(panel: Nominal) -> None:
    assert 0 < np.abs(nudged(panel.vertices_mm, 3) - panel.vertices_mm).max() <= 3e-5


def test_folds_under_other_paper_are_buried(pleat: Nominal) -> None:
    # Front: the left cell covers the valley fold at x = -10; from behind the right cell covers the mountain at x = 0.
    vertices = nudged(pleat.vertices_mm, 1)
    pieces = cut_at_crossings(vertices, pleat.facets)
    x = 0.5 * (pieces.start + pieces.end)[:, 0]
    fold = (pieces.owners[pieces.edge].min(axis=1) >= 0) & (np.hypot(*(pieces.end - pieces.start).T) > 1)
    valley, mountain = fold & (abs(x + 10) < 1), fold & (abs(x) < 1)
    front, back = (buried_pieces(pleat, vertices, pieces, side) for side in ("front", "back"))
    assert front[valley].all()
    assert not front[mountain].any()
    assert back[mountain].all()
    assert not back[valley].any()


def shown_mm(nominal: Nominal, side: str, kind: str) -> dict[frozenset[int], float]:
    """Length in mm that shows of each crease of a kind, by its two vertices."""
    vertices = nudged(nominal.vertices_mm, 1)
    pieces = cut_at_crossings(vertices, nominal.facets)
    length = np.hypot(*(pieces.end - pieces.start).T) * ~buried_pieces(nominal, vertices, pieces, side)
    shown = np.bincount(pieces.edge, length, len(pieces.edges))
    by_ends = {frozenset(ends): float(mm) for ends, mm in zip(pieces.edges.tolist(), shown, strict=True)}
    return {key: by_ends[key] for ends, k in zip(nominal.creases.ends.tolist(), nominal.creases.kind, strict=True)
            if k == kind and (key := frozenset(ends)) in by_ends}  # fmt: skip


def test_from_the_front_every_twist_polygon_shows_whole(open_panel: Nominal) -> None:
    # A honeycomb's twist polygons lie on top: their three sides of sqrt(3) pitches show from end to end.
    shown = shown_mm(open_panel, "front", "M")
    for twist in open_panel.twists:
        for side in zip(twist.tips, (*twist.tips[1:], twist.tips[0]), strict=True):
            assert shown[frozenset(side)] == pytest.approx(np.sqrt(3) * open_panel.pitch_mm, abs=1e-3)


def test_from_behind_the_middle_of_each_joined_valley_fold_shows(open_panel: Nominal) -> None:
    # Spacing L = 3: of a valley fold (L + 1) pitches long, joining two twists, the middle L - 1 pitches show.
    tips = {vertex for twist in open_panel.twists for vertex in twist.tips}
    joined = [mm for ends, mm in shown_mm(open_panel, "back", "V").items() if ends <= tips]
    assert len(joined) == 30
    assert joined == pytest.approx([2 * open_panel.pitch_mm] * 30, abs=1e-3)
