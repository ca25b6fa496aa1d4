"""What many tests share: a photo-like picture, and a made-up inspection.

The inspection has a real plan, a plain photo, and errors that are known because they were chosen.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import fields

# One thread for each of the processes that share the machine: libraries that each take all cores wait for each other.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import cv2
import numpy as np
import pytest
from served import QUIET

from foldtrue.frames import PlaneMap, rotation
from foldtrue.handover import Features, Inspection, LatticeFit, Photo, Plane
from foldtrue.photo import linear_table

cv2.setNumThreads(1)

PLAN = {
    "format": "foldtrue-plan",
    "version": 1,
    "name": "window panel (invented)",
    "sheet": {"shape": "hexagon", "height_mm": 240},
    "grid": {"kind": "point-to-point", "divisions": 16},
    "twists": {"recipe": "honeycomb", "spacing": 2, "rings": 2},
}


@pytest.fixture(scope="module")
def browser():
    """Chromium; where it or its driver is missing, tests that need it are skipped."""
    driver = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("there is no chromium on this machine")
    with driver.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=chromium, args=QUIET.split())
        yield opened
        opened.close()


@pytest.fixture
def picture():
    """(120, 200, 3): smooth, never square, no symmetry, so that any turn or mirror shows."""
    y, x = np.mgrid[0:120, 0:200]
    return np.stack([x, 2 * y, 60 + x // 2 + y // 3], axis=2).astype(np.uint8)


@pytest.fixture(scope="session")
def nominal():
    from foldtrue.plan.file import parse_plan
    from foldtrue.plan.fold import fold_plan

    return fold_plan(parse_plan(PLAN))


@pytest.fixture(scope="session")
def plane_map():
    turn = rotation(7)
    homography = np.array([[8, 0, 700], [0, -8, 560], [0, 0, 1.0]]) @ np.block(
        [[turn, np.zeros((2, 1))], [np.array([[1e-4, 2e-4]]), np.eye(1)]]
    )
    return PlaneMap(homography, 0.02, np.array([720.0, 540.0]), 1100.0)


@pytest.fixture(scope="session")
def photo():
    y, x = np.mgrid[0:1080, 0:1440]
    grey = 90 + 60 * np.sin(x / 90) * np.cos(y / 70)
    pixels = np.clip(np.dstack([grey + 40, grey, grey - 30]), 0, 255).astype(np.uint8)
    return Photo(pixels, linear_table(pixels.dtype), "ab" * 32, "JPEG", 1, 26.0, None)


def made_up_fit(nominal, plane_map, *, seed=5, unmeasured=(3, 17)):
    rng = np.random.default_rng(seed)
    twists, vertices, creases = len(nominal.twists), len(nominal.vertices_mm), len(nominal.creases.ids)
    measured = np.ones(twists, bool)
    measured[list(unmeasured)] = False
    error = np.where(measured[:, None], rng.normal(0, 0.15, (twists, 2)), np.nan)
    std = np.array([[0.02, 0.006], [0.006, 0.03]])
    covariance = np.where(measured[:, None, None], std @ std.T, np.nan)
    scalar = np.where(measured, 1.0, np.nan)
    planned = np.array([twist.planned_mm for twist in nominal.twists])
    tips = [nominal.vertices_mm[list(twist.tips)] for twist in nominal.twists]
    shifted = [t + (e if np.isfinite(e).all() else 0) for t, e in zip(tips, error, strict=True)]
    return LatticeFit(
        map=plane_map,
        scale=None,
        scale_std=None,
        k1_std=0.004,
        vertices_mm=nominal.vertices_mm + rng.normal(0, 0.05, (vertices, 2)),
        vertex_cov_mm2=np.tile(np.eye(2) * 0.02**2, (vertices, 1, 1)),
        vertex_measured=rng.random(vertices) < 0.9,
        tips_px=tuple(plane_map.to_px(t) for t in shifted),
        centre_px=plane_map.to_px(planned),
        position_error_mm=error,
        position_cov_mm2=covariance,
        angle_error_deg=rng.normal(0, 0.3, twists) * scalar,
        angle_std_deg=0.04 * scalar,
        size_error=rng.normal(0, 0.002, twists) * scalar,
        size_std=0.001 * scalar,
        measured=measured,
        flags=tuple(() if seen else ("not_seen",) for seen in measured),
        overturn_deg=0.1,
        overturn_std_deg=0.08,
        leverage=np.full(twists, 0.1),
        leave_one_out_mm=error / 0.9,
        edge_offset_mm=np.where(np.arange(creases) % 3 == 0, np.nan, 0.05),
        edge_offset_std_mm=np.where(np.arange(creases) % 3 == 0, np.nan, 0.01),
        edge_angle_deg=np.where(np.arange(creases) % 3 == 0, np.nan, -0.02),
        edge_angle_std_deg=np.where(np.arange(creases) % 3 == 0, np.nan, 0.01),
        sample_rms_px=0.12,
    )


@pytest.fixture
def inspection(nominal, plane_map, photo):
    assumed = ("scale_assumed", "plane_from_piece")
    plane = Plane(plane_map, "backlit", "front", 7.0, "none", assumed, "outline", 0.9, 0.4)
    features = Features(*(np.zeros(0) for _ in fields(Features)))  # reports read no samples
    provenance = {
        "photo": {"name": "panel.jpg", "sha256": photo.sha256},
        "plan": {"name": nominal.name, "sha256": nominal.plan_sha256},
        "options": {"view": "auto", "side": None, "at_px": None},
        "versions": {"foldtrue": "0.1.0"},
    }
    return Inspection(nominal, photo, plane, features, made_up_fit(nominal, plane_map), provenance, {"fit": 0.1})
