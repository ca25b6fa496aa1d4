"""Where the uncertainty comes from, in result.json's words: shares of every twist, of the piece, and what leads.

A share is an expanded uncertainty like the figure it belongs to; the squares of a figure's shares add up to its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import Inspection, LatticeFit
from foldtrue.handover_figures import BUDGET_TERMS
from foldtrue.measured import COVERAGE_95, radius95
from foldtrue.propagation import half_width
from foldtrue.report.remedies import Figure, remedy

Record = dict[str, Any]


def position_shares_mm(fit: LatticeFit) -> Array | None:
    """(G, T): of each twist's 95 % radius, by term; radius^2 is shared out as the trace of the covariance is."""
    if fit.budget is None:
        return None
    terms = np.trace(fit.budget.position_cov_mm2, axis1=2, axis2=3)
    share = terms / np.maximum(terms.sum(0), 1e-300)
    return np.asarray(radius95(fit.position_cov_mm2) * np.sqrt(np.maximum(share, 0.0)))


def angle_shares_deg(fit: LatticeFit) -> Array | None:
    """(G, T): of each twist's angle_u95_deg, by term: its turn's relative to the piece and the common overturn's."""
    if fit.budget is None:
        return None
    variance = fit.budget.turn_var_deg2 + fit.budget.overturn_var_deg2[:, None]
    return np.asarray(COVERAGE_95 * np.sqrt(np.maximum(variance, 0.0)))


def twist_budgets(fit: LatticeFit) -> list[Record | None]:
    """Of every twist its terms, and the one that leads for place and turn; None where it was not measured."""
    position, angle = position_shares_mm(fit), angle_shares_deg(fit)
    if position is None or angle is None:
        return [None] * len(fit.measured)
    rows: list[Record | None] = []
    for k, seen in enumerate(fit.measured.tolist()):
        terms = {
            name: {"position_u95_mm": position[g, k], "angle_u95_deg": angle[g, k]}
            for g, name in enumerate(BUDGET_TERMS)
        }
        leading = {
            "position_leads": BUDGET_TERMS[int(position[:, k].argmax())],
            "angle_leads": BUDGET_TERMS[int(angle[:, k].argmax())],
        }
        rows.append({**leading, "terms": terms} if seen else None)
    return rows


def piece_budget(fit: LatticeFit) -> Record:
    """What the common overturn and the scale owe to each term."""
    overturn = None
    if fit.budget is not None:
        share = COVERAGE_95 * np.sqrt(np.maximum(fit.budget.overturn_var_deg2, 0.0))
        overturn = dict(zip(BUDGET_TERMS, share.tolist(), strict=True))
    scale = None
    if fit.scale_budget is not None and fit.scale is not None and fit.scale_std:
        factor = half_width(fit.scale_std, fit.scale_limits) / fit.scale_std
        scale = {name: factor * fit.scale * std for name, std in fit.scale_budget.items()}
    return {"overturn_u95_deg": overturn, "scale_u95": scale}


def leading_terms(inspection: Inspection) -> Record | None:
    """What leads in the uncertainty of places and of turns over the measured twists, and what helps against it."""
    fit = inspection.fit
    position, angle = position_shares_mm(fit), angle_shares_deg(fit)
    if position is None or angle is None or not fit.measured.any():
        return None
    place = Figure(position[:, fit.measured], "mm")
    turn = Figure(angle[:, fit.measured], "deg")
    return {"position": _leading(inspection, place), "angle": _leading(inspection, turn)}


def _leading(inspection: Inspection, figure: Figure) -> Record:
    found = remedy(inspection, figure)
    return {
        "term": figure.leads,
        "share": figure.share,
        f"u95_{figure.unit}": figure.u95(),
        "advice": found.text,
        f"u95_after_{figure.unit}": found.u95_after,
    }
