"""Kills a process that records, at random moments, and looks at what is left."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from foldtrue.record.care import find_damage
from foldtrue.record.store import Record

TESTS = Path(__file__).parent
_WRITER = """
import sys
sys.path.insert(0, sys.argv[3])
from pathlib import Path
from recorded import made_entry
from foldtrue.record.store import Record
with Record(Path(sys.argv[1]), create=True) as record:
    for seed in range(int(sys.argv[2]), 10**9):
        number = record.add(made_entry(seed))
        print(seed, flush=True)  # confirmed
"""


def record_under_fire(place: Path, recordings: int, seed: int) -> int:
    """Record until `recordings` are confirmed, the writer killed again and again; gives the number of kills.

    After every kill all that was confirmed must be there, at most one more (recorded, and killed before it could say
    so), and the record must be whole.
    """
    rng = np.random.default_rng(seed)
    confirmed: set[int] = set()
    kills = 0
    while len(confirmed) < recordings:
        next_seed = max(confirmed, default=-1) + 2  # one may have landed unsaid
        confirmed |= _write_and_kill(place, next_seed, int(rng.integers(1, 16)), float(rng.uniform(0, 0.03)))
        kills += 1
        with Record(place) as record:
            there = {int(found.piece.removeprefix("panel ")) for found in record.find()}
            assert find_damage(record.engine, place) == []
        assert confirmed <= there
        assert len(there - confirmed) <= kills
    return kills


def _write_and_kill(place: Path, first: int, after: int, delay_s: float) -> set[int]:
    env = {**os.environ, "PYTHONPATH": str(TESTS.parent / "inspect")}
    command = [sys.executable, "-c", _WRITER, str(place), str(first), str(TESTS)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env) as writer:
        assert writer.stdout is not None
        said = [int(writer.stdout.readline()) for _ in range(after)]
        time.sleep(delay_s)
        os.kill(writer.pid, signal.SIGKILL)
        said += [int(line) for line in writer.stdout.read().splitlines()]
    return set(said)
