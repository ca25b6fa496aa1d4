"""Hostile requests over HTTP, to a server as a person starts it: none is believed, kept or sent back as it came."""

from __future__ import annotations

import io
import re
import socket
import time
from pathlib import Path

import httpx2
import pytest
from PIL import Image
from served import Served

SAMPLE = Path(__file__).parents[2] / "sample_images" / "window-panel"
SCRIPT = b"<script>alert('told by a photo')</script>"
MEASURED_S = 60


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    made = Served(tmp_path_factory.mktemp("home"))
    yield made
    made.stop()


@pytest.fixture(scope="module")
def client(server):
    with httpx2.Client(base_url=server.address, headers={"origin": server.address}, timeout=60) as client:
        yield client


@pytest.fixture(scope="module")
def token(client):
    return re.search(r'name="token" value="(\w+)"', client.get("/").text)[1]


@pytest.fixture(scope="module")
def plan_id(client, token):
    files = {"plan_file": ("plan.json", (SAMPLE / "plan.json").read_bytes())}
    answer = client.post("/plan", data={"token": token}, files=files)
    return answer.headers["location"].split("=")[1]


@pytest.fixture(scope="module")
def send(client, token, plan_id):
    """send(name, content, kind) -> address of the job and its state once it is over."""

    def sent(name, content, kind="image/jpeg"):
        fields = {"token": token, "plan": plan_id, "stage": "piece", "view": "backlit"}
        answer = client.post("/photo", data=fields, files={"photo": (name, content, kind)})
        assert answer.status_code == 303
        job, end = answer.headers["location"], time.monotonic() + MEASURED_S
        while time.monotonic() < end:
            state = client.get(f"{job}/state").json()["state"]
            if state not in ("waiting", "running"):
                return job, state
            time.sleep(0.05)
        raise AssertionError("still open")

    return sent


def photo():
    return (SAMPLE / "photo.jpg").read_bytes()


def bomb(side):
    """So many pixels squared in a small file."""
    stream = io.BytesIO()
    Image.new("1", (side, side)).save(stream, "PNG")
    return stream.getvalue()


def told_photo():
    """The sample with a script in every field of its metadata that takes text."""
    exif = Image.Exif()
    for field in (0x010E, 0x010F, 0x0110, 0x0131, 0x013B, 0x8298):  # description, make, model, software, artist, rights
        exif[field] = SCRIPT.decode()
    stream = io.BytesIO()
    with Image.open(SAMPLE / "photo.jpg") as image:
        image.save(stream, "JPEG", quality=95, exif=exif, comment=SCRIPT, icc_profile=image.info.get("icc_profile"))
    return stream.getvalue()


def all_that_is_sent(client, job):
    """Every answer that comes of a job: its page, and whatever the page leads to on this server."""
    page = client.get(job)
    places = set(re.findall(rf'(?:src|href)="({job}[^"#]*)"', page.text))
    names = ("picture.jpg", "picture.json", "result.json", "twists.csv", "photo-1")
    return [page, *(client.get(place) for place in sorted(places | {f"{job}/file/{name}" for name in names}))]


@pytest.mark.parametrize(
    ("name", "kind", "content"),
    [
        ("drawing.svg", "image/svg+xml", b"<svg xmlns='http://www.w3.org/2000/svg'>" + SCRIPT + b"</svg>"),
        ("page.html", "text/html", b"<!doctype html>" + SCRIPT),
        ("page.jpg", "image/jpeg", b"<!doctype html>" + SCRIPT),
        ("both.gif", "image/gif", b"GIF89a/*\x00\x00\x00\x00\x00*/=1;" + SCRIPT),
        ("begun.jpg", "image/jpeg", b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + SCRIPT),
        ("shell.jpg.php", "application/x-php", b"<?php echo 1; ?>" + SCRIPT),
    ],
)
def test_what_is_no_photo_is_declined_and_never_sent_back(client, send, name, kind, content):
    job, state = send(name, content, kind)
    assert state == "declined"
    assert not any(SCRIPT in answer.content for answer in all_that_is_sent(client, job))
    assert client.get(f"{job}/file/picture.jpg").status_code == 404


@pytest.mark.parametrize("side", [10_500, 20_000])
def test_more_pixels_than_a_camera_has_are_declined_in_time(client, send, side):
    """110 and 400 megapixels in a few kilobytes."""
    start = time.monotonic()
    _, state = send("bomb.png", bomb(side), "image/png")
    assert state == "declined"
    assert time.monotonic() - start < 10


@pytest.mark.parametrize("content", [photo() + b"<!doctype html>" + SCRIPT, told_photo()])
def test_a_photo_that_carries_a_script_is_measured_and_the_script_goes_no_further(client, send, content):
    assert SCRIPT in content
    job, state = send("both.jpg", content)
    answers = all_that_is_sent(client, job)
    assert state == "done"
    assert len(answers) > 8
    assert not any(SCRIPT in answer.content for answer in answers)
    assert all(answer.headers["x-content-type-options"] == "nosniff" for answer in answers)


@pytest.mark.parametrize(
    "name", ["../../../evil.html", "..\\..\\evil.html", "/etc/evil.html", "evil.html\x00.jpg", "a" * 4000]
)
def test_a_name_names_no_file(server, send, name):
    job, _ = send(name, b"x")
    lying = {path.name for path in (server.home / "desk" / job.rsplit("/", 1)[1]).iterdir()}
    assert lying <= {"photo-1", "plan.json", "job.json", "out"}
    assert not list(server.home.parent.rglob("evil*"))


def raw(server, request, seconds=10.0):
    """The answer's first line to bytes as they are, which no client would send."""
    host, port = server.address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), seconds) as line:
        line.sendall(request)
        return line.recv(100).decode("latin-1")


@pytest.mark.parametrize(
    "place",
    [
        "/../../../../etc/passwd",
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static//etc/passwd",
        "/job/..%2f..%2fdesk/token",
        "/job/%2e%2e/file/job.json",
    ],
)
def test_no_address_leads_out_of_what_is_served(server, place):
    host = server.address.removeprefix("http://")
    answer = raw(server, f"GET {place} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
    assert re.match(r"HTTP/1\.1 (400|404) ", answer)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "evil.example"}, 421),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
    ],
)
def test_a_photo_sent_by_another_page_is_refused(client, token, plan_id, headers, status):
    fields = {"token": token, "plan": plan_id, "stage": "piece"}
    assert client.post("/photo", data=fields, files={"photo": b"x"}, headers=headers).status_code == status


def test_a_gigabyte_that_says_its_size_is_refused_before_it_comes(server):
    host = server.address.removeprefix("http://")
    head = f"POST /photo HTTP/1.1\r\nHost: {host}\r\nOrigin: {server.address}\r\nContent-Length: {1 << 30}\r\n"
    start = time.monotonic()
    assert raw(server, f"{head}Content-Type: multipart/form-data; boundary=b\r\n\r\n".encode()).startswith(
        "HTTP/1.1 413"
    )
    assert time.monotonic() - start < 2


def test_a_gigabyte_that_hides_its_size_is_cut_off_and_nothing_of_it_is_kept(server, token):
    before = {path for path in server.home.rglob("*") if path.is_file()}
    sent = 0

    def body():
        nonlocal sent
        yield f'--b\r\nContent-Disposition: form-data; name="token"\r\n\r\n{token}\r\n'.encode()
        yield b'--b\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
        while sent < 1 << 30:
            sent += 1 << 20
            yield bytes(1 << 20)

    headers = {"origin": server.address, "content-type": "multipart/form-data; boundary=b"}
    try:
        answer = httpx2.post(f"{server.address}/photo", content=body(), headers=headers, timeout=60)
        assert answer.status_code == 413
    except httpx2.TransportError:
        pass  # the server closed the line while more was coming
    assert sent < 500_000_000
    assert {path for path in server.home.rglob("*") if path.is_file()} == before


def test_many_that_never_finish_asking_keep_nobody_waiting(server, client):
    host, port = server.address.removeprefix("http://").split(":")
    lines = [socket.create_connection((host, int(port)), 10) for _ in range(100)]
    try:
        for i, line in enumerate(lines):
            head = f"POST /photo HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: {server.address}\r\n"
            line.sendall(head.encode() + (b"Content-Length: 100000\r\n\r\nx" if i % 2 else b"X-Slow: "))
        start = time.monotonic()
        assert client.get("/").status_code == 200
        assert time.monotonic() - start < 1
    finally:
        for line in lines:
            line.close()


def test_a_pieces_name_is_shown_as_text(client, token, send):
    job, _ = send("panel.jpg", photo())
    said = {"token": token, "piece": SCRIPT.decode(), "note": SCRIPT.decode(), "again": "yes"}
    answer = client.post(f"{job}/record", data=said)
    for place in (answer.headers["location"], "/shelf", "/progress"):
        page = client.get(place)
        assert page.status_code == 200
        assert SCRIPT not in page.content
    assert b"&lt;script&gt;" in client.get("/shelf").content
