"""Where the paper on top ends: read at the near side of its shadow, whatever the shadow does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from foldtrue.detect.brink import brink_shifts, find_brinks
from foldtrue.detect.looks import learn_looks, relative_light

PLACES = np.arange(41.0) - 20
BLUR = 1.5


def shadow(at, width=6.0, depth=0.4, below=0.95, blur=BLUR):
    """Light across edges (B, 41): paper on top up to the edge, then a shadow so wide, then the paper below."""
    at, width, depth, below = (np.broadcast_to(v, np.shape(at))[:, None] for v in (at, width, depth, below))
    near, far = ndtr((PLACES - at) / blur), ndtr((PLACES - at - width) / blur)
    return 1 - depth * near + (below - 1 + depth) * far


def read(profile, kind=None):
    light = relative_light(profile)
    kind = np.zeros(len(light), np.int64) if kind is None else kind
    return brink_shifts(light, kind, find_brinks(learn_looks(light, kind, int(kind.max()) + 1, 1.0)))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_edges_are_found_as_far_apart_as_they_lie(seed):
    """By construction: a blurred step is half way down at its place."""
    at = np.random.default_rng(seed).uniform(-2, 2, 30)
    shift, clear = read(shadow(at))
    assert clear.all()
    np.testing.assert_allclose(shift - shift.mean(), at - at.mean(), atol=0.05)


def test_a_shadow_that_widens_along_an_edge_does_not_turn_it():
    """From 6 to 10 samples wide, from end to end: the shadow's middle turns by two samples, the paper does not."""
    shift, clear = read(shadow(np.zeros(40), width=np.linspace(6, 10, 40)))
    assert clear.all()
    assert np.ptp(shift) < 0.25


def test_a_deeper_shadow_does_not_move_the_paper():
    shift, _ = read(shadow(np.zeros(40), depth=np.linspace(0.2, 0.5, 40)))
    assert np.ptp(shift) < 0.05


def test_a_profile_without_a_fall_is_not_read():
    rng = np.random.default_rng(3)
    light = np.concatenate([shadow(np.zeros(30)), 1 + rng.normal(0, 0.005, (5, 41))])
    shift, clear = read(light)
    assert clear[:30].all()
    assert not clear[30:].any()
    assert (shift[30:] == 0).all()


def test_a_look_that_only_rises_has_no_brink():
    _, clear = read(1 + 0.3 * ndtr(PLACES / BLUR)[None] + np.zeros((20, 1)))
    assert not clear.any()


def test_each_kind_is_read_by_its_own_look():
    kind = np.repeat([0, 1], 20)
    at = np.tile(np.linspace(-1, 1, 20), 2)
    light = np.concatenate([shadow(at[:20], width=4.0), shadow(at[20:] + 3, width=9.0, depth=0.25)])
    shift, clear = read(light, kind)
    assert clear.all()
    for k in (0, 1):
        own = shift[kind == k]
        assert own - own.mean() == pytest.approx(at[:20], abs=0.03)
