"""A desk in a temporary folder, and a sample's plan and photo to lay on it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from foldtrue.web.desk import Desk

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path / "desk")


@pytest.fixture
def plan_text():
    return (SAMPLES / "window-panel" / "plan.json").read_bytes()


@pytest.fixture
def photo(tmp_path):
    return Path(shutil.copy(SAMPLES / "window-panel" / "photo.jpg", tmp_path / "upload"))


@pytest.fixture
def job(desk, plan_text, photo):
    return desk.add("piece", ("Window panel", plan_text), [("panel.jpg", photo)], {})
