"""The scale by whatever of known size lies in the picture, through the whole measurement of simulated photos."""

from __future__ import annotations

from functools import cache

import pytest
from panels import folded_panel, panel_plan

from foldtrue.errors import PhotoTooPoor
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.simulate import simulate_photo
from foldtrue.simulate.budget_scene import drawn_scene

SEEDS = {"scan": 2, "card": 2, "none": 2, "A4": 8}
"""Drawn scenes whose twists and reference can be measured; many cannot, by their light or size."""


@cache
def shot(kind):
    return simulate_photo(folded_panel(3, 24), drawn_scene(SEEDS[kind], "front", kind, diameter_mm=185.0))


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photos")

    @cache
    def measure(kind, asked="auto", dpi=None):
        path = folder / f"{kind}.img"
        path.write_bytes(shot(kind).jpeg)
        return inspect_photo(path, panel_plan(3, 24), InspectOptions(view="front", reference=asked, dpi=dpi))

    return measure


@pytest.mark.parametrize("kind", ["scan", "card", "A4"])
def test_what_lies_in_the_picture_is_found_and_named_and_tells_the_size(measured, kind):
    found = measured(kind)
    true = shot(kind).truth.settings["errors"]["scale"]
    assert found.plane.reference == kind
    assert "scale_assumed" not in found.plane.assumed
    assert any(name in found.plane.assumed for name in ("scan_assumed", "card_assumed", "sheet_assumed"))
    assert abs(found.fit.scale - true) < 3 * found.fit.scale_std


def test_what_the_person_names_is_not_called_assumed(measured):
    assert not {"card_assumed", "sheet_assumed"} & set(measured("card", "card").plane.assumed)


def test_asked_for_none_nothing_is_looked_for(measured):
    found = measured("card", "none")
    assert (found.plane.reference, found.fit.scale) == ("none", None)


@pytest.mark.parametrize("asked", ["scan", "card"])
def test_what_is_named_and_not_there_is_refused(measured, asked):
    with pytest.raises(PhotoTooPoor):
        measured("none", asked)


def test_a_cards_face_is_handed_on_to_be_hidden(measured):
    assert len(measured("card").plane.private_px) >= 1
    assert len(measured("none").plane.private_px) == 0
