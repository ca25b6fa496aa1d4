"""What habit a piece's errors show, as `diagnosis` of result.json and as text for the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from foldtrue.handover_judge import Diagnosis
from foldtrue.measured import plus_minus
from foldtrue.report.result import as_json

Record = Mapping[str, Any]
KIND_WORDS = {
    "drift": "a drift of the grid",
    "rows": "rows that are off one by one",
    "hand_shift": "a shift between the hands",
    "turn_alike": "a turn of all twists alike",
    "overturn": "overturn",
    "size": "the size of the piece",
    "ring": "errors that grow with the rings",
    "border": "the border",
    "single": "a single twist",
}
_LEAST_TOLD = 0.05


def diagnosis_record(diagnosis: Diagnosis) -> dict[str, Any]:
    """`diagnosis` of result.json, as plain JSON values."""
    plain = as_json(asdict(diagnosis))
    assert isinstance(plain, dict)
    return plain


def diagnosis_text(record: Record) -> str:
    """Every finding with its advice, then the border; what is left is the folder's own scatter."""
    if record["reason"] is not None:
        return f"Habits: {record['reason']}"
    lines = [_finding(finding) for finding in record["findings"]]
    if not lines:
        lines = ["Habits: none stands out; the errors are as scattered as chance would have them."]
    scatter = f"{record['scatter_mm']:.2g} mm per axis and {record['scatter_deg']:.2g} deg"
    lines.append(f"Scatter without any habit, noise taken out: {scatter}.")
    if record["border"] is not None:
        lines.append(_border(record["border"]))
    return "\n".join(lines)


def _finding(finding: Record) -> str:
    parts = [finding["sentence"], finding["advice"]]
    shares = [
        f"{100 * finding[key]:.0f} % of the {what}"
        for key, what in (("share_position", "errors of place"), ("share_angle", "errors of turn"))
        if finding[key] is not None and finding[key] >= _LEAST_TOLD
    ]
    if shares:
        parts.append(f"Cured, {' and '.join(shares)} (mean square) would go.")
    if finding["rival"] is not None:
        parts.append(f"It may as well be {KIND_WORDS[finding['rival']]}: this piece alone does not tell the two apart.")
    return " ".join(parts)


def _border(border: Record) -> str:
    sizes = [plus_minus(border[f"{part}_mm"], border[f"{part}_u95_mm"], "mm") for part in ("border", "inner")]
    word = "differ" if border["p_value"] < 0.05 else "cannot be told apart"
    return f"Border twists scatter by {sizes[0]}, the others by {sizes[1]}: they {word} (p = {border['p_value']:.2g})."
