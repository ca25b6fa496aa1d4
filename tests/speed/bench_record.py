"""How long a record of a thousand pieces takes to list, filter and compare, and to add one more.

    .venv/bin/python tests/speed/bench_record.py [--times N]

The record is made anew in the temporary folder. Times are the best of N after a warm-up, in one process, libraries
loaded; processor time is lengthened less by other work on the machine. Beside them the whole command in a process of
its own, where starting Python counts.
"""

from __future__ import annotations

import argparse
import os
import platform
import sqlite3
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import sqlalchemy

from foldtrue.handover_record import RecordFilter
from foldtrue.progress.judge import see_progress
from foldtrue.progress.page import progress_page
from foldtrue.record.care import find_damage
from foldtrue.record.store import Record
from foldtrue.record.tables import list_text

sys.path.insert(0, str(Path(__file__).parents[1]))
from recorded import made_entry, thousand_pieces


def best(work, times: int) -> tuple[float, float]:
    """Seconds by the clock and of the processor, the fastest of `times` runs after a warm-up."""
    work()
    out = []
    for _ in range(times):
        start, busy = time.perf_counter(), time.process_time()
        work()
        out.append((time.perf_counter() - start, time.process_time() - busy))
    return min(out)[0], min(each[1] for each in out)


def compare(place: Path) -> str:
    with Record(place) as record:
        found = see_progress(record.find(), "piece")
    assert found.pieces == 1000, "not worth timing: pieces are missing"
    return progress_page(found)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=5)
    times = parser.parse_args().times
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "record.db"
        thousand_pieces(place)
        size_mb = place.stat().st_size / 1e6
        with Record(place) as record:
            seeds = iter(range(5000, 6000))
            rows = {
                "list": lambda: list_text(record.find()),
                "filter (folder and tag)": lambda: record.find(RecordFilter(folder="heron", tag="gift")),
                "progress, page drawn": partial(compare, place),
                "add one": lambda: record.add(made_entry(next(seeds))),
                "check": lambda: find_damage(record.engine, place),
            }
            alone = Path(folder) / "alone.db"
            thousand_pieces(alone, plans=1)
            rows["progress, all of one plan by one person"] = partial(compare, alone)
            print(f"| a record of 1,000 pieces, {size_mb:.0f} MB | s | processor s |\n|---|---|---|")
            for name, work in rows.items():
                seconds, busy = best(work, times)
                print(f"| {name} | {seconds:.3f} | {busy:.3f} |", flush=True)
        for words in (["record", "list"], ["progress"]):
            command = [sys.executable, "-m", "foldtrue", *words, "--record", str(place)]
            seconds, _ = best(lambda c=command: subprocess.run(c, check=True, stdout=subprocess.DEVNULL), times)
            print(f"| `foldtrue {' '.join(words)}`, whole command | {seconds:.3f} | |", flush=True)
    print(
        f"\n{platform.machine()}, {os.cpu_count()} cores, {platform.system()}; Python {platform.python_version()}, "
        f"SQLite {sqlite3.sqlite_version}, SQLAlchemy {sqlalchemy.__version__}."
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
