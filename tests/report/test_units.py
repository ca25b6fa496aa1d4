"""Lengths in millimetres or inches: 1 in = 25.4 mm (international inch, NIST SP 811, appendix B.6)."""

from __future__ import annotations

import pytest

from foldtrue.errors import UsageError
from foldtrue.report.units import Units

MM, INCH = Units("mm"), Units("inch")


def test_a_length_keeps_its_uncertainty_in_either_unit():
    assert MM.length(2.54, 0.254) == "2.54 ± 0.25 mm"
    assert INCH.length(2.54, 0.254) == "0.100 ± 0.010 in"


def test_a_length_that_was_not_measured_says_so():
    assert INCH.length(None, None) == "not measured"


def test_a_planned_length():
    assert (MM.plain(25.4), INCH.plain(25.4)) == ("25.4 mm", "1 in")


def test_more_pixels_fit_into_an_inch():
    assert (MM.density(10), INCH.density(10)) == ("10 px/mm", "254 px/in")


def test_sentences_are_left_alone_in_millimetres():
    assert MM.sentence("move it 0.45 ± 0.07 mm towards t3") == "move it 0.45 ± 0.07 mm towards t3"


@pytest.mark.parametrize(
    ("said", "in_inches"),
    [
        ("move it 0.508 ± 0.254 mm towards t3", "move it 0.020 ± 0.010 in towards t3"),
        ("at most 25.4 mm (2 % of the pitch)", "at most 1 in (2 % of the pitch)"),
        ("by 1.20 ± 0.03 deg", "by 1.20 ± 0.03 deg"),
        ("a card of 85.60 x 53.98 mm", "a card of 3.37 x 2.125 in"),
        ("2.54 instead of 25.4 mm", "0.1 instead of 1 in"),
        ("from t3 to 25.4 ± 2.54 mm", "from t3 to 1.00 ± 0.10 in"),
        ("12 px/mm", "12 px/mm"),
        ("-0.254 mm", "-0.01 in"),
    ],
)
def test_sentences_in_inches(said, in_inches):
    assert INCH.sentence(said) == in_inches


def test_an_unknown_unit_is_refused():
    with pytest.raises(UsageError, match="no unit called 'cubit'"):
        Units("cubit")
