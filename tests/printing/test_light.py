"""The piece against the light: greys by the transmission law, and numbers so that grey is not alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from foldtrue.plan.layer_regions import layer_regions
from foldtrue.printing.drawing import Area, Words
from foldtrue.printing.light import draw_light, layer_greys
from foldtrue.printing.words import width_mm


def test_grey_is_the_light_of_the_kubelka_munk_stack_in_srgb_code():
    # two sheets of R 0.61, T 0.38: T2 / T1 = T / (1 - R R) = 0.38 / 0.6279 = 0.6052 (stack of equal sheets, by hand);
    # sRGB code 1.055 * 0.6052 ** (1 / 2.4) - 0.055 (IEC 61966-2-1)
    greys = layer_greys([1, 2])
    assert greys[1] == pytest.approx(1.0)
    assert greys[2] == pytest.approx(1.055 * 0.6052 ** (1 / 2.4) - 0.055, abs=1e-4)


def test_more_layers_are_darker():
    greys = layer_greys(range(1, 60))
    assert all(greys[n + 1] < greys[n] for n in range(1, 59))
    assert greys[59] > 0


def test_the_thinnest_part_of_the_piece_stays_white_paper():
    assert layer_greys([3, 5])[3] == pytest.approx(1.0)


def test_every_area_has_its_number_or_is_said_to_have_none(any_plan):
    _, nominal = any_plan
    regions = layer_regions(nominal)
    drawing = draw_light(nominal, regions)
    numbers = [m.text for m in drawing.marks if isinstance(m, Words) and m.text.isdecimal()]
    missing = len(regions) - len(numbers)
    assert (f" {missing} areas have no room" in drawing.about) == (missing > 0)
    assert set(numbers) <= {str(region.layers) for region in regions}


def test_a_grey_in_the_key_is_the_grey_in_the_drawing(named_plan):
    _, nominal = named_plan("mixed")
    drawing = draw_light(nominal, layer_regions(nominal))
    in_key = {entry.meaning: mark.grey for entry in drawing.key for mark in entry.sample if isinstance(mark, Area)}
    in_drawing = {
        f"{m.kind[6:]} layers": m.grey for m in drawing.marks if isinstance(m, Area) and m.kind[:6] == "layers"
    }
    in_drawing["1 layer"] = in_drawing.pop("1 layers")
    assert in_key == in_drawing


def test_the_page_warns_of_hot_lamps(named_plan, pages):
    (page,) = pages(named_plan("honeycomb"), "light")
    assert "Paper burns" in " ".join(m.text for m in page.marks if isinstance(m, Words))


def test_no_number_is_cut_by_an_area_that_hides_layers(named_plan):
    # half of "11" would be read as another number
    _, nominal = named_plan("with areas")
    marks = draw_light(nominal, layer_regions(nominal)).marks
    numbers = [m for m in marks if isinstance(m, Words) and m.text.isdecimal()]
    assert numbers
    for number in numbers:
        x, y = number.at
        half, height = width_mm(number.text, number.size_mm) / 2, 0.72 * number.size_mm
        corners = [(x - half, y), (x + half, y), (x + half, y + height), (x - half, y + height)]
        for area in nominal.unmodelled_mm:
            outline = area.astype(np.float32)
            assert all(cv2.pointPolygonTest(outline, corner, False) < 0 for corner in corners)
