"""Edges that show by a change of tone alone: facets lean a little, each its own way, and so take the lamp's light
differently.

Which side of such an edge is the lighter one is chance, so no look of its kind tells of it (looks.py): the mean over a
kind is even. An edge that does not show as its kind does is therefore looked for as a step of light of either sense.
Those found are of two kinds of their own, by whether light rises or falls along the edge's facing, and are measured
with the looks that these have in this photo.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from foldtrue.detect.acquire import Lines, best_lines, shrink
from foldtrue.detect.decoys import DECOYS_PITCH, DECOYS_WINDOWS, clear_of_plan
from foldtrue.detect.lit import LitLines, LitPass, LitTargets, coarse_profiles, px_per_mm
from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray
from foldtrue.subpixel import Image

TONE_STAND_OUT = 4.0
"""How many spreads of the decoys' scores an edge's step must lie above their mean: more than for a look that is known,
since a step of either sense will do."""
LEAST_TONE = 0.25
"""Share of the edges looked for that must stand out for any to be taken: leaning facets make steps all over a piece."""
MOST_STEP = 3.0
"""No block counts more than this many usual steps."""
BLUR_PX = 1.5
"""Of the step that is looked for, in pixels of the reduced picture."""
LEAST_STEPS = 4
"""Edges that must stand out: from fewer no look can be learned but their own."""
LEAST_CLEAR = 0.4
"""Share of a decoy's length that must be clear of planned edges for it to count."""
LEAST_DECOYS = 10
"""Of all kinds together, to tell chance by."""


@dataclass(frozen=True)
class Steps:
    """Steps found at edges (E,): their lines, as in `Lines`, and whether light rises (+1) or falls (-1) along the
    edge's facing."""

    lines: Lines
    sense: IntArray


def search_tone(
    image: Image, lit: LitTargets, plane: PlaneMap, now: LitLines, wanted: LitPass, pitch_mm: float
) -> tuple[LitTargets, LitLines, IntArray]:
    """Look for the inner edges that are not found yet as steps of light.

    Returns the targets with two more kinds, to which the edges found belong, the state of all edges, and the tone (E,)
    of `Features`; targets and state as they were where there is too little to look for.
    """
    asked = ~now.found & ~lit.bare
    if asked.sum() < LEAST_STEPS:
        return lit, now, np.zeros(len(asked), np.int64)
    found, decoys = _steps(image, lit, plane, now, wanted, pitch_mm)
    asked &= found.lines.seen > 0
    level = _chance(decoys, ~lit.bare)
    late = asked & (found.lines.score > level)
    if late.sum() < max(LEAST_STEPS, LEAST_TONE * asked.sum()):
        late[:] = False
    rises = found.sense > 0
    kind_of_edge = np.where(late, lit.kinds + rises, lit.kind_of_edge)
    edge = lit.targets.edge
    more = replace(
        lit,
        kind=np.where(late[edge], kind_of_edge[edge], lit.kind),
        kind_of_edge=kind_of_edge,
        kinds=lit.kinds + 2,
        steps=np.concatenate([lit.steps, [False, False]]),
    )
    lines = LitLines(
        np.where(late, found.lines.offset_mm, now.offset_mm),
        np.where(late, found.lines.slope_mm, now.slope_mm),
        now.found | late,
        np.concatenate([now.shows, [True, True]]),
    )
    return more, lines, np.where(late, 1 + rises, 0)


def _steps(
    image: Image, lit: LitTargets, plane: PlaneMap, now: LitLines, wanted: LitPass, pitch_mm: float
) -> tuple[Steps, list[tuple[Steps, BoolArray]]]:
    """The largest step within the window about every edge's line, and those beside it with whether they count."""
    targets, edges = lit.targets, len(lit.targets.crease)
    window, half_look = wanted.window_pitch * pitch_mm, wanted.look_pitch * pitch_mm
    scale = px_per_mm(targets, plane)
    factor = max(1, int(window * scale / 16))
    small, step = shrink(image, factor), factor / scale
    half, margin = max(int(np.ceil(window / step)), 4), max(int(np.ceil(half_look / step)), 4)
    kernel = _step_kernel(margin)
    away = max(DECOYS_PITCH, DECOYS_WINDOWS * wanted.window_pitch)
    usual, here, decoys = 0.0, None, []
    for beside in (0.0, -away, away):
        start = (now.offset_mm + beside * pitch_mm, now.slope_mm)
        lines, profile, inside = coarse_profiles(small, lit, plane, start, factor, half + margin, step, window)
        if beside:
            inside &= clear_of_plan(lines, targets, start, (half + margin) * step, lit.plan, pitch_mm)
        windows = np.lib.stride_tricks.sliding_window_view(profile, len(kernel), axis=1)
        response = windows @ kernel
        if not beside:
            inner = inside & ~lit.bare[lines.block_edge]
            usual = max(1.4826 * float(np.median(np.abs(response[inner, half]))) if inner.any() else 0.0, 1e-6)
        response = np.clip(response / usual, -MOST_STEP, MOST_STEP)
        response[~inside] = 0.0
        flipped = lit.facing[lines.block_interval] < 0
        response[flipped] = response[flipped, ::-1]
        at, prior = (now.offset_mm, now.slope_mm), wanted.prior_pitch * pitch_mm
        best = [
            best_lines(sense * response, lines, targets, at, 1.0 / step, half, wanted.max_slope, prior, inside)
            for sense in (1.0, -1.0)
        ]
        steps = _larger(*best)
        if beside:
            share = np.bincount(lines.block_edge, inside, edges) / np.maximum(
                np.bincount(lines.block_edge, minlength=edges), 1
            )
            decoys.append((steps, np.asarray(share > LEAST_CLEAR)))
        else:
            here = steps
    assert here is not None
    return here, decoys


def _larger(rising: Lines, falling: Lines) -> Steps:
    rises = rising.score >= falling.score
    offset, slope, score = (
        np.where(rises, getattr(rising, f), getattr(falling, f)) for f in ("offset_mm", "slope_mm", "score")
    )
    return Steps(Lines(offset, slope, score, rising.seen), np.where(rises, 1, -1))


def _chance(decoys: list[tuple[Steps, BoolArray]], inner: BoolArray) -> float:
    """The score that a step must pass, whatever its kind; infinite where there is too little to tell it by."""
    scores = np.concatenate([d.lines.score[clear & inner & (d.lines.seen > 0)] for d, clear in decoys])
    if len(scores) < LEAST_DECOYS:
        return float("inf")
    return float(scores.mean() + TONE_STAND_OUT * scores.std())


def _step_kernel(margin: int) -> Array:
    """Filter (2 margin + 1,) whose response to a step from -1 to 1, blurred, is 1 and to even light 0."""
    from scipy.special import erf

    step = erf(np.arange(-margin, margin + 1) / (BLUR_PX * np.sqrt(2.0)))
    return np.asarray(step / np.sum(step * step))
