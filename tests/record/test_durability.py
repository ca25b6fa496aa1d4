"""Whatever happens to the machine, what was confirmed is there, and the record opens."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from killing import record_under_fire
from recorded import made_entry, made_result

from foldtrue.errors import UnreadableFile
from foldtrue.record.care import find_damage
from foldtrue.record.store import Record

TESTS = Path(__file__).parents[1]
LIMITED = """
import resource, sys
sys.path.insert(0, sys.argv[3])
from pathlib import Path
from recorded import made_entry
from foldtrue.errors import UnreadableFile
from foldtrue.record.store import Record
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
seed = 0
try:
    while True:
        with Record(Path(sys.argv[1]), create=True) as record:
            record.add(made_entry(seed))
            seed += 1
except UnreadableFile as error:
    print(seed)
    print(error)
"""


@pytest.mark.skipif(os.name != "posix", reason="kills with SIGKILL")
def test_a_killed_process_loses_nothing_that_was_confirmed(place):
    # the same with 300 recordings: tests/accuracy/test_durability.py
    assert record_under_fire(place, 20, seed=3) >= 2


@pytest.mark.skipif(os.name != "posix", reason="limits the size of files")
def test_a_file_that_may_not_grow_keeps_what_was_recorded(place):
    env = {**os.environ, "PYTHONPATH": str(TESTS.parent / "inspect")}
    command = [sys.executable, "-c", LIMITED, str(place), "300000", str(TESTS)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=env)
    count, message = done.stdout.strip().split("\n")
    assert int(count) > 3
    assert "cannot be written" in message
    assert "Free some space" in message
    with Record(place) as record:
        assert len(record.find()) == int(count)
        assert find_damage(record.engine, place) == []
        record.add(made_entry(1000))


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 2 MB; only root may make one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    try:
        made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", disk], capture_output=True)
    except OSError:
        pytest.skip("no mount command here")
    if made.returncode:
        pytest.skip("may not mount a small disk here")
    yield disk
    subprocess.run(["umount", disk], check=True)


def test_a_full_disk_is_said_and_keeps_what_was_recorded(small_disk):
    confirmed = []

    def fill(record):
        for seed in range(1000):
            confirmed.append(record.add(made_entry(seed, result=made_result(seed, more_edges=1000))))

    with Record(small_disk / "record.db", create=True) as record:
        with pytest.raises(UnreadableFile, match=r"cannot be written: .*full.*Free some space"):
            fill(record)
        assert len(confirmed) > 2
        assert [found.number for found in record.find()] == confirmed
        assert find_damage(record.engine, record.path) == []
