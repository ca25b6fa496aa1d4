"""The likely cause of a grid's errors and whether it is worth going on, in the person's words."""

from __future__ import annotations

import numpy as np

from foldtrue.handover_grid import CauseCode, FoldedForecast, GridCause, GridEffect, GridFit, PlannedGrid, Verdict

RANDOM_MM = 0.08
RANDOM_END_MM = 0.12
"""Own errors of the lines, standard deviations at the foot and at the ends, above which they are worth a word: a tenth
of a millimetre is about a crease's width (common practice, no source)."""
TOLERANCE_PITCHES = 0.03
"""A twist this far off its place, in pitches, is seen in the finished piece (common practice, no source)."""


def judge_grid(grid: PlannedGrid, fit: GridFit, forecast: FoldedForecast, pitch_mm: float) -> GridCause:
    """The largest systematic error found, else missing lines, else random ones, else none; and the verdict on the
    folded twists: within the tolerance by all of their uncertainty, outside by all of it, or too close to call."""
    missing = tuple(k for k, status in enumerate(fit.status) if status == "missing")
    effect = fit.effects[0] if fit.effects else None
    code = _code(grid, fit, effect, bool(missing))
    tolerance = TOLERANCE_PITCHES * pitch_mm
    size = np.hypot(*forecast.position_error_mm.T)
    verdict: Verdict = "within"
    if np.isnan(size).any():
        verdict = "not_measured"
    elif (size - forecast.position_u95_mm > tolerance).any():
        verdict = "outside"
    elif (size + forecast.position_u95_mm > tolerance).any():
        verdict = "too_close_to_call"
    sentence, advice = _words(grid, fit, code, effect, missing)
    return GridCause(
        code,
        effect,
        fit.effects[1:],
        missing,
        verdict,
        tolerance,
        sentence,
        f"{advice} {_GO_ON[verdict]}".strip(),
    )


def _code(grid: PlannedGrid, fit: GridFit, effect: GridEffect | None, missing: bool) -> CauseCode:
    if effect is not None:
        return effect.code
    if missing:
        return "missing_lines"
    half = 0.5 * float(np.median(grid.high_mm - grid.low_mm))
    wild = fit.scatter_mm > RANDOM_MM or np.deg2rad(fit.scatter_deg) * half > RANDOM_END_MM
    return "random_line_errors" if wild else "none"


_GO_ON: dict[Verdict, str] = {
    "not_measured": "The plan has too few twists to say what these lines do to it.",
    "within": "Folded along these lines the twists come out within the tolerance: go on.",
    "outside": "Folded along these lines some twists come out beyond the tolerance: mend the grid first, or crease "
    "a new sheet.",
    "too_close_to_call": "Whether the twists come out within the tolerance is too close to call: photograph the sheet "
    "again in stronger light across the creases, or fold on and check the first ring.",
}


def _words(
    grid: PlannedGrid, fit: GridFit, code: CauseCode, effect: GridEffect | None, missing: tuple[int, ...]
) -> tuple[str, str]:
    """What happened, and what helps."""
    if code == "none":
        return f"The lines lie true: they scatter by {fit.scatter_mm:.2f} mm.", ""
    if code == "random_line_errors":
        what = f"The lines scatter at random by {fit.scatter_mm:.2f} mm and {fit.scatter_deg:.2f} deg."
        return what, "Sharpen each crease along a straightedge, and divide by halving."
    if code == "missing_lines":
        named = ", ".join(_name(grid, k) for k in missing)
        return f"Lines that should be there do not show: {named}.", "Crease them."
    assert effect is not None
    if effect.code == "sheet_out_of_true":
        assert effect.side is not None
        where = float(fit.sides.normal_deg[effect.side]) % 360
        how = "too far in" if effect.size < 0 else "too far out"
        what = f"The side that faces {where:.0f} deg lies {abs(effect.size):.2f} mm {how} against the grid."
        return what, "Trim the sheet to the grid, or leave its rim out of the count."
    assert effect.family is not None
    normal = float(grid.normal_deg[grid.family == effect.family][0])
    if effect.code == "cumulative_drift":
        what = f"The lines across {normal:.0f} deg drift by {abs(effect.size):.2f} mm from one side to the other."
        return what, "Divide this direction by halving instead of stepping from one edge."
    way = "counter-clockwise" if effect.size > 0 else "clockwise"
    what = f"All lines across {normal:.0f} deg are turned {way} by {abs(effect.size):.2f} deg against the other two."
    return what, "Line this direction up with crossings of the other two before creasing it."


def _name(grid: PlannedGrid, k: int) -> str:
    return f"line {grid.number[k]:+d} across {grid.normal_deg[k]:.0f} deg"
