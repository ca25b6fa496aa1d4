"""Which thing of known size is taken."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from card_in_photo import DrawnCard, lay_card
from panels import folded_panel

from foldtrue.errors import PhotoTooPoor
from foldtrue.rectify.reference import AUTO_ORDER, reference_scale
from foldtrue.references import ReferenceKind
from foldtrue.simulate import Camera, Ground, Reference, Scene, simulate_photo


@pytest.fixture(scope="module")
def on_a_sheet():
    """A piece on a sheet of A4 with a card beside it on the table: plan, photo with and without the card, map."""
    plan = folded_panel()
    camera = Camera(width_px=1600, height_px=1200, aim_mm=(45.0, 0.0), distance_mm=480.0)
    ground = Ground(kind="plain", colour=(0.12, 0.1, 0.08))
    scene = Scene(view="front", camera=camera, ground=ground, reference=Reference(), oversample=2)
    made = simulate_photo(plan, scene)
    photo, _ = lay_card(made, scene, DrawnCard(centre_mm=(160.0, 10.0), turn_deg=85.0))
    return plan, made.photo, photo, made.truth.map


def test_auto_takes_the_card_before_the_sheet(on_a_sheet):
    plan, bare, with_card, true = on_a_sheet
    card = reference_scale(with_card, plan, true, "auto", twist_std_mm=0.1)
    sheet = reference_scale(bare, plan, true, "auto", twist_std_mm=0.1)
    assert (card.kind, sheet.kind) == ("card", "A4")
    assert card.scale_std < sheet.scale_std
    assert abs(np.log(card.scale / sheet.scale)) < 1.96 * np.hypot(card.scale_std, sheet.scale_std)


def test_what_was_asked_for_is_taken_or_declined(on_a_sheet):
    plan, bare, with_card, true = on_a_sheet
    assert reference_scale(with_card, plan, true, "A4", twist_std_mm=0.1).kind == "A4"
    with pytest.raises(PhotoTooPoor, match="card"):
        reference_scale(bare, plan, true, "card", twist_std_mm=0.1)


def test_every_kind_that_can_be_found_unasked_is_in_the_order():
    assert [choice.kind for choice in AUTO_ORDER] == ["scan", "mat", "card", "A4", "Letter"]
    assert {choice.kind for choice in AUTO_ORDER} == set(get_args(ReferenceKind)) - {"corners"}


def test_the_order_is_in_the_docs():
    page = (Path(__file__).parents[2] / "docs" / "scale.md").read_text("utf-8")
    for number, choice in enumerate(AUTO_ORDER, 1):
        assert f"| {number} | {choice.kind} | {choice.when} |" in page
