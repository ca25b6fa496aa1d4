"""Front and back views under a lamp: where the plan's edges lie against a simulated photo's own camera."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from panels import folded_panel

from foldtrue.errors import NotThisPiece
from foldtrue.rectify import lit, surface
from foldtrue.rectify.by_edges import visible_edges
from foldtrue.rectify.piece import RectifyOptions, rectify_photo
from foldtrue.rectify.symmetry import motion, turns_alike
from foldtrue.simulate import Camera, Errors, Scene, practice_scene, simulate_photo
from foldtrue.simulate.lit import Reference, Surface

PLANS = {2: (2, 24, 240, 2), 3: (3, 24, 198, 2), 4: (4, 32, 208, 2)}


@pytest.fixture(scope="module", params=PLANS)
def plan(request):
    return folded_panel(*PLANS[request.param])


def scene(view, seed, **camera):
    lens = {"width_px": 1400, "height_px": 1100} | camera
    return Scene(seed=seed, view=view, camera=Camera(**lens), errors=Errors(position_mm=0.1, angle_deg=0.3))


def off_pitches(nominal, plane, truth):
    """Largest distance of any vertex from its planned place, in pitches, in the best of the turns that look alike."""
    edges = visible_edges(nominal, plane.view)
    turns = turns_alike(edges.start_mm, edges.end_mm, nominal.pitch_mm)
    pitch_px = nominal.pitch_mm * np.hypot(*truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    there = truth.map.to_px(nominal.vertices_mm)
    moved = (plane.map.to_px(nominal.vertices_mm @ motion(t, np.zeros(2))[:2, :2].T) for t in turns)
    return min(np.hypot(*(m - there).T).max() for m in moved) / pitch_px


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize(("roll_deg", "tilt_deg"), [(0.0, 0.0), (17.0, 12.0), (-25.0, 20.0)])
def test_the_edges_lie_on_the_edges(plan, view, roll_deg, tilt_deg):
    shot = simulate_photo(plan, scene(view, 3, roll_deg=roll_deg, tilt_deg=tilt_deg, tilt_axis_deg=50.0))
    plane = rectify_photo(shot.photo, plan, RectifyOptions(view=view))
    assert (plane.view, plane.side, plane.method) == (view, view, "outline")
    assert off_pitches(plan, plane, shot.truth) < 0.1
    assert plane.turn_deg == pytest.approx(roll_deg, abs=4.0)


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize("seed", [301, pytest.param(302, marks=pytest.mark.accuracy)])
def test_a_hasty_photo_is_found_or_declined(plan, view, seed):
    """Any table, lamp, paper, thumb and sheet underneath: never a wrong place. Twists as loose as these, and lenses
    bent as much, move edges by up to a sixth of a pitch."""
    given = practice_scene(seed, "medium", view)
    half = replace(given, camera=replace(given.camera, width_px=2016, height_px=1512))
    shot = simulate_photo(plan, half)
    try:
        plane = rectify_photo(shot.photo, plan, RectifyOptions(view=view))
    except NotThisPiece:
        return
    assert off_pitches(plan, plane, shot.truth) < 0.2


def test_a_piece_on_a_sheet_of_paper_is_found(plan):
    camera = Camera(width_px=2400, height_px=1800, distance_mm=400.0)
    sheet, paper = Reference(size="A4", turn_deg=20.0), Surface(front=(0.25, 0.4, 0.6))
    under = replace(scene("front", 5), camera=camera, reference=sheet, surface=paper)
    shot = simulate_photo(plan, under)
    plane = rectify_photo(shot.photo, plan, RectifyOptions(view="front"))
    assert off_pitches(plan, plane, shot.truth) < 0.1


def test_without_a_rim_that_shows_the_lattice_finds_it(plan, monkeypatch):
    monkeypatch.setattr(surface, "outline_candidates", lambda *_, **__: [])
    shot = simulate_photo(plan, scene("front", 6, roll_deg=10.0, tilt_deg=10.0))
    plane = rectify_photo(shot.photo, plan, RectifyOptions(view="front"))
    assert plane.method == "lattice"
    assert off_pitches(plan, plane, shot.truth) < 0.1


def test_a_piece_that_fills_the_picture_and_more_is_ambiguous():
    """No rim is in the picture: one lattice site is as good as the next."""
    wide = folded_panel(2, 32, 288, 4)
    shot = simulate_photo(wide, scene("front", 7, fill=2.6))
    with pytest.raises(NotThisPiece):
        rectify_photo(shot.photo, wide, RectifyOptions(view="front"))


@pytest.mark.parametrize(("shown", "asked"), [((2, 32, 240, 4), (2, 16, 240, 2)), ((2, 16, 240, 2), (3, 24, 240, 2))])
def test_another_plan_of_the_same_outline_is_declined(shown, asked):
    """The first shows all the edges asked for and as many others, the second other edges."""
    shot = simulate_photo(folded_panel(*shown), scene("front", 8))
    with pytest.raises(NotThisPiece):
        rectify_photo(shot.photo, folded_panel(*asked), RectifyOptions(view="front"))


@pytest.mark.parametrize("view", ["front", "back", "auto"])
def test_a_smooth_picture_and_noise_are_declined(nominal, photo, view):
    noise = replace(photo, pixels=np.random.default_rng(1).integers(0, 255, (700, 900, 3)).astype(np.uint8))
    for other in (photo, noise):
        with pytest.raises(NotThisPiece):
            rectify_photo(other, nominal, RectifyOptions(view=view))


@pytest.mark.parametrize("view", ["backlit", "front", "back"])
def test_auto_tells_the_three_views_apart(plan, view):
    shot = simulate_photo(plan, scene(view, 9, roll_deg=12.0))
    assert rectify_photo(shot.photo, plan, RectifyOptions(view="auto")).view == view


def test_auto_takes_a_front_that_stands_for_one_whatever_the_back_does(nominal, monkeypatch):
    """Unused creases of the grid run where the back's edges would lie; nothing runs where the front's would."""
    shot = simulate_photo(nominal, scene("front", 9))
    judge = lit.judge_view
    monkeypatch.setattr(lit, "judge_view", lambda *given, **_: judge(*given[:3], "front", given[4]))
    assert rectify_photo(shot.photo, nominal, RectifyOptions(view="auto")).view == "front"


def test_auto_declines_what_is_light_and_dark_like_layers_but_not_the_plans(plan, monkeypatch):
    """A front whose facets differ as two layers' light does."""
    shot = simulate_photo(plan, scene("front", 9))
    monkeypatch.setattr(lit, "light_spread", lambda small, verdict: 0.7)
    with pytest.raises(NotThisPiece, match="against the light"):
        rectify_photo(shot.photo, plan, RectifyOptions(view="auto"))


def test_auto_does_not_take_noise_for_layers(plan):
    """Little light: the noise of a pixel is half of its light, whose logarithm then spreads as far as two layers'."""
    shot = simulate_photo(plan, scene("front", 9))
    light = (shot.photo.pixels / 255.0) ** 2.2
    noisy = light * (1 + np.random.default_rng(4).normal(0, 0.5, light.shape[:2]))[..., None]
    pixels = np.rint(255 * np.clip(noisy, 0.002, 1) ** (1 / 2.2)).astype(np.uint8)
    photo = replace(shot.photo, pixels=pixels)
    assert rectify_photo(photo, plan, RectifyOptions(view="auto")).view == "front"


def test_the_centre_may_be_named(plan):
    shot = simulate_photo(plan, scene("front", 10))
    at = tuple(shot.truth.map.to_px(np.zeros((1, 2)))[0])
    plane = rectify_photo(shot.photo, plan, RectifyOptions(view="front", at_px=at))
    assert plane.method == "given"
    assert off_pitches(plan, plane, shot.truth) < 0.1
