"""Front and back under a lamp: what is planted comes out in plan coordinates, within what is stated."""

from __future__ import annotations

import numpy as np
import pytest
from lamplight import DIVISIONS, VIEWS, less_overturn, nominal_of, planted, position_std, simulated

from foldtrue.measured import radius95
from foldtrue.simulate import Errors, Outlier, Sensor
from foldtrue.stretches import GROOVE, lit_kinds

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
        (3, "back"),
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


@pytest.mark.parametrize(("spacing", "view"), [(2, "front"), (3, "front"), (3, "back"), (2, "back")])
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


OVERTURNED = Errors(position_mm=0.1, angle_deg=0.3, overturn_deg=0.8, seed=3)


def test_a_back_that_does_not_show_the_common_overturn_says_so(inspected):
    """At spacing 3 it moves the side of every cell alike, and places are read from their mean."""
    _, found = inspected(3, "back", OVERTURNED)
    assert "overturn_not_told" in found.plane.assumed
    assert abs(found.fit.overturn_deg - 0.8) < 1.96 * found.fit.overturn_std_deg


def test_the_front_of_the_same_piece_tells_it(inspected):
    """Sides turn with their twists."""
    _, found = inspected(3, "front", OVERTURNED)
    assert "overturn_not_told" not in found.plane.assumed
    assert abs(found.fit.overturn_deg - 0.8) < 1.96 * found.fit.overturn_std_deg < 0.8


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
