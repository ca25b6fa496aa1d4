"""The scale by whatever of known size lies in the picture, through the whole measurement of simulated photos."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from panels import folded_panel, panel_plan

from foldtrue.alignment import freedoms
from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import rotation
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.simulate import simulate_photo, truth_poses
from foldtrue.simulate.budget_scene import drawn_scene
from foldtrue.sizes import A4_MM

SEEDS = {"scan": 2, "card": 2, "none": 2, "A4": 8}
"""Drawn scenes whose twists and reference can be measured; many cannot, by their light or size."""


@cache
def shot(kind):
    return simulate_photo(folded_panel(3, 24), drawn_scene(SEEDS[kind], "front", kind, diameter_mm=185.0))


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photos")

    @cache
    def measure(kind, asked="auto", **said):
        path = folder / f"{kind}.img"
        path.write_bytes(shot(kind).jpeg)
        return inspect_photo(path, panel_plan(3, 24), InspectOptions(view="front", reference=asked, **said))

    return measure


@pytest.mark.parametrize("kind", ["scan", "card", "A4"])
def test_what_lies_in_the_picture_is_found_and_named_and_tells_the_size(measured, kind):
    found = measured(kind)
    true = shot(kind).truth.settings["errors"]["scale"]
    assert found.plane.reference == kind
    assert "scale_assumed" not in found.plane.assumed
    assert any(name in found.plane.assumed for name in ("scan_assumed", "card_assumed", "sheet_assumed"))
    assert abs(found.fit.scale - true) < 3 * found.fit.scale_std


def test_what_the_person_names_is_not_called_assumed(measured):
    assert not {"card_assumed", "sheet_assumed"} & set(measured("card", "card").plane.assumed)


def test_asked_for_none_nothing_is_looked_for(measured):
    found = measured("card", "none")
    assert (found.plane.reference, found.fit.scale) == ("none", None)


@pytest.mark.parametrize("asked", ["scan", "card"])
def test_what_is_named_and_not_there_is_refused(measured, asked):
    with pytest.raises(PhotoTooPoor):
        measured("none", asked)


def test_a_cards_face_is_handed_on_to_be_hidden(measured):
    assert len(measured("card").plane.private_px) >= 1
    assert len(measured("none").plane.private_px) == 0


def test_a_scan_tells_the_plane_a_card_and_a_sheet_do_not(measured):
    """A card lies far from the piece, and A4's two tolerances leave a percent of aspect."""
    scan, card, sheet = (measured(kind) for kind in ("scan", "card", "A4"))
    assert (scan.fit.alignment, card.fit.alignment, sheet.fit.alignment) == ("similarity", *["homography"] * 2)
    assert "plane_from_piece" not in scan.plane.assumed
    assert "plane_from_piece" in card.plane.assumed
    assert (card.fit.form, sheet.fit.form) == (None, None)


def test_a_scanned_pieces_form_is_that_of_its_true_places(measured):
    poses, planned = truth_poses(folded_panel(3, 24), shot("scan").truth), folded_panel(3, 24).twists
    at, found = np.array([t.planned_mm for t in planned]), measured("scan").fit
    design, _ = freedoms(at[found.measured], "homography", float(np.abs(at).max()))
    told = np.linalg.lstsq(design, poses.position_error_mm[found.measured].ravel(), rcond=None)[0]
    true = 2 * told[4:] / float(np.abs(at).max())
    assert (np.abs(found.form.figures - true) < 3 * found.form.std).all()


def test_a_rectangle_that_is_pointed_at_gives_the_size(measured):
    """The sheet's own corners, cut as it is, stand for a cutting mat."""
    settings = shot("A4").truth.settings["reference"]
    half = 0.5 * (np.array(A4_MM) + settings["deviation_mm"])
    corners = (half * [[-1, 1], [1, 1], [1, -1], [-1, -1]]) @ rotation(settings["turn_deg"]).T + settings["centre_mm"]
    px, size = shot("A4").truth.map.to_px(corners), tuple(2 * half)
    first = int(np.argmin(px.sum(1)))  # clockwise from the top left, as a person would
    if first % 2:
        size = size[::-1]
    px = np.roll(px, -first, 0)
    found = measured("A4", "corners", corners_px=tuple(map(tuple, px.tolist())), corners_mm=size)
    true = shot("A4").truth.settings["errors"]["scale"]
    assert found.plane.reference == "corners"
    assert not {"scale_assumed", "sheet_assumed"} & set(found.plane.assumed)
    assert abs(found.fit.scale - true) < 3 * found.fit.scale_std


def test_corners_of_something_else_are_refused(measured):
    """A square that is called oblong: the piece would be out of all shape."""
    middle, turn = measured("none").fit.map, [[-60.0, 60.0], [60.0, 60.0], [60.0, -60.0], [-60.0, -60.0]]
    px = middle.to_px(np.array(turn))
    first = int(np.argmin(px.sum(1)))
    px = tuple(map(tuple, np.roll(px, -first, 0).tolist()))
    with pytest.raises(PhotoTooPoor, match="out of shape"):
        measured("none", "corners", corners_px=px, corners_mm=(126.0, 114.0))
