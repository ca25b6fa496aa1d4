"""The piece against the light: grey by the number of layers, and the number itself in every area that has room."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from foldtrue.handover import Nominal
from foldtrue.handover_layers import LayerRegion
from foldtrue.printing.areas import area_key, area_marks, lies_in_area
from foldtrue.printing.cautions import LAMP
from foldtrue.printing.drawing import BLACK, SAMPLE_MM, WHITE, Area, Drawing, KeyEntry, Mark, Stroke, Words, bounds
from foldtrue.printing.fold_lines import rim_stroke
from foldtrue.transmission import stack_transmittance

REFLECTANCE, TRANSMITTANCE = 0.61, 0.38
"""Of one layer: strong thin paper, invented within published ranges (as foldtrue.simulate draws it)."""
_LEAST_TYPE_MM, _MOST_TYPE_MM = 1.2, 5.0
_EDGE_MM = 0.1
_DARK = 0.45


def layer_greys(counts: Sequence[int]) -> dict[int, float]:
    """Grey (0 black, 1 white, gamma-coded as on a screen) for each number of layers; the thinnest is white.

    The light through n layers follows the Kubelka-Munk stack; the code is that of sRGB (IEC 61966-2-1).
    """
    through = stack_transmittance(REFLECTANCE, TRANSMITTANCE, max(counts))
    light = {n: float(through[n] / through[min(counts)]) for n in sorted(set(counts))}
    return {n: 12.92 * v if v <= 0.0031308 else 1.055 * v ** (1 / 2.4) - 0.055 for n, v in light.items()}


def draw_light(nominal: Nominal, regions: Sequence[LayerRegion]) -> Drawing:
    """Layer counts seen from the front against the light, greys by the light that comes through."""
    greys = layer_greys([region.layers for region in regions])
    low, high = bounds(nominal.outline_mm)
    numbers = [number for region in regions for number in _number(nominal, region, greys[region.layers])]
    bare = len(regions) - len(numbers)
    note = f" {bare} areas have no room for their number; their grey is in the key." if bare else ""
    return Drawing(
        kind="light",
        title=f"Against the light: {nominal.name}",
        about=f"Folded piece seen from its front; numbers are layers of paper.{note}",
        low=low,
        high=high,
        marks=(
            *(mark for region in regions for mark in _region(region, greys[region.layers])),
            *numbers,
            rim_stroke(nominal.outline_mm),
            *area_marks(nominal, np.ones(2)),
        ),
        key=(*(_entry(n, grey) for n, grey in greys.items()), *area_key(nominal)),
        cautions=(LAMP,),
    )


def _region(region: LayerRegion, grey: float) -> Iterable[Mark]:
    yield Area(region.rings, grey, f"layers{region.layers}")
    for ring in region.rings:
        yield Stroke(ring, "step", _EDGE_MM, closed=True)


def _type_size(region: LayerRegion) -> float | None:
    """Size of the number in an area; None where it would be too small to read."""
    size = region.clear_mm / (0.5 if region.layers < 10 else 0.7)
    return None if size < _LEAST_TYPE_MM else min(size, _MOST_TYPE_MM)


def _number(nominal: Nominal, region: LayerRegion, grey: float) -> Iterable[Words]:
    """The number of layers, where it is readable and no area that hides layers cuts it."""
    size = _type_size(region)
    if size is not None and not lies_in_area(nominal, region.inner_mm, size):
        x, y = region.inner_mm
        yield Words((x, y - 0.35 * size), str(region.layers), size, "middle", WHITE if grey < _DARK else BLACK)


def _entry(layers: int, grey: float) -> KeyEntry:
    box = np.array([[1.0, -1.8], [SAMPLE_MM[0] - 1, -1.8], [SAMPLE_MM[0] - 1, 1.8], [1.0, 1.8]])
    number = Words((SAMPLE_MM[0] / 2, -1.1), str(layers), 3.0, "middle", WHITE if grey < _DARK else BLACK)
    meaning = f"{layers} layers" if layers > 1 else "1 layer"
    return KeyEntry((Area((box,), grey), Stroke(box, "step", _EDGE_MM, closed=True), number), meaning)
