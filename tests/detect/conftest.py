"""A photo whose edges are known: simulated without noise, with a piece that has errors, and the true plane."""

from __future__ import annotations

import numpy as np
import pytest
from panels import folded_panel

from foldtrue.handover import Plane
from foldtrue.simulate import Camera, Errors, Light, Paper, Scene, Sensor, simulate_photo


@pytest.fixture(scope="session")
def nominal():
    return folded_panel(3, 24)


@pytest.fixture(scope="session")
def clean(nominal):
    """Noiseless, thin, even paper under an even light just below full; about 3.5 px per mm."""
    scene = Scene(
        seed=4,
        errors=Errors(position_mm=0.1, angle_deg=0.4),
        camera=Camera(width_px=1000, height_px=760, focal_35mm=50.0, roll_deg=7.0, fill=0.9),
        light=Light(exposure=0.95),
        paper=Paper(thickness_mm=0.0, formation=0.0),
        sensor=Sensor(full_well_e=None, read_noise_e=0.0, jpeg_quality=100, chroma="4:4:4"),
    )
    return simulate_photo(nominal, scene)


@pytest.fixture(scope="session")
def true_plane(clean):
    return Plane(clean.truth.map, "backlit", "front", 7.0, "none", (), "outline", 0.97, 0.5)


@pytest.fixture(scope="session")
def true_offset(nominal, clean):
    """true_offset(features) -> (M,) mm: where each sample's crease truly runs, along the plan's left normal."""

    def offset(features):
        crease = nominal.views["backlit"].crease[features.stretch]
        ends = nominal.creases.ends[crease]
        moved = clean.truth.vertices_mm - nominal.vertices_mm
        d = nominal.vertices_mm[ends[:, 1]] - nominal.vertices_mm[ends[:, 0]]
        normal = np.stack([-d[:, 1], d[:, 0]], 1) / np.hypot(*d.T)[:, None]
        t = features.t[:, None]
        return np.sum((moved[ends[:, 0]] * (1 - t) + moved[ends[:, 1]] * t) * normal, 1)

    return offset
