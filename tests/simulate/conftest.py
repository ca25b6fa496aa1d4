"""Pieces to photograph: a strip with one pleat, made by hand so that everything about it is plain, and folded plans."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from foldtrue.handover import Creases, Facet, Nominal
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.simulate import Paper, Sensor


@pytest.fixture(scope="session")
def pleat() -> Nominal:
    """A strip 120 x 60 mm with one pleat 10 mm wide: folded x is -60..40, three layers between -10 and 0.

    Seen from the front: right cell at the bottom, pleat facet, left cell on top.
    """
    sheet_x = [-60.0, 0.0, 10.0, 60.0]
    folded_x = [-60.0, 0.0, -10.0, 40.0]
    sheet = np.array([[x, y] for y in (-30.0, 30.0) for x in sheet_x])
    folded = np.array([[x, y] for y in (-30.0, 30.0) for x in folded_x])
    stay, turn = np.array([[1.0, 0, 0], [0, 1, 0]]), np.array([[-1.0, 0, 0], [0, 1, 0]])
    facets = (
        Facet("left", "cell", (0, 1, 5, 4), False, stay),
        Facet("pleat", "pleat", (1, 2, 6, 5), True, turn),
        Facet("right", "cell", (2, 3, 7, 6), False, stay + np.array([[0, 0, -20.0], [0, 0, 0]])),
    )
    ends = np.array([[1, 5], [2, 6], [0, 1], [1, 2], [2, 3], [3, 7], [7, 6], [6, 5], [5, 4], [4, 0]])
    sides = np.array([[0, 1], [1, 2], *[[f, -1] for f in (0, 1, 2, 2, 2, 1, 0, 0)]])
    return Nominal(
        plan_sha256="0" * 64, name="strip with one pleat", pitch_mm=20 / np.sqrt(3), row_mm=10.0,
        sheet_outline_mm=sheet[[0, 3, 7, 4]], vertices_sheet_mm=sheet, vertices_mm=folded, facets=facets,
        creases=Creases(tuple("abcdefghij"), ends, np.array(["M", "V", *"RRRRRRRR"]), sides),
        twists=(), outline_mm=folded[[0, 3, 7, 4]], above=np.array([[0, 1], [1, 2], [0, 2]]), nodes=(), views={},
        symmetry={},
    )  # fmt: skip


@pytest.fixture(scope="session")
def folded() -> Callable[..., Nominal]:
    """Honeycomb pieces by sheet height, divisions, spacing and rings; each is folded once."""
    made: dict[tuple[float, int, int, int], Nominal] = {}

    def make(height_mm: float, divisions: int, spacing: int, rings: int) -> Nominal:
        key = (height_mm, divisions, spacing, rings)
        if key not in made:
            plan = {
                "format": "foldtrue-plan",
                "version": 1,
                "name": "window panel",
                "sheet": {"shape": "hexagon", "height_mm": height_mm},
                "grid": {"kind": "point-to-point", "divisions": divisions},
                "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings},
            }
            made[key] = fold_plan(parse_plan(plan))
        return made[key]

    return make


@pytest.fixture(scope="session")
def panel(folded: Callable[..., Nominal]) -> Nominal:
    """24 triangle twists whose neighbours share their tips."""
    return folded(240, 16, 2, 2)


@pytest.fixture(scope="session")
def open_panel(folded: Callable[..., Nominal]) -> Nominal:
    """24 triangle twists with pleats between them: no tip is shared."""
    return folded(360, 32, 3, 2)


@pytest.fixture
def even_paper() -> Paper:
    """White paper without clouds, fibres, scatter or colour."""
    return Paper(reflectance=(0.6, 0.6, 0.6), transmittance=(0.35, 0.35, 0.35), formation=0.0, scatter=0.0)


@pytest.fixture
def noise_free() -> Sensor:
    return Sensor(full_well_e=None, jpeg_quality=100, chroma="4:4:4")
