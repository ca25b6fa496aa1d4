"""Pages as text: what they show of what came from outside, and what they never send."""

from __future__ import annotations

import json
import re

import pytest

from foldtrue.web.app import make_app
from foldtrue.web.guard import allowed_hosts

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture
def plan_id(client):
    return re.search(r'<option value="(\w+)"', client.get("/").text)[1]


def laid_down(client, token, plan_id, name, content=b"not a photo"):
    return client.post(
        "/photo",
        data={"token": token, "plan": plan_id, "stage": "piece", "view": "auto"},
        files=[("photo", (name, content, "image/jpeg"))],
        follow_redirects=False,
    )


def test_a_photos_name_is_shown_as_text_and_names_no_file(client, token, plan_id, tmp_path):
    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    answer = laid_down(client, token, plan_id, "../../<img src=x onerror=alert(1)>.jpg")
    assert answer.status_code == 303
    page = client.get(answer.headers["location"]).text
    assert "<img src=x" not in page
    assert "&lt;img src=x" in page
    new = {path for path in tmp_path.rglob("*") if path.is_file()} - before
    assert {path.name for path in new} == {"photo-1", "plan.json", "job.json"}


def test_a_plans_name_is_shown_as_text(client, token):
    answer = client.post("/plan", data={"token": token, "name": SCRIPT})
    assert answer.status_code == 200
    assert SCRIPT not in answer.text
    assert "&lt;script&gt;" in answer.text


@pytest.mark.parametrize(
    "place",
    [
        "../job.json",
        "..%2f..%2ftoken",
        "%2e%2e/job.json",
        "photo-1",
        "plan.json",
        "job.json",
        "result.json/..",
        "nul%00",
    ],
)
def test_no_other_file_can_be_fetched(client, token, plan_id, place):
    job = laid_down(client, token, plan_id, "a.jpg").headers["location"]
    answer = client.get(f"{job}/file/{place}")
    assert answer.status_code in (400, 404)
    assert token not in answer.text


@pytest.mark.parametrize("job", ["%2e%2e", "0" * 24, "g" * 24, "0" * 25, "%00"])
def test_a_job_that_is_none_is_not_found(client, job):
    assert client.get(f"/job/{job}").status_code == 404


def test_a_form_without_a_photo_says_so(client, token, plan_id):
    answer = client.post("/photo", data={"token": token, "plan": plan_id, "stage": "piece"})
    assert answer.status_code == 400
    assert "No photo" in answer.text


def test_a_reason_is_shown_as_text(client, app, token, plan_id):
    place = laid_down(client, token, plan_id, "a.jpg").headers["location"]
    desk = app.state.bench.desk
    desk.change(desk.read(place.rsplit("/", 1)[1]), state="declined", what=SCRIPT, advice=SCRIPT)
    assert SCRIPT not in client.get(place).text


def test_a_damaged_job_file_is_no_job(client, app, token, plan_id):
    place = laid_down(client, token, plan_id, "a.jpg").headers["location"]
    path = app.state.bench.desk.folder(place.rsplit("/", 1)[1]) / "job.json"
    for content in (b"", b"[]", b'{"id": 1}', json.dumps({"photos": 3}).encode()):
        path.write_bytes(content)
        assert client.get(place).status_code == 404
    assert client.get("/").status_code == 200


def test_two_desks_in_one_folder_share_the_token(tmp_path, token):
    """A page that was open over a restart still works."""
    assert make_app(tmp_path, allowed_hosts(8736)).state.bench.token == token
