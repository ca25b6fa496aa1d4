"""What is kept, as pages: recording a result, the shelf, progress, settings; without a measuring process."""

from __future__ import annotations

import json
import re
import sqlite3
from datetime import date

import pytest
from recorded import made_entry, made_result, sha, with_photo

from foldtrue.record.store import Record
from foldtrue.report.result import result_record
from foldtrue.web.pages.shelf import PER_PAGE

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture
def kept(app, tmp_path):
    """kept(entry, ...) records them and gives their numbers."""

    def add(*entries):
        with Record(tmp_path / "record.db", create=True) as record:
            return [record.add(entry) for entry in entries]

    return add


@pytest.fixture
def done(app, upload, plan_text):
    """A finished job with a made result of its photo; the photo's plan is not the result's, so none is given."""

    def make(kind="piece", **changes):
        desk = app.state.bench.desk
        job = desk.add(kind, ("Window panel", plan_text), [("panel.jpg", upload)], {})
        desk.out(job).mkdir()
        (desk.out(job) / "result.json").write_text(json.dumps(made_result(1)))
        return desk.change(job, state="done", **changes)

    return make


def names_on(page):
    return re.findall(r"<b>(panel \d+)</b>", page)


@pytest.mark.parametrize("place", ["/shelf", "/progress", "/settings"])
def test_without_a_record_pages_say_so_and_make_none(client, tmp_path, place):
    answer = client.get(place)
    assert answer.status_code == 200
    assert not (tmp_path / "record.db").exists()


def test_the_piece_inspected_last_comes_first(client, kept):
    kept(made_entry(1, day=3), made_entry(2, day=9), made_entry(3, day=5))
    assert names_on(client.get("/shelf").text) == ["panel 2", "panel 3", "panel 1"]


def test_a_piece_inspected_twice_stands_on_the_shelf_once(client, kept):
    kept(made_entry(1), made_entry(2, piece="panel 1"))
    assert names_on(client.get("/shelf").text) == ["panel 1"]
    assert client.get("/shelf/1").text.count("<article") == 2


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("words=WREN", ["panel 2"]),
        ("words=damp+kozo", ["panel 1"]),
        ("words=damp+tracing", []),
        ("person=heron", ["panel 1"]),
        ("tag=gift", ["panel 2"]),
        ("paper=kozo+30+g", ["panel 1"]),
        ("plan=another", []),
        ("person=her", []),
    ],
)
def test_pieces_are_found_by_all_that_was_said_of_them(client, kept, query, found):
    kept(
        made_entry(1, folder="heron", paper="kozo 30 g", note="a damp day"),
        made_entry(2, folder="wren", tags=("gift",)),
    )
    assert names_on(client.get(f"/shelf?{query}").text) == found


def test_a_long_shelf_has_leaves_that_keep_what_was_asked(client, kept):
    kept(*(made_entry(k) for k in range(PER_PAGE + 5)))
    first, second = (client.get(f"/shelf?words=panel&page={page}").text for page in (1, 2))
    assert len(names_on(first)) == PER_PAGE
    assert len(names_on(second)) == 5
    assert 'href="/shelf?words=panel&amp;page=2"' in first


@pytest.mark.parametrize("page", ["0", "-1", "99", "x", "9" * 30])
def test_a_leaf_that_is_not_there_leads_to_one_that_is(client, kept, page):
    kept(made_entry(1))
    assert names_on(client.get(f"/shelf?page={page}").text) == ["panel 1"]


def test_what_another_program_records_shows_at_once(client, kept):
    kept(made_entry(1))
    assert len(names_on(client.get("/shelf").text)) == 1
    kept(made_entry(2))
    assert len(names_on(client.get("/shelf").text)) == 2


def test_names_are_shown_as_text(client, kept):
    kept(made_entry(1, piece=SCRIPT, folder=SCRIPT, note=SCRIPT, tags=(SCRIPT,), paper=SCRIPT))
    for place in ("/shelf", "/shelf/1", "/shelf/1/remove", "/progress", "/settings"):
        answer = client.get(place)
        assert answer.status_code == 200
        assert SCRIPT not in answer.text


def test_the_verdict_of_the_result_is_told_in_words(client, kept):
    result = made_result(1) | {"judgement": {"verdict": "too_close"}}
    kept(made_entry(1, result=result), made_entry(2))
    assert client.get("/shelf").text.count("too close to call") == 1


def test_a_thumbnail_is_a_jpeg_and_a_piece_without_one_has_none(client, kept):
    kept(with_photo(1), made_entry(2))
    assert client.get("/shelf/1/thumbnail").content.startswith(b"\xff\xd8")
    assert client.get("/shelf/2/thumbnail").status_code == 404
    assert re.findall(r'src="(/shelf/\d+/thumbnail)', client.get("/shelf").text) == ["/shelf/1/thumbnail"]


@pytest.mark.parametrize("place", ["/shelf/7", "/shelf/7/remove", "/shelf/7/thumbnail", "/shelf/99999999999999999999"])
def test_a_number_that_is_not_there_is_not_found(client, kept, place):
    kept(made_entry(1))
    assert client.get(place).status_code == 404


def test_nothing_is_removed_before_it_is_confirmed(client, kept, token):
    kept(made_entry(1), made_entry(2))
    assert "Delete number 1" in client.get("/shelf/1/remove").text
    assert client.post("/shelf/1/remove", data={}).status_code == 403
    assert len(names_on(client.get("/shelf").text)) == 2
    client.post("/shelf/1/remove", data={"token": token})
    assert names_on(client.get("/shelf").text) == ["panel 2"]


@pytest.mark.parametrize("query", ["", "number=1", "number=1&number=1", "number=1&number=2&number=3", "number=x"])
def test_only_two_are_compared(client, kept, query):
    kept(*(made_entry(k, piece="panel") for k in range(3)))
    answer = client.get(f"/shelf/compare?{query}")
    assert answer.status_code == 400
    assert "Tick two" in answer.text


def whole_result(inspection, seed, scale=1.0, plan="one plan"):
    """A result of the published form whose mean error of place is so many times that of the made inspection."""
    record = json.loads(json.dumps(result_record(inspection)))
    record["provenance"]["photo"]["sha256"] = sha(f"photo {seed}")
    record["provenance"]["plan"]["sha256"] = sha(plan)
    record["summary"]["position_mean_error_mm"] *= scale
    return record


def test_two_pieces_are_held_side_by_side_by_ticking_them_on_the_shelf(client, kept, inspection):
    numbers = kept(*(made_entry(k, result=whole_result(inspection, k, 1 + 9 * (k > 1))) for k in (1, 2)))
    ticks = re.findall(r'type="checkbox" name="number" value="(\d+)"', client.get("/shelf").text)
    assert sorted(map(int, ticks)) == numbers
    page = client.get(f"/shelf/compare?number={ticks[0]}&number={ticks[1]}").text
    rows = dict(re.findall(r'<tr><th scope="row">([^<]*)</th>(?:<td>[^<]*</td>){2}<td>([^<]*)</td>', page))
    assert rows["Mean error of place"] == "smaller in panel 1"
    assert rows["Mean error of turn"] == "cannot be told apart"
    assert {"Closure, RMS", "Distances across, RMS error", "Verdict when measured", "Habits"} <= set(rows)
    assert "different plans" not in page


def test_pieces_of_different_plans_say_what_alone_is_compared(client, kept, inspection):
    kept(*(made_entry(k, result=whole_result(inspection, k, plan=f"plan {k}")) for k in (1, 2)))
    assert "only figures relative to each one&#39;s own plan" in client.get("/shelf/compare?number=1&number=2").text


def test_progress_is_of_those_that_were_chosen(client, kept):
    kept(*(made_entry(k, folder="heron" if k % 3 else "wren") for k in range(12)))
    assert "12 pieces" in client.get("/progress").text
    assert "8 pieces" in client.get("/progress?person=heron").text
    assert "None of the creased grids" in client.get("/progress?stage=grid").text


def test_charts_hold_nothing_that_the_policy_forbids(client, kept):
    kept(*(made_entry(k) for k in range(12)))
    page = client.get("/progress").text
    assert page.count("<svg") > 3
    assert not re.search(r"<style|\sstyle=|<script", page)


def test_lengths_are_shown_in_the_unit_chosen(client, kept, token):
    kept(made_entry(1))
    in_mm = re.search(r"([\d.]+) ± [\d.]+ mm", client.get("/shelf").text)[1]
    assert client.post("/settings", data={"token": token, "units": "inch", "limits": "default"}).status_code == 200
    page = client.get("/shelf").text
    inches = re.search(r"([\d.]+) ± [\d.]+ in", page)[1]
    assert float(inches) * 25.4 == pytest.approx(float(in_mm), rel=0.02)
    assert " mm" not in page


@pytest.mark.parametrize("said", [{"units": "cubit", "limits": "default"}, {"units": "mm", "limits": "../../x"}])
def test_settings_that_are_none_are_refused(client, token, tmp_path, said):
    assert client.post("/settings", data={"token": token, **said}).status_code == 400
    assert not (tmp_path / "settings.json").exists()


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"units": 3, "limits": 4}', '{"units": [1], "limits": "x"}'])
def test_a_damaged_settings_file_counts_as_not_there(client, tmp_path, content):
    (tmp_path / "settings.json").write_text(content)
    assert client.get("/settings").status_code == 200


def test_every_kept_camera_is_shown(client, tmp_path):
    cameras = [{"camera": f"Pane {n}", "focal_35mm": 26.0, "k1": 0.0, "k1_u95": 0.1, "photos": []} for n in (2, 3)]
    kept = {"format": "foldtrue-cameras", "version": 1, "cameras": cameras}
    (tmp_path / "camera.json").write_text(json.dumps(kept))
    page = client.get("/settings").text
    assert "Pane 2 at 26 mm" in page
    assert "Pane 3 at 26 mm" in page


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"photos": [{}]}'])
def test_a_damaged_camera_file_is_said_to_be_one(client, tmp_path, content):
    (tmp_path / "camera.json").write_text(content)
    assert "camera.json cannot be read" in client.get("/settings").text


def test_limits_of_the_persons_own_can_be_chosen_and_go_to_the_next_photo(client, app, token, tmp_path, upload):
    from foldtrue.judge.tolerances import tolerances_text

    (tmp_path / "tolerances").mkdir()
    (tmp_path / "tolerances" / "mine.json").write_text(tolerances_text("mine"))
    client.post("/settings", data={"token": token, "units": "mm", "limits": "mine"})
    plan = app.state.bench.plans.cards()[0].id
    fields = {"token": token, "plan": plan, "stage": "piece"}
    client.post("/photo", data=fields, files={"photo": upload.read_bytes()})
    assert app.state.bench.desk.jobs()[0].options["tolerances"] == "mine"


def test_a_backup_is_a_whole_record_and_leaves_nothing_behind(client, kept, token, tmp_path):
    kept(made_entry(1))
    answer = client.post("/settings/backup", data={"token": token})
    (tmp_path / "copy").write_bytes(answer.content)
    with sqlite3.connect(tmp_path / "copy") as copy:
        assert copy.execute("SELECT name FROM pieces").fetchall() == [("panel 1",)]
    copy.close()
    assert not list(tmp_path.glob("backup-*"))


def test_a_person_is_forgotten_only_when_confirmed(client, kept, token, tmp_path):
    kept(made_entry(1, folder="heron"), made_entry(2))
    assert "1 inspection of what heron folded" in client.get("/settings/forget?alias=heron").text
    assert "heron" in client.get("/settings").text
    client.post("/settings/forget", data={"token": token, "alias": "heron"})
    assert names_on(client.get("/shelf").text) == ["panel 2"]
    assert b"heron" not in (tmp_path / "record.db").read_bytes()


def test_nobody_is_forgotten_who_is_not_there(client, kept):
    kept(made_entry(1))
    assert client.get("/settings/forget?alias=heron").status_code == 404


def test_the_desk_is_cleared_but_for_what_is_open(client, app, done, token, desk, plan_text, tmp_path):
    desk = app.state.bench.desk
    finished = done()
    (tmp_path / "other").write_bytes(b"x")
    waiting = desk.add("piece", ("Window panel", plan_text), [("a.jpg", tmp_path / "other")], {})
    client.post("/settings/clear-desk", data={"token": token})
    assert [job.id for job in desk.jobs()] == [waiting.id]
    assert not desk.folder(finished.id).exists()


def test_a_slip_in_the_form_comes_back_with_all_that_was_typed(client, done, token):
    job = done()
    fields = {"token": token, "piece": "stair window", "note": "a & b", "done_on": "yesterday"}
    answer = client.post(f"/job/{job.id}/record", data=fields)
    assert answer.status_code == 400
    assert "is no day" in answer.text
    assert 'value="stair window"' in answer.text
    assert "a &amp; b" in answer.text


def test_a_piece_without_a_name_is_not_recorded(client, done, token, tmp_path):
    assert client.post(f"/job/{done().id}/record", data={"token": token, "piece": " "}).status_code == 400
    assert not (tmp_path / "record.db").exists()


@pytest.mark.parametrize(("kind", "state"), [("practice", "done"), ("piece", "declined"), ("piece", "running")])
def test_nothing_is_recorded_of_what_nobody_folded_or_measured(client, done, token, kind, state):
    job = done(kind)
    job_page = f"/job/{job.id}/record"
    client.app.state.bench.desk.change(job, state=state)
    assert client.get(job_page).status_code == 404
    assert client.post(job_page, data={"token": token, "piece": "x"}).status_code == 404


def test_a_practice_piece_offers_no_form(app, done):
    page = app.state.bench.page("record.html", job=done("practice"), said=None, what="", advice="", known=0)
    assert b"nobody folded it" in page.body
    assert b'name="piece"' not in page.body


def test_the_form_offers_today(client, done):
    assert f'value="{date.today()}"' in client.get(f"/job/{done().id}/record").text
