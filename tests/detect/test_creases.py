"""Creases of an unfolded sheet: every one found, nothing where there is none, places without bias."""

from __future__ import annotations

import numpy as np
import pytest
from sheets import photographed, scanned, small_grid

from foldtrue.detect.crease_bands import Bands
from foldtrue.detect.crease_looks import learn_look, plain_look, responses
from foldtrue.simulate.sheet_scene import GridErrors

MISSING = GridErrors(kind="missing", count=3)


@pytest.mark.parametrize("view", ["backlit", "front"])
def test_every_line_is_found(view):
    _, scan = scanned(view)
    assert scan.found.mean() >= 0.95


@pytest.mark.parametrize("view", ["backlit", "front"])
def test_no_line_is_found_where_none_was_creased(view):
    _, scan = scanned(view, MISSING)
    present = photographed(view, MISSING).truth.present
    assert not scan.found[~present].any()
    assert np.median(scan.decoys) < 3.0


def test_light_tells_the_kind_of_look():
    assert not scanned("backlit")[1].odd.any()
    assert scanned("front")[1].odd.sum() >= 2


def test_a_crease_keeps_its_sense_all_along():
    assert scanned("front")[1].turncoats == 0.0


@pytest.mark.parametrize("view", ["backlit", "front"])
def test_neighbouring_lines_of_one_sense_lie_as_far_apart_as_drawn(view):
    """Such differences do not depend on the frame, nor on where light puts mountains against valleys: their scatter is
    the noise of the places."""
    _, scan = scanned(view)
    grid, truth = small_grid(), photographed(view).truth
    sense = np.sign(scan.contrast)
    alike = (grid.family == np.roll(grid.family, 1)) & (sense == np.roll(sense, 1))
    both = scan.found & np.roll(scan.found, 1) & alike
    error = scan.offset_mm - truth.offset_mm
    step = (error - np.roll(error, 1))[both & (grid.high_mm - grid.low_mm > 40)]
    assert len(step) > 5
    assert np.sqrt(np.mean((step - np.median(step)) ** 2)) < 0.02


def bands_of(profiles, step_mm=0.1):
    """Ten blocks for each of the profiles (L, U), one line each."""
    profiles = np.asarray(profiles, float)
    u = (np.arange(profiles.shape[1]) - profiles.shape[1] // 2) * step_mm
    line = np.repeat(np.arange(len(profiles)), 10)
    return Bands(line, np.tile(np.arange(10.0), len(profiles)), profiles[line], np.ones((len(line), len(u))), u)


def place_of(profile, look):
    """Where the response to a look is flat, in steps from the middle; by one Newton step."""
    slope = np.gradient(responses(np.array([profile]), look)[0])
    middle = len(slope) // 2
    return abs(slope[middle] / np.gradient(slope)[middle])


def test_a_core_shared_by_mountains_and_valleys_moves_them_less_once_it_is_learned():
    """Lines of both senses, drawn as a bell's slope and a bright core on one and the same place."""
    x = np.arange(-20, 21) / 2.0
    bell = np.exp(-0.5 * x * x)
    drawn = [sense * size * x * bell + 0.2 * size * bell for sense in (1, -1) for size in (0.5, 1.0, 1.5)]
    bands = bands_of(drawn)
    plain = plain_look(2.0, True)
    look = learn_look(bands, np.ones(len(bands.line)), plain, 16)
    for profile, own, without in ((drawn[1], look.plus, plain.plus), (drawn[4], look.minus, plain.minus)):
        assert place_of(profile, without) > 0.1
        assert place_of(profile, own) < place_of(profile, without) / 3
    assert look.core_shift > 0.1
