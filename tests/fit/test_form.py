"""Size and form of a piece in a plane that is known: what was planted comes out, with its uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from foldtrue.fit.lattice import fit_lattice
from foldtrue.handover import KnownPlane

NOISE_MM = 0.01


def known(plane, size=1.0, map_std=0.0):
    """The plane's own map, known to a share of its first and fifth term."""
    terms = np.zeros((9, 9))
    terms[0, 0], terms[4, 4] = (map_std * plane.map.homography[[0, 1], [0, 1]]) ** 2
    return KnownPlane("scan", plane.map, size, terms, terms)


def planted(nominal, stretch=0.0, shear_rad=0.0, keystone_x=0.0, size=1.0):
    """Displacements of the vertices of a piece that departs so as a whole."""
    places = np.array([t.planned_mm for t in nominal.twists])
    reach = float(np.abs(places).max())
    x, y = nominal.vertices_mm.T
    moved = np.stack([x, y], 1) * size
    moved += np.stack([stretch / 2 * x + shear_rad / 2 * y, shear_rad / 2 * x - stretch / 2 * y], 1)
    return moved + keystone_x / (2 * reach) * np.stack([x * x, x * y], 1) - nominal.vertices_mm


@pytest.fixture(scope="module")
def fitted(nominal, sampled, plane):
    features = sampled(planted(nominal, 0.008, 0.004, 0.01, 1.003), NOISE_MM)
    return fit_lattice(features, plane, nominal, known=known(plane, 1.002))


def test_size_stretch_shear_and_keystone_come_out_as_planted(fitted):
    """Narrower right angles are a positive shear, longer lines along y at the right a positive keystone."""
    for found, std, true in zip(fitted.form.figures, fitted.form.std, (0.008, 0.004, 0.01, 0.0), strict=True):
        assert abs(found - true) < 4 * std + 3e-4
        assert std < 0.003
    assert fitted.scale == pytest.approx(1.002 * 1.003, abs=4e-4)
    assert fitted.alignment == "similarity"


def test_what_a_similarity_leaves_is_in_the_twists_errors(fitted, nominal, sampled, plane):
    """A homography would have taken it out."""
    features = sampled(planted(nominal, 0.008), NOISE_MM)
    plain = fit_lattice(features, plane, nominal)
    assert np.hypot(*plain.position_error_mm.T).max() < 0.05
    assert plain.form is None
    assert np.hypot(*fitted.position_error_mm.T).max() > 0.2


def test_the_references_uncertainty_is_in_every_figure(nominal, sampled, plane):
    features = sampled(planted(nominal), NOISE_MM)
    sure, unsure = (fit_lattice(features, plane, nominal, known=known(plane, map_std=s)) for s in (0.0, 0.004))
    assert unsure.scale_std > sure.scale_std + 0.001
    assert unsure.form.std[0] > 0.004
    far = np.hypot(*np.array([t.planned_mm for t in nominal.twists]).T).argmax()
    assert np.trace(unsure.position_cov_mm2[far]) > 4 * np.trace(sure.position_cov_mm2[far])
    assert np.nanmax(unsure.edge_offset_std_mm - sure.edge_offset_std_mm) > 0.05
    assert np.nanmax(np.trace(unsure.vertex_cov_mm2 - sure.vertex_cov_mm2, axis1=1, axis2=2)) > 0.05**2
    told = np.isfinite(unsure.pleats.width_std_mm) & np.isfinite(sure.pleats.width_std_mm)
    assert (unsure.pleats.width_std_mm[told] > sure.pleats.width_std_mm[told]).all()


def test_one_bad_twist_does_not_shift_the_others(nominal, sampled, plane):
    moved = planted(nominal)
    moved[list(nominal.twists[0].tips)] += [0.9, -0.6]
    fit = fit_lattice(sampled(moved, NOISE_MM), plane, nominal, known=known(plane))
    bad = np.hypot(*(fit.position_error_mm[0] - [0.9, -0.6]))
    others = np.hypot(*fit.position_error_mm[4:].T)
    assert bad < 0.1
    assert np.median(others) < 0.03
