"""The reduced gate of verdicts: figures exactly at their limits are called within or outside no more often than the
rule promises (verdict.py beside it asks more, and simulated photos too)."""

from __future__ import annotations

import numpy as np
import pytest
from verdict import GUARDS, drawn_values, drawn_vectors, pieces, shares

from foldtrue.handover_judge import Rule
from foldtrue.judge.decision import false_decision

COUNT = 6000
DRAWN = {
    "values": drawn_values,
    "round": drawn_vectors,
    "narrow": lambda rng, std, count: drawn_vectors(rng, std, count, 0.3),
}


def most(risk, count):
    """The largest share that chance leaves of a promise kept, at three standard deviations."""
    return risk + 3 * np.sqrt(risk * (1 - risk) / count)


@pytest.mark.parametrize("guard", GUARDS)
@pytest.mark.parametrize("std", [0.05, 0.5])
@pytest.mark.parametrize("kind", DRAWN)
def test_a_figure_at_its_limit(kind, std, guard):
    rule = Rule(guard=guard)
    within, outside = shares(DRAWN[kind](np.random.default_rng(5), std, COUNT), [1.0] * COUNT, rule)
    assert within <= most(false_decision(rule), COUNT)
    assert outside <= most(false_decision(rule), COUNT)


def test_the_promise_is_used_up_where_the_noise_is_as_stated():
    # neither wrong more often than promised, nor left open more often than need be
    rule = Rule()
    _, outside = shares(drawn_vectors(np.random.default_rng(6), 0.2, COUNT), [1.0] * COUNT, rule)
    assert outside >= false_decision(rule) - 3 * np.sqrt(0.05 / COUNT)


def test_a_piece_at_its_limits():
    rule, count = Rule(), 200
    outside, _ = pieces(np.random.default_rng(7), rule, 96, count, one_bad=False)
    _, within = pieces(np.random.default_rng(8), rule, 96, count, one_bad=True)
    assert outside <= most(false_decision(rule), count)
    assert within <= most(false_decision(rule), count)
