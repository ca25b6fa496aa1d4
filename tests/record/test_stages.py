"""Results of an unfolded sheet go into the record as they are written: sheet and grid of one photo."""

from __future__ import annotations

import pytest
from sheets import photographed, small_plan

from foldtrue.cli import run
from foldtrue.handover_record import ALL, RecordFilter
from foldtrue.plan.file import plan_sha256, write_plan
from foldtrue.record.care import find_damage
from foldtrue.record.store import Record
from foldtrue.record.thumbnails import check_bare_jpeg


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A record with both, made by the commands."""
    folder = tmp_path_factory.mktemp("stages")
    photo, plan, place = folder / "sheet.jpg", folder / "plan.json", folder / "record.db"
    photo.write_bytes(photographed("backlit").jpeg)
    write_plan(small_plan(), plan)
    for stage in ("sheet", "grid"):
        assert run([stage, str(photo), "--plan", str(plan), "--out", str(folder / stage)]) == 0
        add = ["record", "add", str(folder / stage), "--piece", "first", "--photo", str(photo), "--plan", str(plan)]
        assert run([*add, "--record", str(place)]) == 0
    with Record(place) as record:
        yield record


def test_both_stages_of_one_photo_are_recorded(kept):
    assert [(row.stage, row.plan_sha256) for row in kept.find()] == [
        ("sheet", plan_sha256(small_plan())),
        ("grid", plan_sha256(small_plan())),
    ]
    assert find_damage(kept.engine, kept.path) == []


def test_a_grid_has_figures_of_all_lines_and_of_each_direction(kept):
    (grid,) = kept.find(RecordFilter(stage="grid"))
    assert grid.pitch_mm == pytest.approx(small_plan().pitch_mm)
    assert len(grid.groups) == 4
    assert grid.groups[ALL].members == grid.measured > 30
    assert 0 <= grid.groups[ALL].position_mm < 0.1  # a true grid, simulated


def test_a_sheet_has_a_thumbnail_and_no_mean_error(kept):
    (sheet,) = kept.find(RecordFilter(stage="sheet"))
    assert sheet.groups == {}
    check_bare_jpeg(kept.entry(sheet.number).photos[0].thumbnail)
