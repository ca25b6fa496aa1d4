"""What the server refuses before any page sees it: other hosts, other pages' requests, bodies too large or too slow."""

from __future__ import annotations

import asyncio
import re

import pytest
from starlette.testclient import TestClient

from foldtrue.web.app import make_app
from foldtrue.web.guard import HEADERS, Guard, Limits, allowed_hosts

PORT = 8736
HERE = f"http://127.0.0.1:{PORT}"


@pytest.fixture
def client(tmp_path):
    """A browser's place without a running measuring process: no page needs one."""
    app = make_app(tmp_path, allowed_hosts(PORT), Limits(max_bytes=300_000))
    return TestClient(app, base_url=HERE, raise_server_exceptions=False, follow_redirects=False)


@pytest.fixture
def token(client):
    return re.search(r'name="token" value="(\w+)"', client.get("/").text)[1]


@pytest.mark.parametrize("host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:1", ""])
def test_a_request_that_names_another_host_is_refused(client, host):
    assert client.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]"])
def test_the_servers_own_names_are_answered(client, host):
    assert client.get("/", headers={"host": f"{host}:{PORT}"}).status_code == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", f"https://127.0.0.1:{PORT}", "http://127.0.0.1:1", None]
)
def test_a_change_asked_by_another_page_is_refused(client, token, origin):
    headers = {} if origin is None else {"origin": origin}
    assert client.post("/plan", data={"token": token}, headers=headers).status_code == 403


def test_a_change_that_the_browser_calls_cross_site_is_refused(client, token):
    headers = {"origin": HERE, "sec-fetch-site": "cross-site"}
    assert client.post("/plan", data={"token": token}, headers=headers).status_code == 403


@pytest.mark.parametrize("said", [{}, {"token": ""}, {"token": "0" * 64}, {"token": "ünglaublich"}])
def test_a_form_without_the_pages_token_is_refused(client, said):
    assert client.post("/plan", data=said, headers={"origin": HERE}).status_code == 403


def test_every_answer_carries_the_protecting_headers(client):
    for answer in (client.get("/"), client.get("/nowhere"), client.get("/static/app.css"), client.post("/plan")):
        assert (
            HEADERS.items() <= {name.title(): value for name, value in answer.headers.items()}.items() | HEADERS.items()
        )
        assert all(answer.headers[name] == value for name, value in HEADERS.items())


def test_pages_hold_no_script_or_style_of_their_own(client):
    """The content security policy forbids them, so that injected ones would not run either."""
    for place in ("/", "/plan", "/shelf", "/progress", "/settings"):
        text = client.get(place).text
        assert not re.search(r"<style|<script(?![^>]* src=)|\son\w+=|\sstyle=", text)


def test_an_upload_that_says_it_is_too_large_is_refused_unread(client, token):
    big = {"origin": HERE, "content-length": str(1 << 30)}
    assert client.post("/photo", headers=big, content=b"x").status_code == 413


@pytest.mark.parametrize("length", ["9" * 5000, "-1", "ten"])
def test_a_nonsense_length_is_refused(client, length):
    assert client.post("/photo", headers={"origin": HERE, "content-length": length}, content=b"x").status_code == 413


def test_an_upload_that_turns_out_too_large_is_refused(client, token):
    def body():
        for _ in range(40):
            yield b"x" * 10_000

    headers = {"origin": HERE, "content-type": "multipart/form-data; boundary=b"}
    answer = client.post("/photo", headers=headers, content=body())
    assert answer.status_code in (400, 413)


def guarded(receive, limits):
    """What a guarded app that reads a whole body gets."""
    sent = []

    async def reading(scope, receive, send):
        while (await receive()).get("more_body"):
            pass

    async def send(message):
        sent.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "headers": [(b"host", b"localhost:1"), (b"origin", b"http://localhost:1")],
    }
    asyncio.run(Guard(reading, allowed_hosts(1), limits)(scope, receive, send))
    return sent


def test_a_body_that_stalls_is_given_up():
    from starlette.exceptions import HTTPException

    async def stalling():
        await asyncio.sleep(60)

    with pytest.raises(HTTPException) as refused:
        guarded(stalling, Limits(pause_s=0.05))
    assert refused.value.status_code == 408


def test_a_body_that_drips_for_ever_is_given_up():
    from starlette.exceptions import HTTPException

    async def dripping():
        await asyncio.sleep(0.01)
        return {"type": "http.request", "body": b"x", "more_body": True}

    with pytest.raises(HTTPException) as refused:
        guarded(dripping, Limits(pause_s=1.0, whole_s=0.2))
    assert refused.value.status_code == 408
