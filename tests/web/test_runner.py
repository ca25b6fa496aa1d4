"""Jobs run in a process of their own: finished, declined, stopped, broken, and taken up again after a restart."""

from __future__ import annotations

import json
import os
import signal
import time

import pytest

from foldtrue.web.runner import Runner, RunnerOptions


def settled(desk, job, seconds=60):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        now = desk.read(job.id)
        if now.state not in ("waiting", "running"):
            return now
        time.sleep(0.05)
    raise AssertionError(f"still {now.state}")


@pytest.fixture
def runner(desk):
    made = Runner(desk)
    made.start()
    yield made
    made.close()


def test_a_photo_is_measured_and_its_files_lie_on_the_desk(desk, job, runner):
    runner.add(job)
    done = settled(desk, job)
    assert done.state == "done"
    assert json.loads((desk.out(job) / "result.json").read_bytes())["summary"]["measured"] == 24
    assert {"picture.jpg", "picture.json"} <= {path.name for path in desk.out(job).iterdir()}


def test_a_file_that_is_no_photo_is_declined_with_what_to_do(desk, job, runner):
    desk.photo_files(job)[0].write_bytes(b"<svg onload='alert(1)'>")
    runner.add(job)
    done = settled(desk, job)
    assert done.state == "declined"
    assert done.what
    assert done.advice


def test_a_stopped_job_stops_at_once_and_the_next_one_runs(desk, job, runner, plan_text, photo):
    again = desk.again(job, {})
    runner.add(job)
    while desk.read(job.id).state != "running":
        time.sleep(0.01)
    runner.stop(desk.read(job.id))
    assert settled(desk, job).state == "stopped"
    runner.add(again)
    assert settled(desk, again).state == "done"


def test_a_process_that_dies_is_told_and_replaced(desk, job, runner):
    again = desk.again(job, {})
    runner.add(job)
    while desk.read(job.id).state != "running":
        time.sleep(0.01)
    os.kill(runner._worker[0].pid, signal.SIGKILL)
    assert settled(desk, job).state == "broken"
    runner.add(again)
    assert settled(desk, again).state == "done"


def test_a_job_that_takes_too_long_is_given_up(desk, job):
    runner = Runner(desk, RunnerOptions(job_s=0.0))
    runner.start()
    try:
        runner.add(job)
        done = settled(desk, job)
        assert done.state == "broken"
        assert "Given up" in done.what
    finally:
        runner.close()


def test_a_process_without_enough_memory_says_so_or_dies_alone(desk, job):
    runner = Runner(desk, RunnerOptions(memory_bytes=1 << 20))
    runner.start()
    try:
        runner.add(job)
        assert settled(desk, job).state == "broken"
    finally:
        runner.close()


def test_what_a_server_left_open_is_taken_up_by_the_next(desk, job):
    desk.change(job, state="running", step="detect")
    runner = Runner(desk)
    runner.start()
    try:
        assert settled(desk, job).state == "done"
    finally:
        runner.close()
