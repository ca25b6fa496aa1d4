"""What a photo of a half-done piece shows beside its folds: the creases of the grid that no fold has used yet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.simulate.scene import Scene

LIGHT_CONTRAST = (0.03, 0.1)
"""Relative change of light along a crease of a freshly creased sheet, as on sheets before any twist (`sheet_scene`)."""
LAMP_SLOPE_DEG = (3.0, 12.0)
"""Slope of the paper beside such a crease under a lamp (common practice, no source)."""


def half_done_scene(scene: Scene) -> Scene:
    """The scene with the creases of its flat parts as sharp as they are before a piece is finished: handling and
    pressing have not worn them yet. They run over the whole sheet, folded parts included. No sheet of standard size
    lies under it: the piece is still about as large itself.
    """
    rng = np.random.default_rng([scene.piece_seed, 15])
    contrast, slope = float(rng.uniform(*LIGHT_CONTRAST)), float(rng.uniform(*LAMP_SLOPE_DEG))
    return replace(
        scene,
        paper=replace(scene.paper, crease_contrast=max(scene.paper.crease_contrast, contrast)),
        relief=replace(scene.relief, crease_deg=max(scene.relief.crease_deg, slope)),
        reference=None,
    )
