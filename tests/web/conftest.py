"""A desk in a temporary folder, a sample's plan and photo to lay on it, and the pages without a measuring process."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from foldtrue.web.app import make_app
from foldtrue.web.desk import Desk
from foldtrue.web.guard import allowed_hosts

PORT = 8736
HERE = f"http://127.0.0.1:{PORT}"
SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path / "desk")


@pytest.fixture
def plan_text():
    return (SAMPLES / "window-panel" / "plan.json").read_bytes()


@pytest.fixture
def upload(tmp_path):
    return Path(shutil.copy(SAMPLES / "window-panel" / "photo.jpg", tmp_path / "upload"))


@pytest.fixture
def job(desk, plan_text, upload):
    return desk.add("piece", ("Window panel", plan_text), [("panel.jpg", upload)], {})


@pytest.fixture
def app(tmp_path, monkeypatch):
    monkeypatch.setenv("FOLDTRUE_HOME", str(tmp_path))
    return make_app(tmp_path, allowed_hosts(PORT))


@pytest.fixture
def client(app):
    return TestClient(app, base_url=HERE, headers={"origin": HERE}, raise_server_exceptions=False)


@pytest.fixture
def token(app):
    return app.state.bench.token
