"""Jobs run in a process of their own: finished, declined, stopped, broken, and taken up again after a restart."""

from __future__ import annotations

import io
import json
import os
import signal
import time

import pytest
from kept_camera_photos import NAME, headed
from PIL import Image

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


def test_a_photo_starts_from_the_kept_lens_of_its_camera(desk, job, runner):
    """camera.json lies in the folder that the desk lies in; the photo's header is given a camera."""
    photo = desk.folder(job.id) / "photo-1"
    headed(photo.read_bytes(), photo.with_suffix(".jpg"))
    photo.with_suffix(".jpg").replace(photo)
    with Image.open(photo) as picture:
        proportion = max(picture.size) / min(picture.size)
    lens = {"camera": " ".join(NAME), "focal_35mm": 26.0, "proportion": proportion, "k1": 0.0, "k1_u95": 0.001}
    kept = {"format": "foldtrue-cameras", "version": 1, "cameras": [lens]}
    (desk.folder(job.id).parents[1] / "camera.json").write_text(json.dumps(kept))
    runner.add(job)
    assert settled(desk, job).state == "done"
    assert json.loads((desk.out(job) / "result.json").read_bytes())["fit"]["lens_prior"]["camera"] == lens["camera"]


def bomb():
    """A small file of more pixels than any camera has."""
    stream = io.BytesIO()
    Image.new("1", (20_000, 20_000)).save(stream, "PNG")
    return stream.getvalue()


def cut_short(photo):
    return photo.read_bytes()[:4000]


HOSTILE = {
    "markup with a script": lambda photo: b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
    "a page": lambda photo: b"<!doctype html><script>alert(1)</script>",
    "a photo's first bytes before a page": lambda photo: b"\xff\xd8\xff\xe0<html><script>alert(1)</script>",
    "an archive": lambda photo: b"PK\x03\x04" + bytes(200),
    "400 megapixels in a small file": lambda photo: bomb(),
    "a photo cut short": cut_short,
    "nothing": lambda photo: b"",
}


def test_what_is_no_photo_is_declined_with_what_to_do_and_never_shown(desk, job, runner, upload, plan_text):
    """One measuring process takes them all, and then a photo."""
    true = desk.photo_files(job)[0].read_bytes()
    upload.write_bytes(true)
    for name, content in HOSTILE.items():
        desk.photo_files(job)[0].write_bytes(content(upload))
        job = desk.change(job, state="waiting")
        runner.add(job)
        done = settled(desk, job)
        assert (done.state, bool(done.what), bool(done.advice)) == ("declined", True, True), name
        assert not desk.out(job).exists() or not list(desk.out(job).iterdir()), name
    desk.photo_files(job)[0].write_bytes(true)
    job = desk.change(job, state="waiting")
    runner.add(job)
    assert settled(desk, job).state == "done"


def test_a_stopped_job_stops_at_once_and_the_next_one_runs(desk, job, runner, plan_text, upload):
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
