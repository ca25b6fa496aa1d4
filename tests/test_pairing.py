"""Two pieces side by side: which figures differ, and what is said where they cannot be compared."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from click.testing import CliRunner
from recorded import made_entry, piece

from foldtrue.cli import foldtrue
from foldtrue.errors import UsageError
from foldtrue.handover_record import ALL, GroupFigures
from foldtrue.pairing import difference_words, pair_pieces
from foldtrue.record.store import Record
from foldtrue.report.result import result_record


@pytest.fixture
def result(inspection):
    """result(closure_mm, u95_mm, ...) -> the record of the window panel with such a closure at every node."""

    def make(closure_mm=0.1, u95_mm=0.05, **more):
        record = json.loads(json.dumps(result_record(inspection)))
        for node in record["nodes"]:
            node.update(closure_rms_mm=closure_mm, closure_u95_mm=u95_mm)
        return {**record, **more}

    return make


@pytest.fixture
def paired(result):
    """paired(one, other, results) -> the pair and its rows by title; results of alike panels where none are given."""

    def make(one, other, results=None):
        found = pair_pieces((one, other), results or (result(), result()))
        return found, {row.title: row for row in found.rows}

    return make


def with_place(order, mean_mm, u95_mm, **more):
    return piece(order, groups={ALL: GroupFigures(24, mean_mm, u95_mm, 0.4, 0.03)}, **more)


@pytest.mark.parametrize(("other_mm", "smaller"), [(0.2, None), (0.24, None), (0.27, 0), (0.13, 1)])
def test_a_difference_counts_beyond_both_uncertainties_together(paired, other_mm, smaller):
    """0.03 and 0.04 together are 0.05: the root of the sum of squares (JCGM 100:2008, 5.1.2 [from memory])."""
    _, rows = paired(with_place(1, 0.2, 0.03), with_place(2, other_mm, 0.04))
    assert rows["Mean error of place"].smaller == smaller


def test_mean_errors_are_those_of_progress(paired):
    """What the best fit took away is given back: of 48 figures it took 8 (docs/progress.md)."""
    _, rows = paired(with_place(1, 0.2, 0.03), with_place(2, 0.2, 0.03))
    assert rows["Mean error of place"].values[0].value == pytest.approx(0.2 * math.sqrt(48 / 40))
    assert rows["Mean error of place"].unit == "mm"


def test_lengths_of_different_grids_are_shares_of_the_pitch(paired):
    """Twice the error on a grid twice as wide is the same share."""
    found, rows = paired(with_place(1, 0.2, 0.03), with_place(2, 0.4, 0.06, pitch_mm=40.0))
    one, other = rows["Mean error of place"].values
    assert rows["Mean error of place"].unit == "% of the pitch"
    assert one.value == pytest.approx(other.value)
    assert any("different pitches" in note for note in found.notes)


def test_closure_is_the_root_mean_square_of_all_nodes(paired, result):
    _, rows = paired(piece(1), piece(2), (result(0.1), result(0.3)))
    values = rows["Closure, RMS"].values
    assert [value.value for value in values] == pytest.approx([0.1, 0.3])
    assert [value.u95 for value in values] == pytest.approx([0.05, 0.05])
    assert rows["Closure, RMS"].smaller == 0


def test_the_uncertainty_of_a_root_mean_square_holds_however_its_figures_hang_together():
    """By drawing errors that all move together, which is the worst case, and ones that do not."""
    rng = np.random.default_rng(1)
    true, std = np.array([0.3, 0.1, 0.2, 0.4]), np.array([0.02, 0.05, 0.03, 0.04])
    u95 = math.sqrt(np.mean((1.96 * std) ** 2))
    for drawn in (rng.normal(size=(4000, 1)), rng.normal(size=(4000, 4))):
        off = np.sqrt(np.mean((true + drawn * std) ** 2, axis=1)) - np.sqrt(np.mean(true**2))
        assert np.mean(np.abs(off) <= u95) >= 0.945


def test_a_figure_that_was_not_measured_is_not_compared(paired, result):
    _, rows = paired(piece(1), piece(2), (result(), result(None, None)))
    row = rows["Closure, RMS"]
    assert row.values[1].why == "not measured"
    assert difference_words(row, ("a", "b")) == "cannot be compared"


def test_different_plans_views_and_stages_are_noted(paired):
    found, _ = paired(piece(1), piece(2, plan="porch panel (invented)", stage="ring", view="front"))
    said = " ".join(found.notes)
    assert all(words in said for words in ("different plans", "half done", "different views"))


def test_alike_pieces_need_no_note(paired):
    assert paired(piece(1), piece(2))[0].notes == ()


@pytest.mark.parametrize("stages", [("sheet", "sheet"), ("sheet", "piece"), ("grid", "piece")])
def test_stages_without_a_figure_in_common_are_refused(result, stages):
    with pytest.raises(UsageError, match="no figure in common"):
        pair_pieces((piece(1, stage=stages[0]), piece(2, stage=stages[1])), (result(), result()))


def test_verdicts_and_habits_are_told_as_they_were(paired, result):
    judgement = {"verdict": "too_close", "tolerances": {"sha256": "0"}}
    told = result(judgement=judgement, diagnosis={"reason": None, "findings": [{"code": "overturn"}]})
    found, _ = paired(piece(1), piece(2), (told, result(diagnosis=None)))
    assert found.verdicts == ("too close to call", "not judged")
    assert found.habits == (("overturn",), ("not looked for",))


def test_the_command_line_says_the_same(tmp_path, result):
    with Record(tmp_path / "record.db", create=True) as kept:
        for k, closure_mm in ((1, 0.1), (2, 0.4)):
            made = result(closure_mm)
            made["provenance"]["photo"]["sha256"] = f"{k}" * 64
            kept.add(made_entry(k, result=made))
    words = ["record", "compare", "1", "2", "--record", str(tmp_path / "record.db")]
    said = CliRunner().invoke(foldtrue, words).output
    assert "Closure, RMS: 0.10 ± 0.05 mm; 0.40 ± 0.05 mm: smaller in panel 1" in said
