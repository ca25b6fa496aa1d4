"""Where the uncertainty comes from: the terms add up, and each one is what its own cause does to the errors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from foldtrue.camera_place import CameraPlace
from foldtrue.fit import lattice
from foldtrue.fit.held import FLATNESS, PaperHeight, paper_height, scale_under_glass
from foldtrue.fit.lattice import FitOptions, fit_lattice
from foldtrue.fit.lens import planned_points
from foldtrue.fit.lines import edge_lines, line_of
from foldtrue.handover import KnownPlane
from foldtrue.handover_figures import BUDGET_TERMS
from foldtrue.simulate.heights import _waves

NOISE_MM = 0.02
CAMERA = CameraPlace(np.array([4.0, -3.0]), 300.0, 15.0)


@pytest.fixture(scope="module")
def piece(nominal):
    return np.random.default_rng(3).normal(0, 0.06, nominal.vertices_mm.shape)


@pytest.fixture(scope="module")
def fitted(nominal, sampled, plane, piece):
    """fitted(change=None, camera=None, options, **how) -> LatticeFit of the piece, with a change (M,) of its samples'
    offsets (features -> mm), or its vertices displaced (V, 2) mm."""

    def make(change=None, height=None, options=None, noise_mm=NOISE_MM, seed=1, known=None, raised=0.0, **how):
        features = sampled(piece + raised, noise_mm, seed, **how)
        if change is not None:
            features = replace(features, offset_mm=features.offset_mm + change(features))
        return fit_lattice(features, plane, nominal, options, known=known, height=height)

    return make


def place_var(fit, name):
    """Mean variance of the twists' places per axis that a term brings, mm^2."""
    term = fit.budget.position_cov_mm2[BUDGET_TERMS.index(name)]
    return float(np.mean(np.trace(term, axis1=1, axis2=2)) / 2)


def turn_var(fit, name):
    """The same of the turns, the common overturn among them, deg^2."""
    k = BUDGET_TERMS.index(name)
    return float(np.mean(fit.budget.turn_var_deg2[k]) + fit.budget.overturn_var_deg2[k])


def moved(fits, base):
    """Mean square change of places per axis (mm^2) and of turns (deg^2) against the base."""
    place = [np.mean((f.position_error_mm - base.position_error_mm) ** 2) for f in fits]
    turn = [np.mean((f.angle_error_deg - base.angle_error_deg) ** 2) for f in fits]
    return np.mean(place), np.mean(turn)


@pytest.fixture(params=["homography", "similarity"])
def known(request, plane):
    """Nothing known of the photo's plane, or its terms to a few hundredths of a millimetre across the piece."""
    if request.param == "homography":
        return None
    std = np.array([1e-3, 1e-3, 0.3, 1e-3, 1e-3, 0.3, 1e-6, 1e-6, 2e-3])
    return KnownPlane("corners", plane.map, 1.0, np.diag(std**2), np.diag(std**2) / 4)


def test_terms_add_up_to_what_is_stated(fitted, nominal, known):
    """Every source at once: noise, misses, height, lens or plane, priors; to rounding."""
    off = np.random.default_rng(6).normal(0, 0.05, line_of(nominal, "backlit").max() + 1)
    height = paper_height(nominal, CAMERA, "free")
    fit = fitted(lambda f: off[line_of(nominal, "backlit")[f.stretch]] * f.t, height, seed=4, known=known)
    budget = fit.budget
    there = "lens" if known is None else "plane"
    assert {name: place_var(fit, name) > 0 for name in ("lens", "plane")} == {
        name: name == there for name in ("lens", "plane")
    }
    assert place_var(fit, "paper_height") > 0
    np.testing.assert_allclose(budget.position_cov_mm2.sum(0), fit.position_cov_mm2, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(budget.turn_var_deg2.sum(0), fit.angle_std_deg**2, rtol=1e-6)
    assert budget.overturn_var_deg2.sum() == pytest.approx(fit.overturn_std_deg**2, rel=1e-6)
    assert (np.linalg.eigvalsh(budget.position_cov_mm2) > -1e-12).all()
    assert budget.turn_var_deg2.min() >= 0


def test_the_scales_sources_add_up_where_a_plane_tells_it(fitted, known):
    fit = fitted(known=known)
    if known is None:
        assert fit.scale_budget is None
    else:
        assert math.hypot(*fit.scale_budget.values()) == pytest.approx(fit.scale_std / fit.scale)


def test_noise_lens_and_the_rest_are_those_handed_on_for_several_photos(fitted, nominal):
    """`noise_cov` is made another way; the terms of the photo's own noise and lens must be the same."""
    fit = fitted()
    own = sum(place_var(fit, name) for name in ("pixel_noise", "paper_texture", "lens"))
    diagonal = np.diag(fit.noise_cov)
    assert own == pytest.approx(np.mean([diagonal[0::3], diagonal[1::3]]), rel=1e-9)


def test_scatter_that_the_pixels_explain_is_theirs(fitted):
    fit = fitted()
    assert place_var(fit, "pixel_noise") > 0.6 * (place_var(fit, "pixel_noise") + place_var(fit, "paper_texture"))


def test_four_times_the_pixels_variance_is_four_times_their_term_and_that_of_the_errors(fitted):
    few, many = ([fitted(noise_mm=n, seed=s) for s in range(5)] for n in (NOISE_MM / 2, NOISE_MM))
    term = np.mean([place_var(f, "pixel_noise") for f in many]) / np.mean([place_var(f, "pixel_noise") for f in few])
    errors = [np.mean(np.var([f.position_error_mm for f in fits], axis=0)) for fits in (few, many)]
    assert term == pytest.approx(4.0, rel=0.15)
    assert errors[1] / errors[0] == pytest.approx(4.0, rel=0.25)


def test_scatter_beyond_the_pixels_is_the_papers(fitted):
    """Samples that scatter three times as much as their pixels let expect; nothing else of the budget follows."""
    rng = np.random.default_rng(8)
    clean, clouded = fitted(), fitted(lambda f: rng.normal(0, np.sqrt(8) * NOISE_MM, len(f.t)))
    assert place_var(clouded, "paper_texture") > 8 * max(
        place_var(clean, "paper_texture"), place_var(clean, "pixel_noise")
    )
    assert place_var(clouded, "pixel_noise") == pytest.approx(place_var(clean, "pixel_noise"), rel=0.4)


COARSE_MM = 0.4
"""Noise beside which what is known of the light beforehand counts; with less the piece itself tells its shifts."""


def effect_of_each(fitted, base, one_by_one, **how):
    """Sums over causes, each at one standard deviation of what is taken to be known of it, of the mean squares by which
    places and turns change: of a linear estimate the variance that their term states."""
    return np.sum([moved([fitted(change, **how)], base) for change in one_by_one], axis=0)


def by_kind(nominal, features, offset_of):
    """Changes (features -> mm), one for all lines and one for each kind of step; offset_of(lines, features): (S,)-wise
    offsets at the samples, given each sample's line."""
    lines = edge_lines(features, nominal, "backlit", np.zeros(len(features.t)))
    row = np.full(line_of(nominal, "backlit").max() + 1, -1)
    row[line_of(nominal, "backlit")[lines.stretch]] = np.arange(len(lines.crease))
    own = row[line_of(nominal, "backlit")[features.stretch]]
    value = offset_of(lines, features, own)
    return [lambda f, k=k: np.where(lines.kind[own] == k, value, 0.0) for k in np.unique(lines.kind)], value


def test_light_shifts_do_to_the_turns_what_their_term_says(fitted, nominal, sampled, piece, known_lens):
    """All edges shifted towards their dark sides, then those of each kind, by what is taken to be known of them."""
    options = FitOptions(slope_mm=1e-6, slope_blur=0.0, size=1e-6)
    kinds, value = by_kind(nominal, sampled(piece, COARSE_MM, 1), lambda lines, f, own: lines.dark[own])
    changes = [lambda f: options.shift_mm * value]
    changes += [lambda f, kind=kind: options.kind_shift_mm * kind(f) for kind in kinds]
    base = fitted(options=options, noise_mm=COARSE_MM)
    found = effect_of_each(fitted, base, changes, options=options, noise_mm=COARSE_MM)
    assert found[1] == pytest.approx(turn_var(base, "light_shift"), rel=0.25)


def test_slopes_of_a_kind_do_to_the_turns_what_their_term_says(fitted, nominal, sampled, piece, known_lens):
    """All sides of a kind turned alike, the other way in the other hand."""
    options = FitOptions(slope_mm=0.02, slope_blur=0.0)
    sense = {frozenset(t.tips): t.hand for t in nominal.twists}
    of_crease = np.zeros(len(nominal.creases.ids))
    for facet, left in ((f, k) for k, f in enumerate(nominal.facets) if f.kind == "twist"):
        of_crease[(nominal.creases.facets == left).any(1)] = sense[frozenset(facet.vertices)]
    kinds, _ = by_kind(
        nominal, sampled(piece, COARSE_MM, 1), lambda lines, f, own: of_crease[lines.crease[own]] * (f.t - 0.5)
    )
    base = fitted(options=options, noise_mm=COARSE_MM)
    changes = [lambda f, kind=kind: options.slope_mm * kind(f) for kind in kinds]
    found = effect_of_each(fitted, base, changes, options=options, noise_mm=COARSE_MM)
    assert found[1] == pytest.approx(turn_var(base, "light_slope"), rel=0.25)


def test_without_a_doubt_about_the_light_its_term_is_nothing(fitted):
    with_it = fitted()
    without = fitted(options=FitOptions(shift_mm=1e-6, kind_shift_mm=0.0, slope_mm=0.0, slope_blur=0.0, size=0.0))
    for name in ("light_shift", "light_slope", "twist_size"):
        assert turn_var(without, name) < 1e-4 * turn_var(with_it, name)


@pytest.fixture
def known_lens(monkeypatch):
    """Lines that miss each other bow their creases, which is the lens's term and not the one in question."""
    monkeypatch.setattr(lattice, "lens_from_bends", lambda f, *rest: (0.0, 1e-9, np.zeros(len(f.t))))


def test_misses_of_lines_make_the_term_of_folds_apart(fitted, nominal, known_lens):
    """Both ends of every line moved by draws of their own: term and errors come together, to a third in standard
    deviation, since the fit also gives odd lines less say."""
    line = line_of(nominal, "backlit")

    def missing(seed):
        off = np.random.default_rng(seed).normal(0, 0.05, (line.max() + 1, 2))
        return lambda f: off[line[f.stretch], 0] * (1 - f.t) + off[line[f.stretch], 1] * f.t

    base, fits = fitted(), [fitted(missing(seed)) for seed in range(5)]
    term = np.mean([place_var(f, "folds_apart") for f in fits])
    assert term > 20 * place_var(base, "folds_apart")
    assert np.sqrt(moved(fits, base)[0] / term) == pytest.approx(1.0, abs=0.33)


def height_of(nominal, camera, seed, std_mm):
    """Offsets of samples whose lines lie at heights of their own at both ends, seen from this camera: z r / D."""
    line = line_of(nominal, "backlit")
    z = np.random.default_rng(seed).normal(0, std_mm, (line.max() + 1, 2))

    def change(features):
        points, normal = planned_points(features, nominal, "backlit")
        own = z[line[features.stretch]]
        away = np.sum((points - camera.foot_mm) * normal, 1)
        return (own[:, 0] * (1 - features.t) + own[:, 1] * features.t) * away / camera.distance_mm

    return change


def test_height_moves_twists_and_twice_the_distance_quarters_that_and_its_term(fitted, nominal, known_lens):
    """The law makes lines far from the camera's foot miss each other by more than those below it, while the fit has one
    figure for all: beyond that figure a line's height is not told from other misses."""
    found = {}
    for factor in (1, 2):
        camera = replace(CAMERA, distance_mm=factor * CAMERA.distance_mm)
        height = PaperHeight(0.5, camera)
        fits = [fitted(height_of(nominal, camera, seed, 0.5), height, noise_mm=0.004) for seed in range(4)]
        base = fitted(None, height, noise_mm=0.004)
        terms = [np.mean([place_var(f, name) for f in fits]) for name in ("paper_height", "folds_apart")]
        found[factor] = (terms[0], moved(fits, base)[0], sum(terms))
    assert found[1][0] / found[2][0] == pytest.approx(4.0, rel=0.35)
    assert found[1][1] / found[2][1] == pytest.approx(4.0, rel=0.35)
    assert found[1][0] > 0.5 * found[1][2]
    assert np.sqrt(found[1][1] / found[1][2]) == pytest.approx(1.0, abs=0.5)
    assert place_var(fitted(height_of(nominal, CAMERA, 0, 0.5)), "paper_height") == 0  # nobody says how high it may be


def test_a_flat_piece_owes_its_height_less(nominal):
    free, glass = (paper_height(nominal, CAMERA, held) for held in ("free", "glass"))
    assert glass.std_mm < 0.6 * free.std_mm


def test_height_moves_an_edge_by_z_r_over_d():
    """1 mm high, 60 mm out, 400 mm away: 0.15 mm (central projection)."""
    camera = CameraPlace(np.zeros(2), 400.0, 20.0)
    moved_mm = PaperHeight(1.0, camera).across(np.array([[60.0, 0.0], [60.0, 0.0]]), np.array([[1.0, 0.0], [0.0, 1.0]]))
    np.testing.assert_allclose(moved_mm, [0.15, 0.0])


def test_a_twist_whose_edges_are_hidden_is_owed_to_what_is_unseen(fitted, nominal):
    tips = set(nominal.twists[8].tips)
    touching = [k for k, ends in enumerate(nominal.creases.ends) if tips & set(ends.tolist())]
    fit = fitted(hidden=touching)
    share = np.trace(fit.budget.position_cov_mm2, axis1=2, axis2=3)
    share = share[BUDGET_TERMS.index("unseen")] / share.sum(0)
    assert share[8] > 0.95
    assert np.median(share) < 0.1


def test_a_pane_makes_the_scale_less_sure_only_where_something_lies_beside_it(fitted):
    """3 mm of n = 1.52 lift by 1.03 mm (Snell's law, small angles): 0.24 % of scale from 300 mm away, over root 2."""
    told = replace(fitted(), scale=1.0, scale_std=0.001, scale_budget={"card": 0.001})
    wider = scale_under_glass(told, "card", CAMERA, "glass")
    glass = 3.0 * (1 - 1 / 1.52) / 300.0 / np.sqrt(2)
    assert glass == pytest.approx(0.00242, abs=2e-5)
    assert wider.scale_std == pytest.approx(np.hypot(0.001, glass))
    assert math.hypot(*wider.scale_budget.values()) == pytest.approx(wider.scale_std)
    for reference, held in (("scan", "glass"), ("card", "window"), ("card", "free")):
        assert scale_under_glass(told, reference, CAMERA, held) is told


def waved(nominal, camera, seed):
    """(V, 2) mm that the vertices of a waving, bulging piece are displaced by, drawn by the simulator."""
    rng = np.random.default_rng([seed, 5])
    reach = np.hypot(*nominal.outline_mm.T).max()
    flat, v = FLATNESS["free"], nominal.vertices_mm
    z = flat.wave_mm * _waves(v / (2 * reach), rng) + flat.bulge_mm * rng.normal() * (1 - np.sum(v**2, 1) / reach**2)
    return z[:, None] * (v - camera.foot_mm) / camera.distance_mm


def test_waves_displace_and_turn_twists_as_widely_as_their_term_says(fitted, nominal, known_lens):
    """To a third in standard deviation: drawn waves have 0.3 to 0.8 diameters, the term one length."""
    base = fitted(None, paper_height(nominal, CAMERA, "free"), noise_mm=0.002)
    place, turn = moved([fitted(raised=waved(nominal, CAMERA, k), noise_mm=0.002) for k in range(8)], base)
    assert np.sqrt(place / place_var(base, "waves")) == pytest.approx(1.0, abs=0.33)
    assert np.sqrt(turn / turn_var(base, "waves")) == pytest.approx(1.0, abs=0.33)


def test_waves_do_a_quarter_from_twice_as_far_and_less_under_glass(fitted, nominal):
    far = replace(CAMERA, distance_mm=2 * CAMERA.distance_mm, distance_std_mm=2 * CAMERA.distance_std_mm)
    free, away, glass = (
        fitted(None, paper_height(nominal, camera, held))
        for camera, held in ((CAMERA, "free"), (far, "free"), (CAMERA, "glass"))
    )
    assert place_var(free, "waves") == pytest.approx(4 * place_var(away, "waves"))
    assert place_var(glass, "waves") < 0.15 * place_var(free, "waves")
    assert place_var(fitted(), "waves") == 0  # as in a scan, where no height shows
    np.testing.assert_array_equal(free.position_error_mm, fitted().position_error_mm)


def test_waves_count_for_more_where_the_cameras_distance_is_not_known(fitted, nominal):
    """Without a focal length the distance is known to 40 %: the mean square of its inverse is 1.16 squared of that of
    the likeliest (log-normal), and so is the term's variance."""
    known, unknown = (replace(CAMERA, distance_std_mm=share * CAMERA.distance_mm) for share in (0.0, 0.4))
    sure, unsure = (fitted(None, paper_height(nominal, camera, "free")) for camera in (known, unknown))
    assert place_var(unsure, "waves") == pytest.approx(1.16**2 * place_var(sure, "waves"))
    assert np.all(np.trace(unsure.position_cov_mm2 - sure.position_cov_mm2, axis1=1, axis2=2) > 0)


def test_waves_are_not_what_another_photo_has_anew(fitted, nominal):
    free = fitted(None, paper_height(nominal, CAMERA, "free"))
    np.testing.assert_array_equal(free.noise_cov, fitted().noise_cov)
