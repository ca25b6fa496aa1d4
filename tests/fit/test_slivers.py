"""Slivers in the network: made samples of known folds, without any picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lone_folds import samples
from panels import folded_panel

from foldtrue.detect.slivers import find_slivers
from foldtrue.fit.lines import edge_lines
from foldtrue.fit.network import solve_network
from foldtrue.fit.slivers import sliver_lines
from foldtrue.fit.weak import Weak
from foldtrue.frames import PlaneMap
from foldtrue.handover_slivers import Slivers
from foldtrue.stretches import left_normals

SEEN, FREE = 1e-6, 1e3


@pytest.fixture(scope="module")
def panel():
    return folded_panel(2, 16)


@pytest.fixture(scope="module")
def far_map():
    return PlaneMap(np.diag([8.0, 8.0, 1.0]), 0.0, np.zeros(2), 3000.0)


def made(nominal, moved, gain=1.0, shift_mm=0.0, noise_mm=0.0, per_line=20):
    """Slivers of folds moved (V, 2) mm from the plan, whose light is gain times what the levels let expect, and whose
    widths look shift_mm larger."""
    wanted = find_slivers(nominal)
    first, second = wanted.targets.crease, wanted.second
    count = len(first)
    line = np.repeat(np.arange(count), per_line)
    t0, t1 = (np.zeros(count) for _ in range(2))
    np.minimum.at(t0, wanted.targets.edge, 0.0)
    t0[wanted.targets.edge], t1[wanted.targets.edge] = wanted.targets.t0, wanted.targets.t1
    t = t0[line] + (t1 - t0)[line] * np.tile((np.arange(per_line) + 0.5) / per_line, count)
    p = nominal.vertices_mm[nominal.creases.ends[first]]
    point = p[line, 0] + (p[line, 1] - p[line, 0]) * t[:, None]
    normal = left_normals(nominal, first)[line]
    at = []
    for crease in (first, second):
        ends = nominal.creases.ends[crease][line]
        a, b = nominal.vertices_mm[ends[:, 0]], nominal.vertices_mm[ends[:, 1]]
        s = (np.sum((point - a) * (b - a), 1) / np.sum((b - a) ** 2, 1))[:, None]
        at.append(np.sum((moved[ends[:, 0]] * (1 - s) + moved[ends[:, 1]] * s) * normal, 1))
    width = wanted.sense[line] * (at[0] - at[1]) + shift_mm
    noise = np.random.default_rng(3).normal(0, noise_mm, (2, len(t)))
    faint = np.abs(width) < 0.05
    return Slivers(
        creases=np.stack([first, second], 1),
        sense=wanted.sense,
        layers=wanted.targets.layers_left[np.unique(wanted.targets.edge, return_index=True)[1]],
        open=np.full(count, 1.5),
        lapped=np.full(count, -0.5),
        resolved=np.zeros(count, bool),
        blur_mm=0.2,
        line=line,
        t=t,
        area_mm=gain * width * np.where(width > 0, 1.5, 0.5) + noise[0],
        area_std_mm=np.full(len(t), max(noise_mm, 1e-4)),
        middle_mm=0.5 * (at[0] + at[1]) + noise[1],
        middle_std_mm=np.where(faint, np.inf, max(noise_mm, 1e-4)),
        piece=line,
    )


def solved(features, nominal, slivers, far_map, shift_prior_mm=1e-6):
    lines = edge_lines(features, nominal, "backlit", np.zeros(len(features.t)))
    weak = Weak(place_mm=0.12 * nominal.pitch_mm, shift_mm=shift_prior_mm, kind_shift_mm=shift_prior_mm)
    between = None if slivers is None else sliver_lines(slivers, nominal, far_map, 0.0)
    return solve_network(lines, nominal, weak, slivers=between)


@pytest.fixture(scope="module")
def piece(panel):
    return np.random.default_rng(1).normal(0, 0.06, panel.vertices_mm.shape)


def tips_of(panel):
    return np.array(sorted({v for t in panel.twists for v in t.tips}))


@pytest.fixture(scope="module")
def edges(panel, piece):
    """Samples on every lone fold of the moved piece; the outline shows nothing of use here."""
    return samples(panel, piece)


def rms_mm(network, piece, tips):
    return np.sqrt(np.mean((network.displacement_mm - piece)[tips] ** 2))


def test_slivers_fix_what_lone_folds_leave_open(panel, piece, edges, far_map):
    tips = tips_of(panel)
    alone, with_them = (solved(edges, panel, s, far_map) for s in (None, made(panel, piece)))
    assert rms_mm(with_them, piece, tips) < 0.6 * rms_mm(alone, piece, tips)


@pytest.mark.parametrize("gain", [0.7, 1.4])
def test_how_bright_a_sliver_of_some_width_is_need_not_be_known(panel, piece, edges, far_map, gain):
    tips = tips_of(panel)
    found = solved(edges, panel, made(panel, piece, gain=gain), far_map)
    assert rms_mm(found, piece, tips) < 0.018


def test_folds_that_look_wider_apart_than_they_are_do_so_alike(panel, piece, edges, far_map):
    """Thick paper: a shift common to all slivers of a kind, here half of what is known of it beforehand."""
    tips = tips_of(panel)
    found = solved(edges, panel, made(panel, piece, shift_mm=0.05), far_map, shift_prior_mm=0.05)
    assert rms_mm(found, piece, tips) < 0.018


def test_one_sliver_that_contradicts_the_edges_loses_its_say(panel, piece, edges, far_map):
    tips = tips_of(panel)
    odd = made(panel, piece)
    odd.area_mm[odd.line == 4] += 0.5
    found = solved(edges, panel, odd, far_map)
    assert rms_mm(found, piece, tips) < 0.018


def test_a_sliver_wider_than_three_blurs_tells_no_width(panel, piece, far_map):
    wide = made(panel, piece)
    wide.area_mm[wide.line == 4] = 2.0
    lines = sliver_lines(wide, panel, far_map, 0.0)
    widths = lines.creases[lines.kind >= 0]
    assert len(widths) == len(wide.layers) - 1


def test_one_with_two_edges_does_so_however_wide(panel, piece, far_map):
    wide = made(panel, piece)
    wide.area_mm[wide.line == 4] = 2.0
    wide.resolved[4] = True
    lines = sliver_lines(wide, panel, far_map, 0.0)
    assert len(lines.creases[lines.kind >= 0]) == len(wide.layers)
    assert lines.by_light.sum() == lines.kinds - 1


def test_the_lens_is_taken_off_a_slivers_middle(panel, piece):
    bent = PlaneMap(np.diag([8.0, 8.0, 1.0]), 0.05, np.zeros(2), 1000.0)
    slivers = made(panel, piece)
    before, after = (sliver_lines(slivers, panel, bent, k1) for k1 in (0.0, 0.02))
    middle = before.kind < 0
    np.testing.assert_allclose(before.value_mm[~middle], after.value_mm[~middle])
    assert np.abs(before.value_mm - after.value_mm)[middle].max() > 1e-3


def test_nothing_seen_is_no_line(panel, piece, far_map):
    slivers = made(panel, piece)
    none = {name: getattr(slivers, name)[:0] for name in ("line", "t", "area_mm", "area_std_mm", "middle_mm")}
    empty = replace(slivers, **none, middle_std_mm=slivers.middle_std_mm[:0], piece=slivers.piece[:0])
    assert sliver_lines(empty, panel, far_map, 0.0) is None
