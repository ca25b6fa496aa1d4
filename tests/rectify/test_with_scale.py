"""The scale by whatever of known size lies in the picture, through the whole measurement of simulated photos."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from mat_in_photo import TURN_DEG, mat_photo
from panels import folded_panel, panel_plan
from scipy import stats

from foldtrue.alignment import freedoms
from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import rotation
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.report.result import result_record
from foldtrue.simulate import Camera, Card, Ground, MatSheet, Scene, simulate_photo, truth_poses
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


PANEL = (2, 16, 200.0)
"""Small enough for the free place of A4."""


@pytest.fixture(scope="module")
def inside_the_mat(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mats")

    @cache
    def measure(view, bars=True, asked="auto"):
        made = mat_photo(view)
        path = folder / f"{view}.jpg"
        path.write_bytes(made.jpeg)
        bars_mm = made.truth.settings["mat_bars_mm"] if bars else None
        return inspect_photo(path, panel_plan(*PANEL), InspectOptions(view=view, reference=asked, bars_mm=bars_mm))

    return measure


@pytest.mark.parametrize("view", ["front", "backlit"])
def test_a_piece_inside_the_frame_is_found_and_sized_by_the_mat(inside_the_mat, view):
    """The panel was drawn at its planned size, flat on the mat; the height that is allowed for is the layers'."""
    found = inside_the_mat(view)
    assert found.plane.reference == "mat"
    assert not {"scale_assumed", "mat_scale_assumed"} & set(found.plane.assumed)
    assert found.fit.measured.mean() > 0.75
    assert abs(found.fit.scale - 1) < 3 * found.fit.scale_std
    assert found.fit.scale_std < 0.0025


def test_the_mats_up_mark_settles_turns_that_look_alike(inside_the_mat):
    """The mat's up is the photo's left: of the turns that look alike the one nearest to 92 deg, not to 0."""
    found = inside_the_mat("backlit")
    step = min(turn for turn in found.nominal.symmetry["backlit"] if turn > 0)
    assert abs(found.plane.turn_deg - TURN_DEG) <= step / 2 + 3


def test_without_bars_the_result_says_that_the_print_was_trusted(inside_the_mat):
    found = inside_the_mat("front", bars=False)
    assert "mat_scale_assumed" in found.plane.assumed
    assert found.fit.scale_std > 0.01
    # What is off by 2 % at most, and else known to a tenth of that, is known to little more than 95 % of 2 %.
    u95 = result_record(found)["fit"]["scale_u95"]
    assert 0.95 * 0.02 < u95 / found.fit.scale < 0.0205


def test_a_card_that_contradicts_the_print_is_said(tmp_path):
    """A mat printed at 94 %, nobody has measured its bars, and a card lies beside it."""
    camera = Camera(width_px=3200, height_px=2400, distance_mm=560.0, tilt_deg=5.0, aim_mm=(0.0, 45.0))
    sheet = MatSheet(turn_deg=92.0, scale=(0.94, 0.94))
    dark = Ground(kind="plain", colour=(0.12, 0.1, 0.08))
    card = Card(centre_mm=(0.0, 150.0), turn_deg=4.0, printed=False, colour=(0.7, 0.7, 0.65))
    scene = Scene(seed=3, view="front", camera=camera, mat=sheet, card=card, ground=dark, oversample=1)
    path = tmp_path / "photo.jpg"
    path.write_bytes(simulate_photo(folded_panel(*PANEL), scene).jpeg)
    found = inspect_photo(path, panel_plan(*PANEL), InspectOptions(view="front"))
    assert {"mat_scale_assumed", "references_disagree"} <= set(found.plane.assumed)
    assert len(found.plane.private_px) >= 1


def test_a_scan_tells_the_plane_a_card_and_a_sheet_do_not(measured):
    """A card lies far from the piece, and A4's two tolerances leave a percent of aspect."""
    scan, card, sheet = (measured(kind) for kind in ("scan", "card", "A4"))
    assert (scan.fit.alignment, card.fit.alignment, sheet.fit.alignment) == ("similarity", *["homography"] * 2)
    assert "plane_from_piece" not in scan.plane.assumed
    assert "plane_from_piece" in card.plane.assumed
    assert (card.fit.form, sheet.fit.form) == (None, None)


def form_off(seed, path):
    """(4,) form of a scanned piece less that of its true places, in stated standard deviations."""
    nominal = folded_panel(3, 24)
    drawn = simulate_photo(nominal, drawn_scene(seed, "front", "scan", diameter_mm=185.0))
    path.write_bytes(drawn.jpeg)
    found = inspect_photo(path, panel_plan(3, 24), InspectOptions(view="front")).fit
    at = np.array([t.planned_mm for t in nominal.twists])
    reach = float(np.abs(at).max())
    design, _ = freedoms(at[found.measured], "homography", reach)
    error = truth_poses(nominal, drawn.truth).position_error_mm[found.measured]
    true = 2 * np.linalg.lstsq(design, error.ravel(), rcond=None)[0][4:] / reach
    return (found.form.figures - true) / found.form.std


@pytest.mark.accuracy
def test_a_scanned_pieces_form_is_that_of_its_true_places(tmp_path):
    """Four figures of each of four pieces: the sum of their squares is a chi-square of 16 freedoms, above 39.3 in one
    of a thousand cases."""
    off = [form_off(seed, tmp_path / "scan.img") for seed in (SEEDS["scan"], 20, 21, 22)]
    assert np.sum(np.square(off)) < stats.chi2.isf(0.001, 16)


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
