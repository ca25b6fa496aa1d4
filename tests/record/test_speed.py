"""A thousand recorded pieces are listed, filtered and compared at once. Figures: tests/speed/bench_record.py."""

from __future__ import annotations

import time

import pytest
from recorded import thousand_pieces

from foldtrue.handover_record import RecordFilter
from foldtrue.progress.judge import see_progress
from foldtrue.progress.page import progress_page
from foldtrue.record.store import Record
from foldtrue.record.tables import list_text

LIMIT_S = 0.5
MARGIN = 4
"""For machines that do other work meanwhile; processor time is counted, not the clock."""


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    place = tmp_path_factory.mktemp("many") / "record.db"
    thousand_pieces(place, more_edges=50)
    with Record(place) as record:
        yield record


def progress(record):
    found = see_progress(record.find(RecordFilter(stage="piece")), "piece")
    assert found.pieces == 1000
    return progress_page(found)


@pytest.mark.parametrize(
    "work",
    [
        lambda record: list_text(record.find()),
        lambda record: record.find(RecordFilter(folder="heron", tag="gift")),
        progress,
    ],
    ids=["list", "filter", "progress"],
)
def test_a_thousand_pieces_take_less_than_half_a_second(many, work):
    times = []
    for _ in range(3):
        start = time.process_time()
        work(many)
        times.append(time.process_time() - start)
    assert min(times) < LIMIT_S * MARGIN
