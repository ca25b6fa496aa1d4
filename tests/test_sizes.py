"""Published sizes, as the standards print them, and that every part of the package that needs one uses it."""

from __future__ import annotations

import pytest

from foldtrue import mat, sizes
from foldtrue.rectify.sheet_size import SIZES_MM


def test_paper_sizes_of_iso_216():
    assert sizes.A4_MM == (210, 297)
    assert sizes.A3_MM == (297, 420)


def test_iso_216_halves_a_sheet_into_the_next_and_keeps_its_shape():
    """ISO 216: A3 cut across is two A4; the sides are as 1 to the root of 2, to the whole millimetre."""
    assert sizes.A3_MM[0] == sizes.A4_MM[1]
    assert sizes.A3_MM[1] / 2 == sizes.A4_MM[0]
    for short, long in (sizes.A4_MM, sizes.A3_MM):
        assert long == pytest.approx(short * 2**0.5, abs=0.5)


def test_letter_is_eight_and_a_half_by_eleven_inches():
    assert pytest.approx((8.5 * 25.4, 11 * 25.4)) == sizes.LETTER_MM  # ANSI/ASME Y14.1


@pytest.mark.parametrize(
    ("side_mm", "tolerance"), [(148, 1.5), (150, 1.5), (210, 2.0), (297, 2.0), (600, 2.0), (841, 3.0)]
)
def test_tolerance_of_iso_216(side_mm, tolerance):
    # ISO 216:2007, 5: +-1.5 mm up to 150 mm, +-2 mm above 150 up to 600 mm, +-3 mm above 600 mm.
    assert sizes.paper_tolerance_mm(side_mm) == tolerance


def test_card_size_of_iso_7810():
    """ISO/IEC 7810, ID-1: 85.60 x 53.98 x 0.76 mm, the thickness +-0.08 mm, corners of 2.88 to 3.48 mm."""
    assert sizes.ID1_MM == (85.60, 53.98)
    assert (sizes.ID1_THICKNESS_MM, sizes.ID1_THICKNESS_TOLERANCE_MM) == (0.76, 0.08)
    assert sizes.ID1_RADIUS_LIMITS_MM == (2.88, 3.48)
    assert sizes.ID1_RADIUS_MM == 3.18


def test_card_limits_lie_around_the_size():
    for limits, size in zip(
        (*sizes.ID1_LIMITS_MM, sizes.ID1_RADIUS_LIMITS_MM), (*sizes.ID1_MM, sizes.ID1_RADIUS_MM), strict=True
    ):
        assert limits[0] < size < limits[1]
        assert sum(limits) / 2 == pytest.approx(size, abs=0.01)


def test_mats_and_reference_sheets_have_the_published_sizes():
    assert {paper: each.paper_mm for paper, each in mat.MATS.items()} == {
        "A4": (210, 297),
        "A3": (297, 420),
        "Letter": (215.9, 279.4),
    }
    assert SIZES_MM == {"A4": (210, 297), "Letter": (215.9, 279.4)}
