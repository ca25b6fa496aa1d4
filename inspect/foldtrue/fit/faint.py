"""Lines of edges that do not stand out by themselves, as the network takes them."""

from __future__ import annotations

import numpy as np

from foldtrue.fit.lens import lens_across
from foldtrue.fit.lines import LEAST_STD_MM, EdgeLines, looks_of
from foldtrue.frames import PlaneMap
from foldtrue.handover import Nominal
from foldtrue.handover_faint import FaintLines
from foldtrue.stretches import left_normals


def faint_lines(seen: FaintLines, nominal: Nominal, view: str, plane: PlaneMap, k1_change: float) -> EdgeLines:
    """One line each; k1_change: of the map they were measured with, which is taken off them."""
    count = len(seen.stretch)
    crease = nominal.views[view].crease[seen.stretch]
    normal = left_normals(nominal, crease)
    ends = nominal.vertices_mm[nominal.creases.ends[crease]]
    lens = k1_change * lens_across(ends, normal[:, None], plane)
    bend = lens[:, 1] - lens[:, 0]
    dark, kind, pair_kind, pair = looks_of(nominal, view, seen.stretch)
    no = np.zeros(count, bool)
    return EdgeLines(
        crease=crease,
        t_mid=seen.t_mid,
        offset_mm=seen.offset_mm - lens[:, 0] - bend * seen.t_mid,
        offset_std_mm=np.maximum(seen.offset_std_mm, LEAST_STD_MM),
        slope_mm=seen.slope_mm - bend,
        slope_std_mm=np.maximum(seen.slope_std_mm, LEAST_STD_MM),
        normal=normal,
        dark=dark,
        kind=kind,
        glare=no,
        on_table=no,
        shared=no,
        members=tuple(crease[[k]] for k in range(count)),
        pair=pair,
        pair_kind=pair_kind,
        stretch=seen.stretch,
        samples=np.zeros(count),
        rms_mm=float("nan"),
        pixel_share=np.ones((count, 2)),
    )
