"""Pieces with a planted habit, as a measurement would state them: errors of every twist with their covariance."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from foldtrue.alignment import freedoms
from foldtrue.judge.patterns import along_deg, layout_of

SCATTER_MM, SCATTER_DEG = 0.1, 0.4
NOISE_MM, NOISE_DEG = 0.03, 0.08


def planted(nominal, habits, times, seed):
    """(fit, what was planted). habits: codes of handover_judge; times: size of each pattern over the random scatter,
    root mean squares over the twists of what the fit of the whole piece leaves of it. A single twist is thrown by three
    such sizes."""
    rng = np.random.default_rng(seed)
    count = len(nominal.twists)
    layout = layout_of(nominal, np.ones(count, bool))
    place, turn = rng.normal(0, SCATTER_MM, 2 * count), rng.normal(0, SCATTER_DEG, count)
    basis = np.linalg.qr(freedoms(layout.planned_mm, "homography")[0])[0]
    told = {}
    for habit in habits:
        add_place, add_turn, told[habit] = _DRAW[habit](layout, rng, times)
        if habit in ("drift", "rows", "hand_shift"):
            add_place = add_place - basis @ (basis.T @ add_place)
            add_place *= times * SCATTER_MM * np.sqrt(2 * count) / np.linalg.norm(add_place)
        place, turn = place + add_place, turn + add_turn
    place = place + rng.normal(0, NOISE_MM, 2 * count)
    place -= basis @ (basis.T @ place)
    variances = np.tile([NOISE_MM**2, NOISE_MM**2, NOISE_DEG**2], count)
    fit = SimpleNamespace(
        alignment="homography",
        twist_cov=np.diag(variances),
        measured=np.ones(count, bool),
        position_error_mm=place.reshape(-1, 2),
        angle_error_deg=turn + rng.normal(0, NOISE_DEG, count),
        overturn_deg=0.0,
        overturn_std_deg=0.2,
        scale=None,
        scale_std=None,
    )
    return fit, told


def _drift(layout, rng, times):
    """Every division a little wider than the one before."""
    normal = rng.choice(layout.normals_deg)
    s = layout.planned_mm @ along_deg(normal)
    return np.kron(((s - s.min()) / np.ptp(s)) ** 2, along_deg(normal)), 0.0, normal


def _rows(layout, rng, times):
    normal = rng.choice(layout.normals_deg)
    s = layout.planned_mm @ along_deg(normal)
    row = np.rint((s - s.min()) / layout.row_mm).astype(int)
    return np.kron(rng.normal(0, 1, row.max() + 1)[row], along_deg(normal)), 0.0, normal


def _hand_shift(layout, rng, times):
    towards = rng.uniform(0, 360)
    return np.kron(layout.hand, along_deg(towards)), 0.0, towards


def _turn_alike(layout, rng, times):
    return 0.0, times * SCATTER_DEG * np.ones(len(layout.ids)), None


def _spread(layout, rng, times, share):
    place = rng.normal(0, times * SCATTER_MM, 2 * len(share)) * np.repeat(share, 2)
    return place, rng.normal(0, times * SCATTER_DEG, len(share)) * share, None


def _border(layout, rng, times):
    return _spread(layout, rng, times, layout.border)


def _ring(layout, rng, times):
    within = layout.ring - layout.ring.min()
    return _spread(layout, rng, times, within / np.sqrt(np.mean(within**2)))


def _single(layout, rng, times):
    i = int(rng.integers(len(layout.ids)))
    place, turn = np.zeros(2 * len(layout.ids)), np.zeros(len(layout.ids))
    place[2 * i : 2 * i + 2] = 3 * times * SCATTER_MM * along_deg(rng.uniform(0, 360))
    turn[i] = 3 * times * SCATTER_DEG * rng.choice([-1, 1])
    return place, turn, layout.ids[i]


_DRAW = {
    "drift": _drift,
    "rows": _rows,
    "hand_shift": _hand_shift,
    "turn_alike": _turn_alike,
    "border": _border,
    "ring": _ring,
    "single": _single,
}
