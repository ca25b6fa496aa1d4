"""Which of several edges that the plan lays on one line is the one seen against the light: the outermost.

Where the sheet's rim is folded back onto itself the silhouette follows whichever layer sticks out most. Before the
silhouette is used, the rest of the network says where each candidate lies and how surely; the candidate most likely to
be outermost at the observed place is taken, and what doubt remains widens that line's uncertainty.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from foldtrue.fit.lines import EdgeLines
from foldtrue.frames import Array
from foldtrue.handover import IntArray, Nominal


def on_crease(lines: EdgeLines, crease: IntArray, nominal: Nominal) -> tuple[Array, Array]:
    """Where the lines' reference points lie on the given creases (t), and the ratio that turns a slope per unit t of
    the crease into one per unit t of the line; both trivial unless a shared line is taken for another crease."""
    a, b = (nominal.vertices_mm[nominal.creases.ends[lines.crease, k]] for k in (0, 1))
    p, q = (nominal.vertices_mm[nominal.creases.ends[crease, k]] for k in (0, 1))
    place = a + (b - a) * lines.t_mid[:, None]
    d = q - p
    squared = np.sum(d * d, 1)
    return np.sum((place - p) * d, 1) / squared, np.sum((b - a) * d, 1) / squared


def outermost(
    lines: EdgeLines, nominal: Nominal, unknown_of: IntArray, x: Array, factor: Any, loose_mm: float
) -> tuple[IntArray, Array]:
    """Crease (E,) each line is taken for and its doubt (E,) mm, from a solution x that has not used the shared lines.

    loose_mm: how far edges of this piece scatter about their plan; it bounds how unsure a candidate can be. Likelihood
    of candidate j at the observed offset S: density of j at S times the chance that every other lies inside S.
    """
    from scipy.special import log_ndtr, ndtr

    crease, doubt = lines.crease.copy(), np.zeros(len(lines.crease))
    owner: list[int] = []
    member: list[int] = []
    for e in np.flatnonzero(lines.shared):
        for c in lines.members[e]:
            owner.append(int(e))
            member.append(int(c))
    own, mem = np.array(owner, np.int64), np.array(member, np.int64)
    t, _ = on_crease(lines.pick(own), mem, nominal)
    ends = unknown_of[nominal.creases.ends[mem]]
    outward = -lines.dark[own][:, None] * lines.normal[own]
    columns = np.zeros((len(x), len(own)))
    for end, w in ((0, 1 - t), (1, t)):
        for axis in (0, 1):
            columns[2 * ends[:, end] + axis, np.arange(len(own))] += w * outward[:, axis]
    place = columns.T @ x
    # A rim vertex that nothing has fixed is still no farther off than this piece's vertices usually are.
    usual = max(loose_mm, 1.4826 * float(np.median(np.abs(x[: 2 * int(unknown_of.max()) + 2]))))
    std = np.sqrt(np.minimum(np.sum(columns * factor.solve(columns), 0), (2 * usual) ** 2) + (0.1 * usual) ** 2)
    seen = -lines.dark * lines.offset_mm
    shift = _common_shift(lines, own, place, seen)
    for e in np.flatnonzero(lines.shared):
        rows = np.flatnonzero(own == e)
        z = (seen[e] - shift[lines.kind[e]] - place[rows]) / std[rows]
        inside = log_ndtr(z)
        log_like = -0.5 * z * z - np.log(std[rows]) + inside.sum() - inside
        share = np.exp(log_like - log_like.max())
        share /= share.sum()
        best = int(share.argmax())
        crease[e] = mem[rows[best]]
        doubt[e] = usual * np.sqrt(1 - share[best]) + 0.1 * usual * float(ndtr(-abs(z[best])))
    return crease, doubt


def _common_shift(lines: EdgeLines, own: IntArray, place: Array, seen: Array) -> Array:
    """By kind of step: median of seen place minus the outermost candidate's, which glare and cutting bring."""
    farthest = np.full(len(lines.crease), -np.inf)
    np.maximum.at(farthest, own, place)
    kinds = int(lines.kind.max()) + 1
    off = seen - farthest
    return np.array(
        [
            np.median(off[lines.shared & (lines.kind == k)]) if (lines.shared & (lines.kind == k)).any() else 0.0
            for k in range(kinds)
        ]
    )
