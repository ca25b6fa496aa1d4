"""In pictures: errors grow when a cause comes, and what is said of it grows alike. All causes: terms.py."""

from __future__ import annotations

import numpy as np
import pytest
from terms import CAUSES, variances

from foldtrue.handover_figures import BUDGET_TERMS


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """found(name) -> variances of that cause in one photo (errors, stated, by term), each made once."""
    folder, made = tmp_path_factory.mktemp("terms"), {}

    def get(name):
        cause = next(c for c in CAUSES if c.name == name)
        if name not in made:
            made[name] = variances(cause, 1, folder)
        return made[name]

    return get


@pytest.mark.parametrize(
    ("cause", "term"), [("noise of the pixels", "pixel_noise"), ("clouds in the paper", "paper_texture")]
)
def test_errors_and_the_causes_term_grow_together(found, cause, term):
    none, some, k = found("nothing"), found(cause), BUDGET_TERMS.index(term)
    assert some[0] > 3 * none[0]
    assert some[2][k] > 3 * none[2][k]
    assert np.sqrt(some[0] / some[1]) == pytest.approx(1.0, abs=0.6)  # as much as is stated, of one photo


def test_waves_displace_twists_as_their_term_says_and_half_as_much_from_twice_as_far(found):
    near, far, k = (
        found("waves of 0.2 mm from 300 mm"),
        found("waves of 0.2 mm from 600 mm"),
        BUDGET_TERMS.index("waves"),
    )
    for errors, stated, terms in (near, far):
        assert terms[k] > 0.8 * stated
        assert np.sqrt(errors / stated) == pytest.approx(1.0, abs=0.5)  # one piece, a dozen waves
    assert np.sqrt(near[0] / far[0]) == pytest.approx(2.0, abs=0.3)
