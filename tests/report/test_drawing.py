"""The plan's drawing: true size, published line notation, valid XML."""

from __future__ import annotations

import dataclasses
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from foldtrue.report.drawing import draw_plan

NS = {"s": "http://www.w3.org/2000/svg"}


@pytest.fixture(scope="module")
def drawing(nominal):
    return ET.fromstring(draw_plan(nominal))


def corners(polygon):
    return np.array([[float(v) for v in pair.split(",")] for pair in polygon.get("points").split()])


def test_one_unit_is_one_millimetre(drawing):
    width, height = drawing.get("width"), drawing.get("height")
    assert width.endswith("mm")
    assert drawing.get("viewBox") == f"0 0 {width[:-2]} {height[:-2]}"


def test_sheet_and_folded_piece_have_their_true_size(drawing):
    # design values: a 240 mm hexagon standing on a corner, 277.13 mm tall, folds to half of it at spacing 2
    sheet, folded = (corners(p) for p in drawing.findall("s:polygon[@class='rim']", NS))
    np.testing.assert_allclose(np.ptp(sheet, axis=0), [240, 240 * 2 / np.sqrt(3)], atol=0.01)
    np.testing.assert_allclose(np.ptp(folded, axis=0), np.ptp(sheet, axis=0) / 2, atol=0.01)


def test_every_fold_is_drawn_once_in_its_own_line_kind(drawing, nominal):
    for kind in "MV":
        lines = drawing.findall(f"s:path[@class='{kind}']", NS)
        assert sorted(line.get("id") for line in lines) == sorted(
            name for name, k in zip(nominal.creases.ids, nominal.creases.kind, strict=True) if k == kind
        )


def test_valleys_are_dashes_and_mountains_dash_dot_all_black(drawing):
    style = drawing.find("s:style", NS).text
    assert ".V{stroke-dasharray:3 1.4}" in style  # one dash length: dashes
    assert ".M{stroke-dasharray:4 1.1 0.5 1.1}" in style  # a long and a short: dash-dot
    assert "stroke:#000" in style


def test_every_twist_is_named_on_the_sheet_and_on_the_folded_piece(drawing, nominal):
    words = [text.text for text in drawing.findall("s:text", NS)]
    assert all(words.count(twist.id) == 2 for twist in nominal.twists)


def test_a_hostile_name_stays_text(nominal):
    named = dataclasses.replace(nominal, name='<script>"&\x00')
    assert ET.fromstring(draw_plan(named)).find("s:title", NS).text == '<script>"&'
