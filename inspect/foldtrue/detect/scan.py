"""Where to look: cross-lines over the parts of each crease that the plan says are visible and clear of other edges."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foldtrue.frames import Array, PlaneMap
from foldtrue.handover import BoolArray, IntArray, Nominal
from foldtrue.stretches import alone_in_line, place_numbers, stretch_ends


@dataclass(frozen=True)
class Targets:
    """Visible, unshared, undisturbed pieces of the creases of one view.

    crease: (E,) index of the crease each scanned line stands for (a crease may stand for several silhouette lines),
    start_mm, end_mm: (E, 2) their planned ends, normal: (E, 2) unit left normal, length_mm: (E,). Interval arrays (I):
    edge (I,) index into the E, stretch (I,) index into the view's stretches, t0, t1 (I,) on the crease, sharpness (I,
    2) largest cotangent of the angle at which others meet it at either end, rival (I, 2) the stretch that is the
    largest step among those, -1 = none, layers_left, layers_right (I,). silhouette: (I,) no paper on one side.
    beside_mm: (I,) distance to the nearest edge that shows and does not meet this one, inf = none within a
    pitch, or not looked for.
    """

    crease: IntArray
    start_mm: Array
    end_mm: Array
    normal: Array
    length_mm: Array
    edge: IntArray
    stretch: IntArray
    t0: Array
    t1: Array
    sharpness: Array
    rival: IntArray
    layers_left: IntArray
    layers_right: IntArray
    silhouette: BoolArray
    beside_mm: Array

    @property
    def first_stretch(self) -> IntArray:
        """The first stretch (E,) of every edge."""
        first = np.zeros(len(self.crease), np.int64)
        first[self.edge[::-1]] = self.stretch[::-1]
        return first

    def pick_edges(self, edges: IntArray) -> tuple[Targets, IntArray]:
        """The targets of these edges alone, numbered in the order given, and the indices of their intervals."""
        number = np.full(len(self.crease), -1, np.int64)
        number[edges] = np.arange(len(edges))
        intervals = np.flatnonzero(number[self.edge] >= 0)
        return Targets(
            crease=self.crease[edges],
            start_mm=self.start_mm[edges],
            end_mm=self.end_mm[edges],
            normal=self.normal[edges],
            length_mm=self.length_mm[edges],
            edge=number[self.edge[intervals]],
            stretch=self.stretch[intervals],
            t0=self.t0[intervals],
            t1=self.t1[intervals],
            sharpness=self.sharpness[intervals],
            rival=self.rival[intervals],
            layers_left=self.layers_left[intervals],
            layers_right=self.layers_right[intervals],
            silhouette=self.silhouette[intervals],
            beside_mm=self.beside_mm[intervals],
        ), intervals


@dataclass(frozen=True)
class CrossLines:
    """N cross-lines in scan order. target edge (N,), interval (N,), t (N,), block (N,) running block number; low_px,
    high_px (N, 2) ends; growth (N, 2): by how much the distance from the edge, along the cross-line, grows for a px in
    x and in y; px_per_mm (N,) scale across the edge. block_edge (B,) etc. give what each block belongs to;
    block_ends_px (B, 2) its distance along the edge from either end of its interval."""

    edge: IntArray
    interval: IntArray
    t: Array
    block: IntArray
    low_px: Array
    high_px: Array
    growth: Array
    px_per_mm: Array
    block_edge: IntArray
    block_interval: IntArray
    block_t: Array
    block_ends_px: Array


def find_targets(nominal: Nominal, view: str) -> Targets:
    """Collect the stretches worth scanning: folds and rim with a step across them, from the camera's side all that
    show.

    Against the light, where several edges lie on one line only the silhouette is of use (no paper on one side): it is
    scanned once, for the first of them, and the fit decides which of them is the outermost. Elsewhere a shared line
    shows no single edge and is left out. From the camera's side a line shared by two is a groove and scanned once.
    """
    s = nominal.views[view]
    silhouette = (s.layers_left == 0) | (s.layers_right == 0)
    own = np.where(alone_in_line(nominal, view), len(nominal.creases.ids) + np.arange(len(s.crease)), s.crease)
    if view == "backlit":
        use = np.flatnonzero((s.layers_left != s.layers_right) & ((s.shared == 1) | silhouette) & (s.t1 > s.t0))
    else:
        use = np.flatnonzero(((s.raised != 0) | (s.shared > 1)) & (s.t1 > s.t0))
    use = np.sort(use[np.unique(place_numbers(nominal, view)[use], return_index=True)[1]])
    return targets_of(nominal, view, use, own)


def targets_of(nominal: Nominal, view: str, use: IntArray, own: IntArray) -> Targets:
    """Targets on these stretches of the view; own (S,): stretches with the same number make one scanned line."""
    s = nominal.views[view]
    use = use[np.argsort(own[use], kind="stable")]
    _, first, edge = np.unique(own[use], return_index=True, return_inverse=True)
    crease = s.crease[use[first]]
    start = nominal.vertices_mm[nominal.creases.ends[crease, 0]]
    end = nominal.vertices_mm[nominal.creases.ends[crease, 1]]
    d = end - start
    length = np.hypot(d[:, 0], d[:, 1])
    normal = np.stack([-d[:, 1], d[:, 0]], 1) / length[:, None]
    return Targets(
        crease,
        start,
        end,
        normal,
        length,
        edge.astype(np.int64),
        use,
        s.t0[use],
        s.t1[use],
        np.zeros((len(use), 2)),
        np.full((len(use), 2), -1),
        s.layers_left[use],
        s.layers_right[use],
        np.minimum(s.layers_left, s.layers_right)[use] == 0,
        np.full(len(use), np.inf),
    )


def seen_stretches(nominal: Nominal, view: str) -> IntArray:
    """The stretches (K,) of the view across which the light steps; from the camera's side all."""
    s = nominal.views[view]
    return np.flatnonzero(((s.layers_left != s.layers_right) | (view != "backlit")) & (s.t1 > s.t0))


def split_at_crossings(targets: Targets, nominal: Nominal, view: str) -> Targets:
    """Cut the intervals where another visible edge crosses or touches them, and note at each end how sharply edges
    meet there, and how near those come that do not."""
    s = nominal.views[view]
    seen = seen_stretches(nominal, view)
    a, b = stretch_ends(nominal, view)
    size = _step_size(s.layers_left, s.layers_right)[seen]
    return cut(targets, a[seen], b[seen], nominal.pitch_mm, seen, size)


def cut(
    targets: Targets, a: Array, b: Array, pitch: float, number: IntArray | None = None, size: Array | None = None
) -> Targets:
    """Cut the intervals where the segments a-b (S, 2) mm cross or touch them; number: (S,) of their stretches, and size
    of the step there, None where they have none."""
    if number is None or size is None:
        number, size = np.full(len(a), -1), np.zeros(len(a))
    index, t, cotangent, other = crossings(targets, a, b, pitch)
    beside = _beside_mm(targets, a, b, (index, other), pitch)
    rows = []
    for i in range(len(targets.edge)):
        mine = slice(*np.searchsorted(index, [i, i + 1]))
        knots = np.concatenate([[targets.t0[i], targets.t1[i]], t[mine]])
        places, which = np.unique(np.round(np.clip(knots, targets.t0[i], targets.t1[i]), 7), return_inverse=True)
        worst = np.zeros(len(places))
        np.maximum.at(worst, which[2:], cotangent[mine])
        rival = np.full(len(places), -1)
        rising = np.argsort(size[other[mine]], kind="stable")  # of several at one place the largest step comes last
        rival[which[2:][rising]] = number[other[mine][rising]]
        ends = (worst[:-1], worst[1:], rival[:-1], rival[1:])
        rows += [(i, places[k], places[k + 1], *(e[k] for e in ends)) for k in range(len(places) - 1)]
    table = np.array(rows).reshape(-1, 7)
    pick = table[:, 0].astype(np.int64)
    return replace(
        targets,
        edge=targets.edge[pick],
        stretch=targets.stretch[pick],
        t0=table[:, 1],
        t1=table[:, 2],
        sharpness=table[:, 3:5],
        rival=table[:, 5:].astype(np.int64),
        layers_left=targets.layers_left[pick],
        layers_right=targets.layers_right[pick],
        silhouette=targets.silhouette[pick],
        beside_mm=beside[pick],
    )


def _step_size(left: IntArray, right: IntArray) -> Array:
    """Size of the steps between so many layers, up to a factor: light that paper scatters without loss falls as 1 / n
    (Kubelka-Munk); no paper as one more layer less. Good enough to tell the largest."""
    return np.asarray(np.abs(1.0 / (1.0 + left) - 1.0 / (1.0 + right)))


def planned_lines(
    targets: Targets, nominal: Nominal, vertices_mm: Array, other: IntArray | None = None
) -> tuple[Array, Array]:
    """Where an adjusted network (V, 2) puts every target edge: offset and slope (E,) mm.

    other: (E,) the second crease on the line of each edge, whose place counts as much as the first's; None = none.
    """
    moved = vertices_mm - nominal.vertices_mm
    ends = np.zeros((2, len(targets.crease)))
    both = [targets.crease] if other is None else [targets.crease, other]
    for crease in both:
        vertices = nominal.creases.ends[crease]
        far = np.hypot(*(nominal.vertices_mm[vertices[:, 0]] - targets.start_mm).T)
        vertices = np.where((far > 0.5 * targets.length_mm)[:, None], vertices[:, ::-1], vertices)
        ends += [np.sum(moved[vertices[:, k]] * targets.normal, 1) for k in (0, 1)]
    start, end = ends / len(both)
    return 0.5 * (start + end), end - start


def crossings(targets: Targets, a: Array, b: Array, pitch: float) -> tuple[IntArray, Array, Array, IntArray]:
    """Meetings of the intervals with segments a-b: interval (K,) sorted, t on its crease, cotangent of the angle
    between them, and the segment."""
    from scipy.spatial import cKDTree

    p0, p1 = targets.start_mm[targets.edge], targets.end_mm[targets.edge]
    u0, u1 = _interval_ends(targets)
    reach = 0.5 * float(np.hypot(*(u1 - u0).T).max(initial=0) + np.hypot(*(b - a).T).max(initial=0)) * 1.001
    pairs = cKDTree(0.5 * (u0 + u1)).sparse_distance_matrix(cKDTree(0.5 * (a + b)), reach, output_type="coo_matrix")
    i, j = pairs.row, pairs.col
    d, e = (p1 - p0)[i], (b - a)[j]
    cross = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    slanted = np.abs(cross) > 1e-6 * np.hypot(*d.T) * np.hypot(*e.T)
    i, j, d, e, cross = i[slanted], j[slanted], d[slanted], e[slanted], cross[slanted]
    g = a[j] - p0[i]
    t = (g[:, 0] * e[:, 1] - g[:, 1] * e[:, 0]) / cross
    w = (g[:, 0] * d[:, 1] - g[:, 1] * d[:, 0]) / cross
    slack = 1e-6 * pitch / np.hypot(*e.T)
    hit = (w > -slack) & (w < 1 + slack) & (t > targets.t0[i] - 1e-6) & (t < targets.t1[i] + 1e-6)
    cotangent = np.abs(np.sum(d * e, 1) / cross)
    order = np.argsort(i[hit], kind="stable")
    return i[hit][order].astype(np.int64), t[hit][order], cotangent[hit][order], j[hit][order]


def _beside_mm(targets: Targets, a: Array, b: Array, meet: tuple[IntArray, IntArray], pitch: float) -> Array:
    """Distance (I,) from every interval to the nearest of the segments a-b (S, 2) that does not meet it, inf where that
    is more than a pitch. meet: the pairs (interval, segment) that do."""
    mine, theirs = np.stack(_interval_ends(targets)) @ [1, 1j], np.stack([a, b]) @ [1, 1j]
    (middle, half), (other, other_half) = ((ends.mean(0), 0.5 * np.abs(ends[1] - ends[0])) for ends in (mine, theirs))
    near = np.abs(middle[:, None] - other) < half[:, None] + other_half + pitch
    near[meet] = False
    i, j = np.nonzero(near)
    pairs = [(p[i], theirs[:, j]) for p in mine] + [(p[j], mine[:, i]) for p in theirs]
    gap = np.minimum.reduce([_distance(p, *ends) for p, ends in pairs])
    gap[(gap < 1e-6 * pitch) | (gap > pitch)] = np.inf
    out = np.full(len(middle), np.inf)
    np.minimum.at(out, i, gap)
    return out


def _distance(p: NDArray[Any], a: NDArray[Any], b: NDArray[Any]) -> Array:
    """Distance (N,) from points p to segments a-b, all complex."""
    d, g = b - a, p - a
    w = np.clip((g * d.conj()).real / np.maximum(np.abs(d) ** 2, 1e-300), 0.0, 1.0)
    return np.asarray(np.abs(g - w * d))


def _interval_ends(targets: Targets) -> tuple[Array, Array]:
    p0, p1 = targets.start_mm[targets.edge], targets.end_mm[targets.edge]
    return p0 + (p1 - p0) * targets.t0[:, None], p0 + (p1 - p0) * targets.t1[:, None]


def cross_lines_at(
    targets: Targets,
    plane: PlaneMap,
    offset_mm: Array,
    slope_mm: Array,
    margin_mm: float,
    clear_mm: float,
    spacing_px: float,
    half_width_px: float,
    block_px: float,
    half_width_mm: float | None = None,
) -> CrossLines:
    """Place cross-lines along every interval, about the current line offset + slope (t - 0.5) of each edge (E,) mm.

    margin_mm is kept clear at both ends of each interval, more where another edge meets it at a small angle, so that
    within clear_mm beside the interval there is no other edge. Lines are spacing_px apart, 2 half_width_px long in the
    photo or, where given, 2 half_width_mm in the plan, and grouped into blocks of about block_px along the edge. The
    direction across is the plan's normal, mapped through the lens.
    """
    d = targets.end_mm - targets.start_mm
    length = targets.length_mm[targets.edge]
    m = (margin_mm + clear_mm * targets.sharpness) / length[:, None]
    lo, hi = targets.t0 + m[:, 0], targets.t1 - m[:, 1]
    keep = np.flatnonzero((hi - lo) * length > 0.3 * margin_mm)
    edge = targets.edge[keep]
    lo, hi, length = lo[keep], hi[keep], length[keep]
    middle = targets.start_mm[edge] + d[edge] * (0.5 * (lo + hi))[:, None]
    jac = plane.jacobian(middle) if len(keep) else np.zeros((0, 2, 2))
    along = np.hypot(*np.einsum("nij,nj->in", jac, d[edge] / length[:, None]))
    px = (hi - lo) * length * along
    blocks = np.maximum(1, np.round(px / block_px)).astype(np.int64)
    per_block = np.maximum(1, np.round(px / blocks / spacing_px)).astype(np.int64)
    count = blocks * per_block
    which = np.repeat(np.arange(len(keep)), count)
    running = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    t = lo[which] + (hi - lo)[which] * (running + 0.5) / count[which]
    first_block = np.cumsum(blocks) - blocks
    block = first_block[which] + running // per_block[which]
    e = edge[which]
    shift = offset_mm[e] + slope_mm[e] * (t - 0.5)
    centre = targets.start_mm[e] + d[e] * t[:, None] + targets.normal[e] * shift[:, None]
    jac = plane.jacobian(centre) if len(which) else np.zeros((0, 2, 2))
    across = np.einsum("nij,nj->ni", jac, targets.normal[e])
    scale = np.hypot(across[:, 0], across[:, 1])
    way = np.einsum("nij,nj->ni", jac, d[e])
    turned = np.stack([-way[:, 1], way[:, 0]], 1)
    growth = turned * (scale / np.einsum("ni,ni->n", turned, across))[:, None]
    half_mm = half_width_px / scale if half_width_mm is None else np.full_like(scale, half_width_mm)
    reach = targets.normal[e] * half_mm[:, None]
    n_blocks = int(blocks.sum())
    lines_per = np.bincount(block, minlength=n_blocks)
    firsts = np.cumsum(lines_per) - lines_per
    block_t = np.bincount(block, t, n_blocks) / np.maximum(lines_per, 1)
    of = keep[which][firsts] if n_blocks else keep[which]
    ends = (
        np.stack([block_t - targets.t0[of], targets.t1[of] - block_t], 1)
        * (length * along)[which[firsts] if n_blocks else which][:, None]
    )
    return CrossLines(
        e,
        keep[which],
        t,
        block,
        plane.to_px(centre - reach),
        plane.to_px(centre + reach),
        growth,
        scale,
        e[firsts] if n_blocks else e,
        of,
        block_t,
        ends,
    )


def block_mean(values: Array, block: IntArray, blocks: int) -> Array:
    """Mean of values (N, K) over consecutive equal block numbers (N,), nan where a member is nan; returns (blocks,
    K)."""
    counts = np.bincount(block, minlength=blocks)
    firsts = np.cumsum(counts) - counts
    return np.asarray(np.add.reduceat(values, firsts, axis=0) / counts[:, None])
