"""Pleats and outline of simulated photos against what was drawn; what does not show is not measured."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from foldtrue.alignment import fit_globally
from foldtrue.fit.outline import planned_sides
from foldtrue.fit.pleats import pleat_edges, pleat_figures
from foldtrue.frames import apply_homography


def drawn_vertices(shot):
    """True vertices (V, 2) mm after the best fit of the whole piece, as figures are given."""
    tips = [list(t.tips) for t in shot.nominal.twists]
    planned, true = (np.array([v[t].mean(0) for t in tips]) for v in (shot.nominal.vertices_mm, shot.truth.vertices_mm))
    whole = fit_globally(planned, true, "homography", np.ones(len(tips)))
    return apply_homography(np.linalg.inv(whole.matrix), shot.truth.vertices_mm)


def silhouette_sides(nominal, vertices_mm, points=399):
    """Offset and angle (6, 2) of the straight line through whichever edge sticks out most, every mm alike."""
    sides = planned_sides(nominal.outline_mm)
    ends = nominal.creases.ends
    out = np.zeros((len(sides.length_mm), 2))
    for k, length in enumerate(sides.length_mm):
        place = np.linspace(-0.5, 0.5, points + 2)[1:-1] * length
        local = [
            np.stack([(v[ends] - sides.middle[k]) @ sides.along[k], (v[ends] - sides.middle[k]) @ sides.normal[k]], 2)
            for v in (nominal.vertices_mm, vertices_mm)
        ]
        outermost = np.full(points, -np.inf)
        for planned, true in zip(*local, strict=True):
            if np.abs(planned[:, 1]).max() < 1e-6:
                over = (place >= planned[:, 0].min()) & (place <= planned[:, 0].max())
                straight = np.interp(place, *true[np.argsort(true[:, 0])].T)
                outermost = np.where(over, np.maximum(outermost, straight), outermost)
        slope, out[k, 0] = np.polyfit(place, outermost, 1)
        out[k, 1] = -np.degrees(slope)
    return out


def shots(shoot, plan, count=5):
    for seed in range(1, count + 1):
        shot = shoot(plan(3, 24), seed=seed, camera={"width_px": 1200, "height_px": 900, "roll_deg": 9.0 * seed - 27.0})
        yield shot, shot.measure()


@pytest.mark.accuracy
def test_widths_and_angles_of_pleats_lie_within_their_stated_uncertainties(shoot, plan):
    """Five pieces; of each about thirty pleats show both edges, the rim's mountain edges being half a pitch long."""
    inside, turned, miss, true = [], [], [], []
    for shot, found in shots(shoot, plan):
        edges = pleat_edges(shot.nominal)
        width, angle = pleat_figures(edges, drawn_vertices(shot))
        pleats = found.fit.pleats
        told = np.isfinite(pleats.width_error_mm)
        assert told.sum() >= 25
        error = (pleats.width_error_mm - (width - pleats.planned_mm))[told]
        inside.extend(np.abs(error) < 1.96 * pleats.width_std_mm[told])
        turned.extend(np.abs(pleats.parallelism_deg - angle)[told] < 1.96 * pleats.parallelism_std_deg[told])
        miss.extend(error)
        true.extend((width - pleats.planned_mm)[told])
    assert np.sqrt(np.mean(np.square(miss))) < 0.15 * np.sqrt(np.mean(np.square(true)))
    assert 0.85 <= np.mean(inside) <= 1.0
    assert 0.85 <= np.mean(turned) <= 1.0


def test_folds_drawn_straight_are_not_said_to_be_otherwise(shoot, plan):
    for _, found in shots(shoot, plan, count=2):
        pleats = found.fit.pleats
        told = np.isfinite(pleats.straightness_mm)
        assert np.mean((pleats.straightness_mm <= pleats.straightness_u95_mm)[told]) >= 0.9


@pytest.mark.accuracy
def test_sides_of_the_outline_lie_within_their_stated_uncertainties(shoot, plan):
    offset_in, angle_in, relative_in = [], [], []
    level = np.eye(3) - 1 / 3
    for shot, found in shots(shoot, plan):
        outline = found.fit.outline
        true = silhouette_sides(shot.nominal, drawn_vertices(shot))
        std = np.sqrt(np.diag(outline.cov))
        offset_in.extend(np.abs(outline.offset_mm - true[:, 0]) < 1.96 * std[:6])
        angle_in.extend(np.abs(outline.angle_deg - true[:, 1]) < 1.96 * std[6:])
        across = true[outline.across, 0].sum(1)
        spread = np.sqrt(np.diag(level @ outline.across_cov_mm2 @ level.T))
        relative_in.extend(np.abs(level @ (outline.across_error_mm - across)) < 1.96 * spread)
        assert spread.max() < 0.05
    assert np.mean(offset_in) >= 0.85
    assert np.mean(angle_in) >= 0.85
    assert np.mean(relative_in) >= 0.8  # fifteen of them, two of three independent


def test_a_pleat_that_is_painted_over_is_not_measured(shoot, plan):
    shot = shoot(plan(3, 24), camera={"width_px": 1400, "height_px": 1060})
    edges = pleat_edges(shot.nominal)
    victim = next(k for k, pair in enumerate(edges.twists) if len(pair) == 2)
    ends = shot.truth.vertices_mm[edges.mountain_ends[victim]]
    path = shot.truth.map.to_px(ends[0] + np.linspace(-0.2, 1.2, 15)[:, None] * (ends[1] - ends[0]))
    pixels = cv2.imread(str(shot.path))
    mask = np.zeros(pixels.shape[:2], np.uint8)
    cv2.polylines(mask, [np.rint(path).astype(np.int32)], False, 255, 28)
    soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 2.0)[:, :, None]
    cv2.imwrite(str(shot.path), np.rint(pixels * (1 - soft) + pixels[mask > 0].mean(0) * soft).astype(np.uint8))
    pleats = shot.measure().fit.pleats
    assert np.isnan(pleats.width_error_mm[victim])
    assert pleats.flags[victim] in (("edge_not_seen",), ("edge_disagrees",))


def test_from_the_front_the_valley_edges_are_hidden_and_no_width_is_guessed(inspected):
    _, found = inspected(3, "front")
    pleats = found.fit.pleats
    assert np.isnan(pleats.width_error_mm).all()
    assert all("edge_hidden" in flags for flags in pleats.flags)
    assert pleats.edges_seen[:, 0].any()
    assert not pleats.edges_seen[:, 1].any()
