"""Settings are checked when they are made."""

from __future__ import annotations

import dataclasses

import pytest

from foldtrue.errors import UsageError
from foldtrue.simulate import (
    Camera,
    Card,
    Errors,
    Ground,
    Lamp,
    Lie,
    Light,
    MatSheet,
    Paper,
    Reference,
    Relief,
    Scanner,
    Scene,
    Sensor,
    Surface,
    Thumb,
    practice_scene,
)


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        (Errors, {"position_mm": -0.1}),
        (Errors, {"angle_deg": float("nan")}),
        (Errors, {"random_outliers": -1}),
        (Camera, {"tilt_deg": 80.0}),
        (Camera, {"distance_mm": 0.0}),
        (Camera, {"width_px": 12000, "height_px": 12000}),
        (Camera, {"side": "top"}),
        (Light, {"exposure": 0.0}),
        (Light, {"table_mm": (0.0, 10.0)}),
        (Paper, {"transmittance": (0.5, 0.5, 0.5), "reflectance": (0.6, 0.6, 0.6)}),
        (Sensor, {"orientation": 9}),
        (Sensor, {"tone": 9.0}),
        (Sensor, {"full_well_e": 3.0}),
        (Sensor, {"chroma": "4:1:1"}),
        (Scene, {"view": "above"}),
        (Scene, {"view": "front", "camera": Camera(side="back")}),
        (Lamp, {"elevation_deg": 5.0}),
        (Lamp, {"elevation_deg": 20.0, "size_deg": 40.0}),
        (Surface, {"front": (1.2, 0.5, 0.5)}),
        (Surface, {"pattern": "tartan"}),
        (Relief, {"shadow": 2.0}),
        (Ground, {"kind": "marble"}),
        (Reference, {"size": "A5"}),
        (Thumb, {"width_mm": 0.0}),
        (Errors, {"scale": 2.0}),
        (Sensor, {"file": "GIF"}),
        (Lie, {"wave_mm": -0.1}),
        (Lie, {"height_mm": 100.0}),
        (MatSheet, {"paper": "A5"}),
        (MatSheet, {"scale": (1.0, 0.5)}),
        (Card, {"radius_mm": 40.0}),
        (Reference, {"deviation_mm": (9.0, 0.0)}),
        (Scanner, {"dpi": 10.0}),
        (Scanner, {"dpi": 1200.0, "area_mm": (300.0, 200.0)}),
        (Scanner, {"stretch": (1.0, 2.0)}),
        (Scene, {"seed": -1}),
        (Scene, {"oversample": 0}),
    ],
)
def test_settings_out_of_range_are_refused_with_advice(kind: type, settings: dict[str, object]) -> None:
    with pytest.raises(UsageError) as refusal:
        kind(**settings)
    assert refusal.value.advice


def test_settings_cannot_be_changed_afterwards() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        Scene().seed = 4  # type: ignore[misc]


def test_settings_are_given_by_name() -> None:
    with pytest.raises(TypeError):
        Camera(800, 600)  # type: ignore[misc]


def test_an_unknown_difficulty_is_refused() -> None:
    with pytest.raises(UsageError, match="no difficulty"):
        practice_scene(1, "absurd")  # type: ignore[arg-type]
