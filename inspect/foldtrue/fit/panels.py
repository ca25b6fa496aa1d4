"""Panels, areas sunk or spread after the twists, by the pose of their corners, as twists are measured.

Inside a panel nothing is predicted. Its corners are places where folds of the plan end, and those that lie outside it
or along its sides show: where they lead is where the corner is. A panel of which not every corner is led to is not
measured.
"""

from __future__ import annotations

import numpy as np

from foldtrue.fit.joint import Joint
from foldtrue.fit.poses import pose_row, rigid_pose
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Nominal
from foldtrue.handover_figures import PanelPoses


def measure_panels(nominal: Nominal, vertices_mm: Array, known: BoolArray, joint: Joint) -> PanelPoses:
    """Pose of every panel after the whole piece's fit.

    vertices_mm: (V, 2) measured, after that fit; known: (V,) which of them visible folds fix. Covariances are those of
    all corners together, leverage, lens and edge shifts included (`Joint.of_vertices`).
    """
    count = len(nominal.panels)
    rows = np.zeros((4 * count, 2 * len(vertices_mm)))
    for k, panel in enumerate(nominal.panels):
        tips = np.array(panel.tips)
        columns = np.stack([2 * tips, 2 * tips + 1], 1).ravel()
        rows[4 * k : 4 * k + 4, columns] = pose_row(nominal.vertices_mm[tips])
    cov = joint.of_vertices(rows, nominal.vertices_mm).reshape(count, 4, count, 4)[
        np.arange(count), :, np.arange(count)
    ]
    poses = [rigid_pose(nominal.vertices_mm[list(p.tips)], vertices_mm[list(p.tips)]) for p in nominal.panels]
    measured = np.array([bool(known[list(panel.tips)].all()) for panel in nominal.panels], bool)
    return PanelPoses(
        position_error_mm=np.array([pose[0] for pose in poses]).reshape(-1, 2),
        position_cov_mm2=cov[:, :2, :2],
        angle_error_deg=np.array([pose[1] for pose in poses]),
        angle_std_deg=np.degrees(np.sqrt(cov[:, 2, 2])),
        size_error=np.array([pose[2] for pose in poses]),
        size_std=np.sqrt(cov[:, 3, 3]),
        measured=measured,
        flags=tuple(() if seen else ("corner_not_seen",) for seen in measured),
    )
