"""Panels: their corners' pose against the truth, and not measured where a corner does not show."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from panels import panel_plan

from foldtrue.fit.joint import Joint
from foldtrue.fit.panels import measure_panels
from foldtrue.fit.poses import rigid_pose
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.measured import radius95
from foldtrue.plan.file import parse_plan
from foldtrue.plan.fold import fold_plan
from foldtrue.report.result import result_record
from foldtrue.simulate import Camera, Errors, Scene, simulate_photo

# Triangles between three cells around the middle, a third of a turn apart.
CORNERS = ([[0, 0], [2, -1], [1, 1]], [[0, 0], [-1, 2], [-2, 1]], [[0, 0], [-1, -1], [1, -2]])
SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text())


@pytest.fixture(scope="module")
def plan():
    panels = [{"corners": corners, "layers": 7} for corners in CORNERS]
    return parse_plan(panel_plan().model_dump(mode="json", exclude_none=True) | {"panels": panels})


@pytest.fixture(scope="module")
def shots(plan, tmp_path_factory):
    """Two photos against the light: (inspection, truth) of each."""
    nominal, folder = fold_plan(plan), tmp_path_factory.mktemp("panels")
    out = []
    for seed in (1, 2):
        camera = Camera(width_px=1264, height_px=948, focal_35mm=50.0, fill=0.75, tilt_deg=3.0)
        scene = Scene(seed=seed, errors=Errors(position_mm=0.2, angle_deg=0.5, vertex_mm=0.02), camera=camera)
        made = simulate_photo(nominal, scene)
        (folder / f"{seed}.jpg").write_bytes(made.jpeg)
        out.append((inspect_photo(folder / f"{seed}.jpg", plan, InspectOptions(side="front")), made.truth))
    return out


def test_places_and_turns_of_panels_lie_within_their_uncertainty(shots):
    """Truth carried through the drawn camera and back through the found map: no fit of its own."""
    held = []
    for inspection, truth in shots:
        found, nominal = inspection.fit.panels, inspection.nominal
        true_mm = inspection.fit.map.to_mm(truth.map.to_px(truth.vertices_mm))
        assert found.measured.all()
        for k, panel in enumerate(nominal.panels):
            tips = list(panel.tips)
            shift, turn, size = rigid_pose(nominal.vertices_mm[tips], true_mm[tips])
            held += [
                np.hypot(*(found.position_error_mm[k] - shift)) <= radius95(found.position_cov_mm2)[k],
                abs(found.angle_error_deg[k] - turn) <= 1.96 * found.angle_std_deg[k],
                abs(found.size_error[k] - size) <= 1.96 * found.size_std[k],
            ]
    assert np.mean(held) >= 0.85  # of 18 figures that are not independent


def test_panels_are_rows_of_the_result(shots):
    record = result_record(shots[0][0])
    jsonschema.validate(record, SCHEMA)
    assert [(row["id"], row["layers"], row["status"]) for row in record["panels"]] == [
        (f"panel{k}", 7, "measured") for k in range(3)
    ]


def test_a_panel_with_a_corner_that_nothing_leads_to_is_not_measured(shots):
    inspection, _ = shots[0]
    nominal, fit = inspection.nominal, inspection.fit
    count = 2 * len(nominal.vertices_mm)
    joint = Joint(np.eye(count), np.eye(1), np.zeros((count, 1)), np.zeros((8, count)), fit.map, np.zeros((9, 1)), 50.0)
    known = fit.vertex_measured.copy()
    others = {tip for k in (0, 2) for tip in nominal.panels[k].tips}  # all three have one corner in common
    known[[tip for tip in nominal.panels[1].tips if tip not in others]] = False
    poses = measure_panels(nominal, fit.vertices_mm, known, joint)
    assert poses.measured.tolist() == [True, False, True]
    assert poses.flags[1] == ("corner_not_seen",)
