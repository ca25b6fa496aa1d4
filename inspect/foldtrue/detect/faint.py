"""Edges that do not stand out by themselves, read where all others of the network expect them.

A side that faces the lamp may differ from its paper by a few parts in a hundred: too little to be found in a wide
window, where the grain of the paper does as much, but plenty where the rest of the piece says to a tenth of a
millimetre where it must lie. What the photo says of such an edge is the likelihood of every line near the expected one,
of a profile that holds the look of its kind and a change of tone against one that holds neither; chance is what the
same reading makes of decoys beside. The likelihood is then put as the normal distribution that, times what was
expected (WIDER), has the mean and the covariance of what both say, so that the network can be solved with it and
nothing counts twice. Where the photo says nothing, nothing comes out.

Sources: expectation propagation (Minka, Uncertainty in Artificial Intelligence 17 (2001) 362 [from memory]); looks and
lines found in turn, by expectation and maximisation (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.detect.decoys import DECOYS_PITCH, DECOYS_WINDOWS, clear_of_plan, decoy_blocks
from foldtrue.detect.likely import Means, Told, Window, by_photo, told_by
from foldtrue.detect.lit import LitTargets, oriented, px_per_mm
from foldtrue.detect.lit_edges import LitScene
from foldtrue.detect.looks import TONE_BLUR_PX
from foldtrue.detect.scan import cross_lines_at
from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray
from foldtrue.handover_faint import ExpectedLines, FaintLines
from foldtrue.subpixel import cross_lines

LOOK_PITCH, MOST_PITCH = 0.05, 0.12
"""Half the width of a look, and of the widest search about the expected line, in pitches."""
WIDER = 2.5
"""Edges are read as if they might lie so many times as far off as expected: lines held where they are expected would
not be laid over one another, and the look learned from them would be blurred."""
REACH = 3.0
"""How many standard deviations of that the search goes to either side."""
STEPS_PER_PX, SLOPES = 2, 15
"""How finely: offsets to a pixel, and slopes in all."""
BLOCK_LINES = 6.0
"""Cross-lines that make a block, which lies on the photo, or clear of the plan, as a whole."""
ROUNDS = 5
"""Of looks and lines in turn."""
LEAST_TOLD, LEAST_TOLD_EDGE = 1.0, 0.0
"""Natural logarithm of how many times likelier a profile is with an edge in it: for the kind's median edge, and for an
edge that is to count."""


def faint_edges(lit: LitTargets, found: BoolArray) -> IntArray:
    """The inner edges, alone on their lines, of the kinds of which some were not found; found: (E,)."""
    alone = ~lit.bare & (lit.other == lit.targets.crease)
    missed = np.bincount(lit.kind_of_edge[alone & ~found], minlength=lit.kinds) > 0
    return np.flatnonzero(alone & missed[lit.kind_of_edge])


def read_faint(
    scene: LitScene, found: BoolArray, edges: IntArray, expected: ExpectedLines, spacing_px: float
) -> FaintLines | None:
    """What the photo says of those of the edges (F,), as from `faint_edges`, that were not found; None where nothing.

    found: (E,) of all; expected: where the network has the edges. Offsets of a kind are known against each other only,
    as a look has no zero but the mean place of its edges.
    """
    scene = replace(scene, lit=scene.lit.pick_edges(edges))
    targets, kind = scene.lit.targets, scene.lit.kind_of_edge
    facing = np.ones(len(edges))
    facing[targets.edge] = scene.lit.facing
    prior = _prior(expected, facing, kind)
    wide = WIDER**2 * prior
    window = _window(wide, 1.0 / (STEPS_PER_PX * px_per_mm(targets, scene.plane)), scene.pitch_mm)
    start, slope = expected.offset_mm, expected.slope_mm
    here = _means(scene, (start, slope), window, spacing_px)
    away = max(DECOYS_PITCH * scene.pitch_mm, DECOYS_WINDOWS * window.offsets[-1])
    decoys = [_means(scene, (start + beside, slope), window, spacing_px, decoys=True) for beside in (-away, away)]
    mean: Array = np.zeros((len(edges), 2))
    for _ in range(ROUNDS):
        told = told_by(here, decoys, window, wide, kind, mean)
        mean = told.mean
    t_mid, place, std = by_photo(told, wide)
    # Whether an edge shows is asked of where it is expected: farther out chance has more to choose from.
    there = told_by(here, decoys, window, prior, kind, mean)
    counts = _shows(there, kind) & ~found[edges] & (there.evidence > LEAST_TOLD_EDGE)
    rows = np.flatnonzero(counts & np.isfinite(std[:, 0]))
    if not len(rows):
        return None
    sense = facing[rows]
    return FaintLines(
        stretch=targets.first_stretch[rows],
        t_mid=t_mid[rows],
        offset_mm=start[rows] + slope[rows] * (t_mid[rows] - 0.5) + sense * place[rows, 0],
        offset_std_mm=std[rows, 0],
        slope_mm=slope[rows] + sense * place[rows, 1],
        slope_std_mm=std[rows, 1],
    )


def _prior(expected: ExpectedLines, facing: Array, kind: IntArray) -> Array:
    """Covariances (F, 2, 2) of offset and slope along the facing, the kind's mean offset taken out: a look does not
    tell it."""
    count = len(facing)
    cov = (expected.cov_mm2 * np.repeat(facing, 2)[:, None] * np.repeat(facing, 2)).reshape(count, 2, count, 2)
    same = (kind[:, None] == kind).astype(float)
    mean_of_kind = same / same.sum(1, keepdims=True)
    apart = cov.copy()
    apart[:, 0] -= np.einsum("ab,bjk->ajk", mean_of_kind, cov[:, 0])
    own = np.einsum("aiaj->aij", apart).copy()
    own[:, :, 0] -= np.einsum("ab,aib->ai", mean_of_kind, apart[:, :, :, 0])
    return np.asarray(own + 1e-10 * np.identity(2))


def _window(prior: Array, step_mm: float, pitch_mm: float) -> Window:
    offset, slope = np.sqrt(prior[:, 0, 0]), np.sqrt(prior[:, 1, 1])
    reach = REACH * (np.percentile(offset, 90) + 0.5 * np.percentile(slope, 90))
    half = max(int(np.ceil(min(reach, MOST_PITCH * pitch_mm) / step_mm)), 2 * STEPS_PER_PX)
    return Window(
        offsets=np.arange(-half, half + 1) * step_mm,
        slopes=slope[:, None] * np.linspace(-REACH, REACH, SLOPES),
        step_mm=step_mm,
        look=max(int(np.ceil(LOOK_PITCH * pitch_mm / step_mm)), 3 * STEPS_PER_PX),
        blur=TONE_BLUR_PX * STEPS_PER_PX,
    )


def _means(
    scene: LitScene, start: tuple[Array, Array], window: Window, spacing_px: float, decoys: bool = False
) -> Means:
    """Means about the lines start; of decoys only what is clear of the plan counts."""
    lit, step = scene.lit, window.step_mm
    half = len(window.offsets) // 2 + window.look
    lines = cross_lines_at(
        lit.targets,
        scene.plane,
        *start,
        margin_mm=0.15 * window.offsets[-1] + 2 * STEPS_PER_PX * step,
        clear_mm=0.5 * window.look * step,
        spacing_px=spacing_px,
        half_width_px=half / STEPS_PER_PX,
        block_px=BLOCK_LINES * spacing_px,
        half_width_mm=half * step,
    )
    profile, inside = oriented(cross_lines(scene.image, lines.low_px, lines.high_px, 2 * half + 1), lines, lit)
    if decoys:
        clear = clear_of_plan(lines, lit.targets, start, half * step, lit.plan, scene.pitch_mm)
        inside &= decoy_blocks(clear, lines, lit.kind_of_edge, lit.kinds)
    rows = np.flatnonzero(inside)
    edge, t, profile = lines.block_edge[rows], lines.block_t[rows], profile[rows]
    blocks = np.bincount(edge, minlength=len(lit.targets.crease)).astype(float)
    value = np.zeros((*window.slopes.shape, profile.shape[1]))
    columns = np.arange(profile.shape[1])
    for k in range(window.slopes.shape[1]):
        tilt = window.slopes[edge, k] * (t - 0.5) / step
        whole = np.floor(tilt).astype(int)
        near, far = (
            np.take_along_axis(profile, np.clip(columns + whole[:, None] + m, 0, columns[-1]), 1) for m in (0, 1)
        )
        np.add.at(value[:, k], edge, near + (tilt - whole)[:, None] * (far - near))
    return Means(value / np.maximum(blocks, 1)[:, None, None], blocks)


def _shows(told: Told, kind: IntArray) -> BoolArray:
    """Which edges (F,) were read and are of a kind whose median edge shows."""
    shows = np.zeros(len(kind), bool)
    for k in np.unique(kind[told.known]):
        mine = told.known & (kind == k)
        shows |= mine & (np.median(told.evidence[mine]) > LEAST_TOLD)
    return shows
