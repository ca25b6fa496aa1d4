"""Charts: every twist is in them, sizes go with the figures, and what was not measured is not drawn as a figure."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from foldtrue.report.charts import Ground, error_arrows, error_map, ring_charts, share_bar
from foldtrue.report.twist_rows import TwistRow
from foldtrue.report.units import Units

ROW = TwistRow(0, "t0", 1, False, "ccw", (0.0, 0.0), (0.3, 0.4), 0.1, 0.2, 0.1, (), None)
ROWS = (
    ROW,
    replace(ROW, number=1, id="t1", hand="cw", at_mm=(20.0, 0.0), error_mm=(0.0, 0.125)),
    replace(ROW, number=2, id="t2", ring=2, at_mm=(10.0, 17.3), error_mm=(0.03, 0.0)),
    replace(ROW, number=3, id="t3", ring=2, at_mm=(-10.0, 17.3), error_mm=None, u95_mm=None),
)
GROUND = Ground(ROWS, (), 20.0, Units("mm"))


def drawn(chart, kind):
    return [node for node in ET.fromstring(chart).iter() if node.get("class", "").split(" ")[0] == kind]


def test_the_area_of_a_disc_goes_with_the_error():
    large, small = (float(node.get("r")) for node in drawn(error_map(GROUND), "disc")[:2])
    assert large**2 / small**2 == pytest.approx(0.5 / 0.125, rel=0.01)


def test_the_map_says_every_error_as_a_number():
    assert [node.text for node in drawn(error_map(GROUND), "figure")] == ["0.50", "0.12", "0.03"]


def test_the_map_in_inches():
    assert drawn(error_map(replace(GROUND, units=Units("inch"))), "figure")[0].text == "0.020"


def test_an_error_within_its_uncertainty_has_another_shape():
    clear, _, unclear = drawn(error_map(GROUND), "disc")
    assert clear.get("stroke-dasharray") is None
    assert unclear.get("stroke-dasharray")


def test_a_twist_that_was_not_measured_is_named_and_crossed_out():
    chart = error_map(GROUND)
    assert len(drawn(chart, "disc")) == 3
    assert len(drawn(chart, "cross")) == 2
    assert "t3" in [node.text for node in drawn(chart, "name")]


def test_arrows_point_as_the_error_does_with_y_up():
    chart, times = error_arrows(GROUND)
    at, tip = drawn(chart, "start")[0], drawn(chart, "u95")[0]
    step = [float(tip.get("cx")) - float(at.get("cx")), float(tip.get("cy")) - float(at.get("cy"))]
    assert step == pytest.approx([0.3 * times, -0.4 * times], abs=0.02)
    assert float(tip.get("r")) == pytest.approx(0.1 * times, abs=0.01)


def test_rings_share_their_scales_and_hold_every_twist_once():
    charts = ring_charts(GROUND)
    assert [(chart.ring, chart.count) for chart in charts] == [(1, 2), (2, 1)]
    assert len(drawn(charts[0].chart, "ccw")) == len(drawn(charts[0].chart, "cw")) == 1
    ticks = [[node.text for node in drawn(chart.chart, "tick")] for chart in charts]
    assert ticks[0] == ticks[1] == ["0", "0.25", "0.5 mm"]


def test_nothing_measured_gives_charts_without_figures():
    ground = replace(GROUND, rows=ROWS[3:])
    assert ring_charts(ground) == []
    assert not drawn(error_map(ground), "disc")
    assert not drawn(error_arrows(ground)[0], "arrow")


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
def test_a_bar_is_as_long_as_its_share(share):
    whole, part = drawn(share_bar(share), "whole") + drawn(share_bar(share), "part")
    assert float(part.get("width")) == pytest.approx(share * float(whole.get("width")))


def test_a_name_cannot_bring_markup():
    chart = error_map(replace(GROUND, rows=(replace(ROW, id="<script>alert(1)</script>"),)))
    assert "<script" not in chart
    assert drawn(chart, "name")[0].text == "<script>alert(1)</script>"
