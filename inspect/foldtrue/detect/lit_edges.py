"""Features of a photo from the camera's side, pass by pass: the counterparts of `edges` for front and back views."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.detect.lit import LitBlocks, LitLines, LitPass, LitTargets, measure, search
from foldtrue.detect.tone import search_tone
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import Features, IntArray, Nominal
from foldtrue.subpixel import Image

PLACE = LitPass(window_pitch=0.13, look_pitch=0.08, max_slope=0.03, prior_pitch=0.06)
FIND = (
    LitPass(window_pitch=0.10, look_pitch=0.08, max_slope=0.06, prior_pitch=0.05),
    LitPass(window_pitch=0.08, look_pitch=0.07, max_slope=0.09, prior_pitch=0.05),
)
FAR = LitPass(window_pitch=0.27, look_pitch=0.08, max_slope=0.2, prior_pitch=0.15)
TONE = LitPass(window_pitch=0.10, look_pitch=0.08, max_slope=0.09, prior_pitch=0.1)
TONE_AGAIN = LitPass(window_pitch=0.06, look_pitch=0.08, max_slope=0.04, prior_pitch=0.1)
AGAIN = LitPass(window_pitch=0.05, look_pitch=0.06, max_slope=0.04, prior_pitch=0.05)
LOOKS_PITCH = (0.06, 0.03)
"""Half the width of the looks that places are read from: first wide, for edges not yet quite in place, then only the
steady part."""
LEAST_EVIDENCE = 4.0
LINES_PER_PITCH = 120.0


@dataclass(frozen=True)
class LitScene:
    """Linear light of the piece's part of the photo, what to look for in it, its plane, and the plan's pitch."""

    image: Image
    lit: LitTargets
    plane: PlaneMap
    pitch_mm: float

    def nothing_found(self) -> LitLines:
        edges = len(self.lit.targets.crease)
        return LitLines(np.zeros(edges), np.zeros(edges), np.zeros(edges, bool), np.zeros(self.lit.kinds, bool))


@dataclass(frozen=True)
class LitFound:
    """What a pass found: the targets with the kinds that the edges turned out to be of, the edges and their blocks;
    tone (E,) as in `Features`."""

    lit: LitTargets
    tone: IntArray
    now: LitLines
    blocks: LitBlocks


def place_lit(scene: LitScene) -> LitLines:
    """Find the edges roughly."""
    return search(scene.image, scene.lit, scene.plane, scene.nothing_found(), PLACE, scene.pitch_mm)


def find_lit(scene: LitScene) -> LitFound:
    """Search from the plan's lines, twice, for edges not found then farther out (a gross error), and for what is still
    not found by its tone; measure what was found."""
    now = scene.nothing_found()
    for wanted in FIND:
        now = _kept(search(scene.image, scene.lit, scene.plane, now, wanted, scene.pitch_mm))
    if (~now.found & now.shows[scene.lit.kind_of_edge]).any():
        far = search(scene.image, scene.lit, scene.plane, now, FAR, scene.pitch_mm)
        late = ~now.found & far.found
        now = replace(
            now,
            offset_mm=np.where(late, far.offset_mm, now.offset_mm),
            slope_mm=np.where(late, far.slope_mm, now.slope_mm),
            found=now.found | late,
        )
    return _measured(scene, now, TONE, LOOKS_PITCH[:1])


def remeasure_lit(scene: LitScene, offset_mm: Array, slope_mm: Array) -> LitFound:
    """Search narrowly about the lines (E,) that the adjusted network predicts, then measure."""
    start = LitLines(offset_mm, slope_mm, np.ones(len(offset_mm), bool), np.ones(scene.lit.kinds, bool))
    now = search(scene.image, scene.lit, scene.plane, start, AGAIN, scene.pitch_mm)
    now = replace(
        now,
        offset_mm=np.where(now.found, now.offset_mm, offset_mm),
        slope_mm=np.where(now.found, now.slope_mm, slope_mm),
    )
    return _measured(scene, now, TONE_AGAIN, LOOKS_PITCH, level=True)


def _kept(lines: LitLines) -> LitLines:
    """Edges not found go back to the plan for the next search."""
    return LitLines(
        np.where(lines.found, lines.offset_mm, 0.0),
        np.where(lines.found, lines.slope_mm, 0.0),
        lines.found,
        lines.shows,
    )


def _measured(
    scene: LitScene, now: LitLines, tone: LitPass, looks_pitch: tuple[float, ...], level: bool = False
) -> LitFound:
    lit, now, tones = search_tone(scene.image, scene.lit, scene.plane, now, tone, scene.pitch_mm)
    pitch_px = scene.pitch_mm * float(np.hypot(*scene.plane.jacobian(np.zeros((1, 2)))[0, :, 0]))
    spacing = max(1.0, pitch_px / LINES_PER_PITCH)
    for look_pitch in looks_pitch:
        last = level and look_pitch == looks_pitch[-1]
        now, blocks = measure(scene.image, lit, scene.plane, now, look_pitch, scene.pitch_mm, spacing, level=last)
    return LitFound(lit, tones, now, blocks)


def lit_features(measured: LitFound, nominal: Nominal, view: str) -> Features:
    """Samples of all kinds that show; what the light does not show at all says nothing for or against the plan."""
    lit, now, blocks = measured.lit, measured.now, measured.blocks
    targets, lines = lit.targets, blocks.lines
    count = len(nominal.views[view].crease)
    shown = now.shows[lit.kind]
    good = now.found & (blocks.evidence > LEAST_EVIDENCE)
    evidence, contrast = np.zeros(count), np.zeros(count)
    found, tone = np.zeros(count, bool), np.zeros(count, np.int64)
    tone[targets.stretch] = measured.tone[targets.edge]
    evidence[targets.stretch] = blocks.evidence[targets.edge]
    contrast[targets.stretch] = blocks.height[targets.edge]
    found[targets.stretch] = good[targets.edge]
    rows = np.flatnonzero(shown[lines.block_interval])
    edge: IntArray = lines.block_edge[rows]
    trust = blocks.trust[rows] * good[edge]
    firsts = np.searchsorted(lines.block, np.arange(len(lines.block_edge)))
    return Features(
        evidence,
        contrast,
        np.full(count, np.nan),
        found,
        targets.stretch[lines.block_interval[rows]],
        lines.block_t[rows],
        blocks.place_mm[rows],
        blocks.std_mm[rows],
        lines.px_per_mm[firsts[rows]],
        np.where(trust > 0.02, trust, 0.0),
        lines.block_interval[rows],
        np.zeros(count, bool),
        tone=tone,
    )
