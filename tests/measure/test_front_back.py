"""Front and back under a lamp: what is planted comes out in plan coordinates, what does not show is not measured.

Photos of 6 px per mm of a piece 120 mm wide (spacing 2), and of 4.6 px per mm of one 160 mm wide (spacing 3).
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from foldtrue.errors import FoldtrueError, NotThisPiece, PhotoTooPoor
from foldtrue.fit.poses import fit_globally
from foldtrue.frames import apply_homography
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.measured import radius95
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Camera, Errors, Lamp, Outlier, Relief, Scene, Sensor, simulate_photo, truth_poses
from foldtrue.stretches import GROOVE, SIDE, left_normals, lit_kinds

DIVISIONS = {2: 16, 3: 24}
VIEWS = ("front", "back")
LOOSE = Errors(position_mm=0.3, angle_deg=1.0, vertex_mm=0.03, seed=5)
"""One piece, whatever side of it is photographed."""


@cache
def plan_of(spacing):
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "window panel (invented)",
            "sheet": {"shape": "hexagon", "height_mm": 240},
            "grid": {"kind": "point-to-point", "divisions": DIVISIONS[spacing]},
            "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": 2},
        }
    )


@cache
def nominal_of(spacing):
    return fold_plan(plan_of(spacing))


@cache
def simulated(spacing, view, errors=LOOSE, seed=1, **more):
    camera = Camera(width_px=1400, height_px=1060, focal_35mm=50.0, roll_deg=-6.0, tilt_deg=4.0)
    scene = Scene(seed=seed, view=view, errors=errors, camera=camera, **more)
    return simulate_photo(nominal_of(spacing), scene)


@pytest.fixture(scope="module")
def inspect_pixels(tmp_path_factory):
    """inspect_pixels(pixels (H, W, 3) RGB, spacing, view) -> Inspection."""
    folder = tmp_path_factory.mktemp("photos")

    def run(pixels, spacing, view):
        cv2.imwrite(str(folder / "photo.png"), np.ascontiguousarray(pixels[:, :, ::-1]))
        return inspect_photo(folder / "photo.png", plan_of(spacing), InspectOptions(view=view))

    return run


@pytest.fixture(scope="module")
def inspected(inspect_pixels):
    """inspected(spacing, view, ...) -> (simulated, inspection) of the photo as it was taken; each is measured once."""

    @cache
    def make(spacing, view, errors=LOOSE, seed=1):
        shot = simulated(spacing, view, errors, seed)
        return shot, inspect_pixels(shot.photo.pixels, spacing, view)

    return make


def left_after_fit(nominal, error):
    """Planted errors (T, 2) with the best homography of the whole piece taken out, as the tool reports them."""
    planned = np.array([t.planned_mm for t in nominal.twists])
    fit = fit_globally(planned, planned + error, "homography", np.ones(len(planned)))
    return apply_homography(np.linalg.inv(fit.matrix), planned + error) - planned


def planted(spacing, shot):
    """Errors (T, 2) mm in plan coordinates as the tool should state them, and turns (T,) deg."""
    poses = truth_poses(nominal_of(spacing), shot.truth)
    return left_after_fit(nominal_of(spacing), poses.position_error_mm), poses.angle_error_deg


def position_std(found):
    """(T,) mm, both axes together."""
    return np.sqrt(np.trace(found.fit.position_cov_mm2, axis1=1, axis2=2))


def less_overturn(nominal, turn, measured):
    """Turns without the part that goes with the hands, as their uncertainty is stated."""
    hand = np.array([t.hand for t in nominal.twists])
    return turn - hand * np.mean((hand * turn)[measured])


# --- what is planted comes out ---


@pytest.mark.parametrize("spacing", DIVISIONS)
@pytest.mark.parametrize("view", VIEWS)
def test_planted_places_come_out_within_what_is_stated(inspected, spacing, view):
    """Two photos of two pieces: errors of the normal law have 2 in a thousand beyond three deviations of the vector,
    and their mean square, of some twenty independent ones, is known to a third."""
    ratio = []
    for seed in (1, 2):
        errors = Errors(position_mm=0.3, angle_deg=1.0, vertex_mm=0.03, seed=4 + seed)
        shot, found = inspected(spacing, view, errors, seed)
        seen = found.fit.measured
        assert seen.sum() >= 12
        miss = np.hypot(*(found.fit.position_error_mm - planted(spacing, shot)[0]).T)
        ratio.append((miss / position_std(found))[seen])
    ratio = np.concatenate(ratio)
    assert np.mean(ratio < 3) >= 0.95
    assert np.sqrt(np.mean(ratio**2)) < 1 + 1 / 3


# Steps of spacing 3 show each twist's own sides from the front; where they do not, neighbours' edges have to tell.
SHARE_LOST = {(2, "front"): 0.7, (2, "back"): 0.35, (3, "front"): 0.15, (3, "back"): 0.6}


@pytest.mark.parametrize(("spacing", "view"), SHARE_LOST)
def test_more_of_what_is_planted_comes_out_than_is_lost(inspected, spacing, view):
    """Root mean square of what is left after the stated errors are taken off, against that of the planted ones."""
    shot, found = inspected(spacing, view)
    seen = found.fit.measured
    wanted = planted(spacing, shot)[0]
    left = np.sum((found.fit.position_error_mm - wanted)[seen] ** 2)
    assert np.sqrt(left / np.sum(wanted[seen] ** 2)) < SHARE_LOST[spacing, view]


@pytest.mark.parametrize(
    ("spacing", "view"),
    [
        (2, "front"),
        (2, "back"),
        (3, "front"),
        pytest.param(
            3, "back", marks=pytest.mark.xfail(reason="turns from behind at spacing 3 err 1.6 times what is stated")
        ),
    ],
)
def test_planted_turns_come_out_within_what_is_stated(inspected, spacing, view):
    shot, found = inspected(spacing, view)
    nominal, seen = nominal_of(spacing), found.fit.measured
    turn = planted(spacing, shot)[1]
    off = less_overturn(nominal, found.fit.angle_error_deg - turn, seen)[seen]
    # The whole piece's turn is in the plane's map, not in the twists' figures.
    off = off - off.mean()
    ratio = off / found.fit.angle_std_deg[seen]
    # two deviations of a root mean square of twelve independent turns
    assert np.sqrt(np.mean(ratio**2)) < 1.4
    assert np.corrcoef(found.fit.angle_error_deg[seen], turn[seen])[0, 1] > 0.8


# --- plan coordinates from both sides ---

ONE_OFF = {
    2: Errors(position_mm=0.03, angle_deg=0.1, seed=6, outliers=(Outlier(twist="t3", x_mm=0.9, y_mm=-0.6),)),
    3: Errors(position_mm=0.03, angle_deg=0.1, seed=6, outliers=(Outlier(twist="t3", x_mm=0.5, y_mm=-0.35),)),
}
"""At spacing 2 a twist's tips are its neighbours' too and hold it back: half of the shift is left."""
ONE_TURNED = Errors(position_mm=0.03, angle_deg=0.1, seed=6, outliers=(Outlier(twist="t3", angle_deg=3.0),))


@pytest.mark.parametrize("spacing", DIVISIONS)
@pytest.mark.parametrize("view", VIEWS)
def test_a_twist_that_is_off_appears_at_that_twist_with_its_sign_from_both_sides(inspected, spacing, view):
    """Seen from behind the piece is mirrored; the figures are not."""
    shot, found = inspected(spacing, view, ONE_OFF[spacing])
    wanted = planted(spacing, shot)[0]
    found_mm, std = found.fit.position_error_mm, position_std(found)
    assert np.hypot(*wanted.T).argmax() == 3
    assert np.where(found.fit.measured | (np.arange(24) == 3), np.hypot(*found_mm.T), 0).argmax() == 3
    assert np.hypot(*(found_mm[3] - wanted[3])) < 3 * std[3]
    assert (np.sign(found_mm[3]) == [1, -1]).all()


@pytest.mark.parametrize("view", VIEWS)
def test_a_turn_is_counter_clockwise_seen_from_the_front_from_both_sides(inspected, view):
    shot, found = inspected(3, view, ONE_TURNED)
    turn = found.fit.angle_error_deg
    assert turn[3] == pytest.approx(planted(3, shot)[1][3], abs=0.3 + 3 * found.fit.angle_std_deg[3])
    assert turn[3] > 1.5
    assert np.nanmax(np.abs(np.delete(turn, 3))) < turn[3]


@pytest.mark.parametrize("spacing", DIVISIONS)
def test_both_sides_of_one_piece_tell_the_same(inspected, spacing):
    """The same piece, two photos with other light: they differ by no more than both uncertainties allow."""
    front, back = inspected(spacing, "front")[1], inspected(spacing, "back")[1]
    both = front.fit.measured & back.fit.measured
    apart = np.hypot(*(front.fit.position_error_mm - back.fit.position_error_mm)[both].T)
    assert both.sum() >= 12
    assert np.mean(apart < 3 * np.hypot(position_std(front), position_std(back))[both]) >= 0.9
    a, b = (f.fit.position_error_mm[both].ravel() for f in (front, back))
    assert np.corrcoef(a, b)[0, 1] > 0.6


@pytest.mark.parametrize("view", VIEWS)
def test_the_twists_lie_in_the_photo_where_their_figures_say(inspected, view):
    """centre_px of every twist against the drawn one, in units of its stated uncertainty in the photo."""
    shot, found = inspected(3, view)
    drawn = np.array([t.mean(0) for t in shot.truth.tips_px])
    scale = np.hypot(*shot.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    off_mm = np.hypot(*(found.fit.centre_px - drawn).T) / scale
    # What moves all edges of a facing alike moves the whole piece with it; a tenth of a millimetre for that.
    assert np.mean((off_mm < 0.1 + 3 * position_std(found))[found.fit.measured]) >= 0.85
    assert np.median(off_mm[found.fit.measured]) < 0.03 * nominal_of(3).pitch_mm


# --- what is erased is not measured ---


def covered(pixels, mask, colour):
    """The picture with the masked part given the colour, its border softened as by the lens."""
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 2.0)[:, :, None]
    return np.rint(pixels * (1 - soft) + colour * soft).astype(np.uint8)


def without_twist(spacing, shot, view, victim):
    """The photo with all edges at one twist painted over in the colour of the paper there: from the front its polygon
    and a margin, from behind the round about its centre where its pleats' edges meet."""
    pixels, tips = shot.photo.pixels, shot.truth.tips_px[victim]
    centre = tips.mean(0)
    mask = np.zeros(pixels.shape[:2], np.uint8)
    if view == "front":
        cv2.fillPoly(mask, [np.rint(centre + (tips - centre) * 1.35).astype(np.int32)], 1)
    else:
        reach = 0.9 * np.hypot(*(tips - centre).T).mean()
        cv2.circle(mask, np.rint(centre).astype(int).tolist(), int(reach), 1, -1)
    return covered(pixels, mask, np.median(pixels[mask > 0], 0))


def neighbours(nominal, victim):
    """Twists whose centres lie no more than 1.2 of the shortest distance from the victim's."""
    centre = np.array([t.planned_mm for t in nominal.twists])
    away = np.hypot(*(centre - centre[victim]).T)
    return (away < 1.2 * np.sort(away)[1]) & (away > 0)


@pytest.fixture(scope="module", params=[(3, "front", 9), (2, "front", 3), (2, "back", 3)], ids=str)
def painted(request, inspected, inspect_pixels):
    """Spacing, the victim's index, the photo as taken, its inspection, and that of the photo without the victim."""
    spacing, view, victim = request.param
    shot, before = inspected(spacing, view)
    assert before.fit.measured[victim]
    return spacing, victim, shot, before, inspect_pixels(without_twist(spacing, shot, view, victim), spacing, view)


def test_a_twist_painted_over_is_not_measured_and_says_why(painted):
    _, victim, _, _, found = painted
    assert not found.fit.measured[victim]
    assert found.fit.flags[victim]


def test_painting_over_a_twist_leaves_those_further_off_as_they_were(painted):
    """Every figure is against the whole piece's fit, which has lost a twist: a share of one uncertainty."""
    spacing, victim, _, before, found = painted
    further = ~neighbours(nominal_of(spacing), victim)
    further[victim] = False
    assert found.fit.measured[further].all()
    moved = np.hypot(*(found.fit.position_error_mm - before.fit.position_error_mm).T)
    assert np.median((moved / position_std(before))[further]) < 1
    assert np.mean(moved[further] < 2.5 * position_std(before)[further]) >= 0.9


def test_a_twist_painted_over_is_not_given_the_sureness_of_one_that_is_seen(painted):
    spacing, victim, shot, before, found = painted
    assert position_std(found)[victim] > 1.5 * position_std(before)[victim]
    assert found.fit.angle_std_deg[victim] > 2 * before.fit.angle_std_deg[victim]
    miss = np.hypot(*(found.fit.position_error_mm - planted(spacing, shot)[0])[victim])
    assert miss < 3 * position_std(found)[victim]


def without_edges(spacing, shot, view, which):
    """The photo with all stretches `which` (S,) of the view painted over in a band of 4 mm by what lies around them."""
    nominal, pixels = nominal_of(spacing), shot.photo.pixels
    s, truth = nominal.views[view], shot.truth
    width = int(4 * np.hypot(*truth.map.jacobian(np.zeros((1, 2)))[0, :, 0]))
    mask = np.zeros(pixels.shape[:2], np.uint8)
    for k in np.flatnonzero(which):
        a, b = truth.vertices_mm[nominal.creases.ends[s.crease[k]]]
        ends = truth.map.to_px(np.array([a + (b - a) * s.t0[k], a + (b - a) * s.t1[k]]))
        cv2.line(mask, *np.rint(ends).astype(int).tolist(), 1, width)
    return covered(pixels, mask, cv2.medianBlur(pixels, 2 * width + 1))


def fall_deg(nominal, view):
    fall = left_normals(nominal, nominal.views[view].crease) * lit_kinds(nominal, view).facing[:, None]
    return np.rint(np.degrees(np.arctan2(fall[:, 1], fall[:, 0]))).astype(int) % 360


@pytest.fixture(scope="module")
def one_facing_less(inspect_pixels):
    """Twist sides that fall to the right, a sixth of all sides, and the inspection of the photo without them."""
    nominal = nominal_of(3)
    which = (fall_deg(nominal, "front") == 0) & (lit_kinds(nominal, "front").kind_type == SIDE)
    assert which.sum() == 24
    return which, inspect_pixels(without_edges(3, simulated(3, "front"), "front", which), 3, "front")


def test_a_kind_that_the_light_does_not_show_gives_no_samples_at_all(inspected, one_facing_less):
    """What cannot be seen in this light says nothing for the plan and nothing against it."""
    which, found = one_facing_less
    before = inspected(3, "front")[1]
    hidden = np.flatnonzero(which)
    assert np.isin(before.features.stretch, hidden).sum() > 100
    assert not np.isin(found.features.stretch, hidden).any()
    assert not found.features.found[hidden].any()


def test_without_one_facing_twists_are_less_sure_and_still_right(inspected, one_facing_less):
    shot, before = inspected(3, "front")
    found = one_facing_less[1]
    nominal = nominal_of(3)
    crease = nominal.views["front"].crease[one_facing_less[0]]
    robbed = np.array([any(set(nominal.creases.ends[c]) <= set(t.tips) for c in crease) for t in nominal.twists])
    assert robbed.any()
    assert np.median((position_std(found) / position_std(before))[robbed]) > 1.15
    seen = found.fit.measured
    miss = np.hypot(*(found.fit.position_error_mm - planted(3, shot)[0]).T)
    assert np.mean((miss < 3 * position_std(found))[seen]) >= 0.95


def test_from_behind_two_facings_of_three_fix_no_twist(inspect_pixels):
    """At every node of the back three edges meet; their common shifts with the light take what the two left would
    tell."""
    nominal = nominal_of(3)
    which = fall_deg(nominal, "back") == 30
    with pytest.raises((PhotoTooPoor, NotThisPiece)):
        inspect_pixels(without_edges(3, simulated(3, "back"), "back", which), 3, "back")


@pytest.mark.parametrize(("spacing", "view"), [(2, "front"), (3, "front"), (3, "back")])
def test_with_all_edges_inside_painted_over_nothing_is_measured(inspect_pixels, spacing, view):
    """The outline alone is in the picture."""
    inside = np.minimum(nominal_of(spacing).views[view].layers_left, nominal_of(spacing).views[view].layers_right) > 0
    with pytest.raises((PhotoTooPoor, NotThisPiece)):
        inspect_pixels(without_edges(spacing, simulated(spacing, view), view, inside), spacing, view)


# --- what is no photo of this piece is refused ---


def plain_sheet(shot, nominal):
    """A sheet of the piece's outline without any fold, in its light, on its table."""
    pixels = shot.photo.pixels
    mask = np.zeros(pixels.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(shot.truth.map.to_px(nominal.outline_mm)).astype(np.int32)], 1)
    noise = np.random.default_rng(3).normal(0, 2.0, pixels.shape)
    return np.clip(covered(pixels, mask, np.median(pixels[mask > 0], 0)) + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("spacing", "view"), [(2, "front"), (3, "front"), (3, "back"), (2, "auto")])
def test_plain_paper_is_refused(inspect_pixels, spacing, view):
    with pytest.raises(FoldtrueError):
        inspect_pixels(plain_sheet(simulated(spacing, "front"), nominal_of(spacing)), spacing, view)


@pytest.mark.parametrize("view", VIEWS)
def test_a_photo_blurred_over_a_fifth_of_a_pitch_is_refused(inspect_pixels, view):
    """No edge of this piece can be told from its neighbours then."""
    shot = simulated(3, view)
    pitch_px = nominal_of(3).pitch_mm * np.hypot(*shot.truth.map.jacobian(np.zeros((1, 2)))[0, :, 0])
    with pytest.raises(FoldtrueError):
        inspect_pixels(cv2.GaussianBlur(shot.photo.pixels, (0, 0), 0.2 * pitch_px), 3, view)


ALIKE = (
    "but for their size these two backs are the same hexagons in the same outline; only a tenth of the edges, near the "
    "rim, differ, and where those hardly show nothing tells (a sheet under the piece does: size_differs)"
)


@pytest.mark.parametrize(
    ("shown", "asked", "view"),
    [
        (2, 3, "front"),
        (3, 2, "front"),
        pytest.param(3, 2, "back", marks=pytest.mark.xfail(reason=ALIKE)),
        pytest.param(2, 3, "back", marks=pytest.mark.xfail(reason=ALIKE)),
    ],
)
def test_another_plans_photo_is_refused(inspect_pixels, shown, asked, view):
    with pytest.raises(FoldtrueError):
        inspect_pixels(simulated(shown, view).photo.pixels, asked, view)


@pytest.mark.parametrize(
    ("spacing", "taken", "said"), [(2, "back", "front"), (3, "front", "back"), (3, "back", "front")]
)
def test_the_other_side_than_was_said_is_refused(inspect_pixels, spacing, taken, said):
    with pytest.raises(FoldtrueError):
        inspect_pixels(simulated(spacing, taken).photo.pixels, spacing, said)


def test_light_that_shows_no_edge_measures_nothing(inspect_pixels):
    """Light from all around on paper that lies flat: no shadow, no ridge, no change of tone."""
    flat = Relief(facet_tilt_deg=0.0, lift_mm=0.0, rim_lift_mm=0.0, shadow=0.0, occlusion=0.0, fold_radius_mm=0.0)
    shot = simulated(3, "front", lamp=Lamp(ambient=1.0), relief=flat)
    with pytest.raises(FoldtrueError):
        inspect_pixels(shot.photo.pixels, 3, "front")


# --- more blur, more noise: more uncertainty ---


def test_a_noisier_photo_states_more_uncertainty(inspected, inspect_pixels):
    """Sixteen times fewer electrons are four times the noise."""
    shot = simulated(3, "front", sensor=Sensor(full_well_e=600.0, blur_px=1.2))
    noisy, plain = inspect_pixels(shot.photo.pixels, 3, "front"), inspected(3, "front")[1]
    seen = noisy.fit.measured & plain.fit.measured
    assert np.median(radius95(noisy.fit.position_cov_mm2[seen])) > 1.2 * np.median(
        radius95(plain.fit.position_cov_mm2[seen])
    )
    miss = np.hypot(*(noisy.fit.position_error_mm - planted(3, shot)[0])[seen].T)
    assert np.mean(miss < 3 * position_std(noisy)[seen]) >= 0.95


def test_grooves_are_all_that_a_tiled_front_shows_inside():
    """What the photos of spacing 2 above rest on."""
    nominal = nominal_of(2)
    s, kinds = nominal.views["front"], lit_kinds(nominal, "front")
    assert (kinds.kind_type[np.minimum(s.layers_left, s.layers_right) > 0] == GROOVE).all()
