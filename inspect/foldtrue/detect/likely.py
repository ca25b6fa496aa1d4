"""How likely each line of a window makes the light across an edge, and what that and the expected line say together.

Light across an edge is a level, a slope of light, the look of the edge's kind times a strength, and a step of tone of
chance height. Level and slope are taken out. How much of look and step is in a profile, z (2,), has the covariance V
where there is no edge, as decoys show; where there is one, its mean is G (1, 0) and its covariance V + G P G', G being
the products of look and step with each other, P the spreads of strength and height. So both likelihoods are normal
densities, and nothing is asked of a profile but these two numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, IntArray

STRENGTH = 0.5
"""Spread of how strongly edges show about the usual of their kind; wide, and not measured."""
ASTRAY = 0.1
"""Share of edges where something else is seen, anywhere in the window; as in grooves (fit/grooves.py)."""
MEDIAN = 0.455
"""Of chi square with one freedom."""
LEAST_OF_KIND, LEAST_BLOCKS = 4, 2
"""Edges of a kind, and as many decoys, that must lie in the picture with so many blocks each."""
TELLING = 0.8
"""Of a direction's expected variance at most so much must be left for the photo to have told something of it."""
LEAST_MM = 1e-3
"""No line is told better."""
LEAST_POWER = 1e-9
"""Of relative light, squared; keeps noiseless pictures solvable."""


@dataclass(frozen=True)
class Window:
    """Lines looked for about each expected one (F,): offsets (O,) mm and slopes (F, S) mm along the facing. step_mm:
    between neighbouring offsets; look: half the width of a look, in steps; blur: of a change of tone, in steps."""

    offsets: Array
    slopes: Array
    step_mm: float
    look: int
    blur: float


@dataclass(frozen=True)
class Means:
    """Relative light along the facing, averaged along every slope of the window: value (F, S, O + 2 look); blocks (F,)
    of cross-lines that it is the mean of."""

    value: Array
    blocks: Array


@dataclass(frozen=True)
class Told:
    """What photo and expectation say together of each edge (F,), in the window's terms: mean (F, 2) of offset and
    slope, cov (F, 2, 2), common (F,) offset of the whole kind, a part of the mean; evidence (F,): logarithm of how many
    times likelier the profiles are with the edge than without; known (F,): enough was seen to say so."""

    mean: Array
    cov: Array
    common: Array
    evidence: Array
    known: BoolArray


def told_by(here: Means, decoys: list[Means], window: Window, prior: Array, kind: IntArray, mean: Array) -> Told:
    """Mean and covariance of each edge (F,) under what is expected, prior (F, 2, 2) about 0, and the photo.

    here, decoys: means about the expected lines, and beside them, where nothing is planned; kind (F,); mean (F, 2):
    where the edges are taken to lie for their looks to be learned.
    """
    known = here.blocks >= LEAST_BLOCKS
    both, cov, read = np.zeros_like(mean), prior.copy(), np.zeros(len(kind), bool)
    common, evidence = np.zeros((2, len(kind)))
    for k in np.unique(kind[known]):
        mine = np.flatnonzero(known & (kind == k))
        beside = [(d.value[mine], d.blocks[mine]) for d in decoys]
        if len(mine) < LEAST_OF_KIND or sum((b >= LEAST_BLOCKS).sum() for _, b in beside) < LEAST_OF_KIND:
            continue
        ratio = _ratio(here.value[mine], here.blocks[mine], beside, window, window.slopes[mine], mean[mine])
        both[mine], cov[mine], common[mine], evidence[mine] = _posterior(
            ratio, window.offsets, window.slopes[mine], prior[mine]
        )
        read[mine] = True
    return Told(both, cov, common, evidence, read)


def _ratio(
    value: Array, blocks: Array, beside: list[tuple[Array, Array]], window: Window, slopes: Array, mean: Array
) -> Array:
    """Logarithm (F, S, O) of the likelihood of each line over that of none, for edges of one kind."""
    own = _at(value, window, slopes, mean)
    bases = _bases(own, window.blur)
    grams = np.einsum("fin,fjn->fij", bases, bases) + LEAST_POWER * np.identity(2)
    noise = _noise(beside, bases)[None] / blocks[:, None, None]
    inverse = np.linalg.inv(grams)
    strength = np.einsum("fij,fj->fi", inverse, np.einsum("fin,fn->fi", bases, own))
    chance = np.einsum("fij,fjk,fkl->fil", inverse, noise, inverse)[:, 1, 1]
    height = max(float(np.median(strength[:, 1] ** 2 - chance)) / MEDIAN, 0.0)
    spread = noise + grams @ np.diag([STRENGTH**2, height]) @ grams
    seen = _inner(value, bases)
    without, with_edge = _squares(seen, noise), _squares(seen - grams[:, None, None, :, 0], spread)
    size = np.log(np.linalg.det(spread) / np.linalg.det(noise))
    return np.asarray(0.5 * (without - with_edge - size[:, None, None]))


def _at(value: Array, window: Window, slopes: Array, mean: Array) -> Array:
    """The profile (F, N) about the line mean (F, 2) of each edge, to the nearest step."""
    rows = np.arange(len(value))
    slope = np.abs(slopes - mean[:, 1:]).argmin(1)
    first = np.abs(window.offsets - mean[:, :1]).argmin(1)
    return np.asarray(value[rows[:, None], slope[:, None], first[:, None] + np.arange(2 * window.look + 1)])


def _bases(own: Array, blur: float) -> Array:
    """(F, 2, N): for every edge the look of the others, since an edge always looks like what it took part in, and a
    blurred step; both free of level and slope of light, and the look of the step: which side is lighter is chance."""
    from scipy.special import ndtr

    count, width = own.shape
    place = np.linspace(-1, 1, width)
    even = np.linalg.qr(np.stack([np.ones(width), place], 1))[0]
    step = ndtr((np.arange(width) - width // 2) / blur) - 0.5
    step -= even @ (even.T @ step)
    looks = (own.sum(0) - own) / (count - 1)
    looks -= looks @ even @ even.T
    looks -= (looks @ step)[:, None] * step / (step @ step)
    return np.stack([looks, np.broadcast_to(step, looks.shape)], 1)


def _inner(value: Array, bases: Array) -> Array:
    """How much of its bases (F, 2, N) is in each edge's profiles (F, S, W) at every offset: (F, S, O, 2)."""
    windows = np.lib.stride_tricks.sliding_window_view(value, bases.shape[2], axis=2)
    return np.asarray(np.einsum("fson,fjn->fsoj", windows, bases, optimize=True))


def _noise(beside: list[tuple[Array, Array]], bases: Array) -> Array:
    """Covariance (2, 2) of `_inner` where there is no edge, for one block."""
    squares = []
    for value, blocks in beside:
        rows = np.flatnonzero(blocks >= LEAST_BLOCKS)
        seen = _inner(value[rows], bases[rows])
        lines = seen.shape[1] * seen.shape[2]
        squares.append(np.einsum("fsoi,fsoj->fij", seen, seen) / lines * blocks[rows, None, None])
    mean = np.concatenate(squares).mean(0)
    return np.asarray(mean + (LEAST_POWER**2 + 1e-12 * np.trace(mean)) * np.identity(2))


def _squares(z: Array, cov: Array) -> Array:
    """z' cov^-1 z (F, S, O) for z (F, S, O, 2), cov (F, 2, 2)."""
    return np.asarray(np.einsum("fsoi,fij,fsoj->fso", z, np.linalg.inv(cov), z, optimize=True))


def _posterior(ratio: Array, offsets: Array, slopes: Array, prior: Array) -> tuple[Array, Array, float, Array]:
    """Mean (F, 2), cov (F, 2, 2), common offset and evidence (F,) of the edges of one kind.

    Of some edges nothing is seen, or something else that may lie anywhere in the window. All lines may be off by a
    common offset, which a look cannot tell from its own zero: the likeliest is taken.
    """
    top = ratio.max((1, 2))
    likely = np.exp(ratio - top[:, None, None])
    floor = np.logaddexp(0.0, np.log(likely.mean((1, 2))) + top)
    middle = len(offsets) // 4
    best, chosen = -np.inf, None
    for common in offsets[middle : len(offsets) - middle]:
        before = _expected(offsets - common, slopes, prior)
        edge = np.log(np.maximum(np.sum(likely * before, (1, 2)), 1e-300)) + top
        evidence = np.logaddexp(np.log(1 - ASTRAY) + edge, np.log(ASTRAY) + floor)
        if evidence.sum() > best:
            best, chosen = evidence.sum(), (common, before, evidence)
    assert chosen is not None
    common, before, evidence = chosen
    share = before * ((1 - ASTRAY) * likely + ASTRAY * np.exp(floor - top)[:, None, None])
    share /= share.sum((1, 2), keepdims=True)
    mean = np.stack([np.sum(share * offsets, (1, 2)), np.sum(share * slopes[:, :, None], (1, 2))], 1)
    off = np.broadcast_to(offsets, share.shape) - mean[:, 0, None, None]
    tilt = np.broadcast_to(slopes[:, :, None], share.shape) - mean[:, 1, None, None]
    cov = np.stack([np.sum(share * a * b, (1, 2)) for a in (off, tilt) for b in (off, tilt)], 1).reshape(-1, 2, 2)
    steps = np.stack([np.full(len(slopes), offsets[1] - offsets[0]), slopes[:, 1] - slopes[:, 0]], 1)
    cov[:, [0, 1], [0, 1]] += steps**2 / 12.0  # nothing is read finer than the window is searched
    return mean, cov, float(common), evidence


def _expected(offsets: Array, slopes: Array, prior: Array) -> Array:
    """Normal density (F, S, O) with covariance prior (F, 2, 2) on the window, its sum 1."""
    inverse = np.linalg.inv(prior)
    a, b, c = (inverse[:, i, j, None, None] for i, j in ((0, 0), (0, 1), (1, 1)))
    x, y = offsets[None, None], slopes[:, :, None]
    density = np.exp(-0.5 * (a * x * x + 2 * b * x * y + c * y * y))
    return np.asarray(density / np.maximum(density.sum((1, 2), keepdims=True), 1e-300))


def by_photo(told: Told, prior: Array) -> tuple[Array, Array, Array]:
    """What the photo alone says: t_mid (F,), offset there and slope (F, 2) mm, the kind's common offset taken off, and
    their stds (F, 2), infinite where it says nothing.

    The normal likelihood that makes of the prior (F, 2, 2) the mean and covariance of `told`. Directions in which that
    is hardly narrower than what was expected tell nothing.
    """
    root = np.linalg.cholesky(prior)
    back = np.linalg.inv(root)
    left, ways = np.linalg.eigh(back @ told.cov @ back.transpose(0, 2, 1))
    ways = back.transpose(0, 2, 1) @ ways
    place = told.mean - np.stack([told.common, np.zeros(len(told.common))], 1)
    tells = left < TELLING
    precision = np.where(tells, 1.0 / np.maximum(left, 1e-6) - 1.0, 0.0)
    pull = np.where(tells, np.einsum("fik,fi->fk", ways, place) / np.maximum(left, 1e-6), 0.0)
    weight = np.einsum("fik,fk,fjk->fij", ways, precision, ways)
    # So little more keeps it solvable: directions that tell nothing come out as unknown to a metre.
    cov = np.linalg.inv(weight + 1e-6 * np.identity(2))
    said = np.einsum("fij,fjk,fk->fi", cov, ways, pull)
    t_mid = np.clip(0.5 - cov[:, 0, 1] / cov[:, 1, 1], 0.0, 1.0)
    arm = t_mid - 0.5
    variance = cov[:, 0, 0] + 2 * arm * cov[:, 0, 1] + arm**2 * cov[:, 1, 1]
    std = np.maximum(np.sqrt(np.stack([variance, cov[:, 1, 1]], 1)), LEAST_MM)
    std[~tells.any(1)] = np.inf
    return t_mid, np.stack([said[:, 0] + arm * said[:, 1], said[:, 1]], 1), std
