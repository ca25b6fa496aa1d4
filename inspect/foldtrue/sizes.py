"""Published sizes of things that lie beside a piece: sheets of paper and cards. Lengths in mm, each with its source."""

from __future__ import annotations

A4_MM = (210.0, 297.0)
A3_MM = (297.0, 420.0)
"""Short and long side: ISO 216:2007."""
LETTER_MM = (215.9, 279.4)
"""Short and long side: ANSI/ASME Y14.1, 8.5 x 11 in."""

ID1_MM = (85.60, 53.98)
"""Long and short side of a card: ISO/IEC 7810, ID-1."""
ID1_LIMITS_MM = ((85.47, 85.72), (53.92, 54.03))
"""Least and greatest long and short side of an unused card: ISO/IEC 7810 [from memory]."""
ID1_THICKNESS_MM, ID1_THICKNESS_TOLERANCE_MM = 0.76, 0.08
ID1_RADIUS_MM = 3.18
ID1_RADIUS_LIMITS_MM = (2.88, 3.48)
"""Of the rounded corners: ISO/IEC 7810."""


def paper_tolerance_mm(side_mm: float) -> float:
    """Greatest deviation of a trimmed sheet's side: ISO 216 allows 1.5 mm up to 150 mm, 2 mm up to 600 mm, 3 mm above.

    Taken for Letter too, for which no published figure is known to us.
    """
    return 1.5 if side_mm <= 150 else 2.0 if side_mm <= 600 else 3.0
