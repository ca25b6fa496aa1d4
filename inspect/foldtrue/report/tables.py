"""The figures as text: twists.csv, pleats.csv, and the summary and table for the terminal. All read from the result's
record."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from typing import Any

from foldtrue.flags import FLAGS
from foldtrue.measured import decimal_places, plus_minus
from foldtrue.report.remedies import NAMES

Record = Mapping[str, Any]

_COLUMNS = (
    "id",
    "kind",
    "ring",
    "border",
    "hand",
    "planned_x_mm",
    "planned_y_mm",
    "status",
    "position_error_x_mm",
    "position_error_y_mm",
    "position_u95_mm",
    "angle_error_deg",
    "angle_u95_deg",
    "angle_relative_u95_deg",
    "overturn_deg",
    "size_error",
    "size_u95",
    "position_leads",
    "angle_leads",
    "centre_x_px",
    "centre_y_px",
    "flags",
)
_PLEAT_COLUMNS = (
    "id",
    "twists",
    "status",
    "edges_seen",
    "planned_width_mm",
    "width_error_mm",
    "width_u95_mm",
    "parallelism_deg",
    "parallelism_u95_deg",
    "straightness_mm",
    "straightness_u95_mm",
    "flags",
)
BY = {
    "A4": "the sheet of A4 under it",
    "Letter": "the sheet of Letter under it",
    "card": "the card beside it",
    "mat": "the printed mat",
    "scan": "the scan's resolution",
    "corners": "the rectangle that was pointed at",
}
_PAIRS = {"planned_mm": "planned_{}_mm", "position_error_mm": "position_error_{}_mm", "centre_px": "centre_{}_px"}


def twists_csv(record: Record) -> str:
    """One line a twist, in the plan's order; empty where nothing was measured. Flags are separated by blanks."""
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    for twist in record["twists"]:
        row = {
            **twist,
            **(twist.get("budget") or {}),
            "border": "yes" if twist["border"] else "no",
            "flags": " ".join(twist["flags"]),
        }
        for pair, column in _PAIRS.items():
            row |= dict(zip((column.format("x"), column.format("y")), twist[pair] or (None, None), strict=True))
        writer.writerow(row)
    return text.getvalue()


def pleats_csv(record: Record) -> str:
    """One line a pleat, in the plan's order; lists are separated by blanks, and cells are empty where nothing was
    measured."""
    text = io.StringIO()
    writer = csv.DictWriter(text, _PLEAT_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for pleat in record["pleats"]:
        lists = {name: " ".join(pleat[name]) for name in ("twists", "edges_seen", "flags")}
        writer.writerow({**pleat, **lists})
    return text.getvalue()


def piece_text(record: Record) -> str:
    """What the terminal shows: summary, table, and what the flags in it mean."""
    return "\n\n".join(part for part in (summary_text(record), twist_table(record), flag_notes(record)) if part)


def summary_text(record: Record) -> str:
    """A few lines: what was measured, how far off on the whole, the worst twist, what the figures rest on."""
    whole, plane = record["summary"], record["plane"]
    side = "from behind" if record["side"] == "back" else "from the front"
    lit = "against the light, " if record["view"] == "backlit" else ""
    name = record["provenance"].get("plan", {}).get("name", "the plan")
    lines = [
        f"{whole['measured']} of {whole['twists']} twists measured after {name}, {lit}{side}, "
        f"plan turned {plane['turn_deg']:.1f} deg in the photo."
    ]
    lines += _progress(record)
    if whole["measured"]:
        lines += _figures(whole, record["plane"]["assumed"])
        lines += _shape(record)
        lines += leading_lines(whole.get("uncertainty_leads"))
    if record["fit"]["scale"] is not None:
        size = plus_minus(record["fit"]["scale"], record["fit"]["scale_u95"], "")
        lines.append(f"Size of the piece by {BY[plane['reference']]}: {size} of the planned one.")
    if record["fit"]["stretch_x"] is not None:
        lines.append(_form(record["fit"], BY[plane["reference"]]))
    lines += lens_lines(record["fit"])
    lines += [_sentence(name) for name in plane["assumed"]]
    return "\n".join(lines)


def lens_lines(fit: Record) -> list[str]:
    """Which kept lens the figures rest on; nothing where none was used."""
    prior = fit.get("lens_prior") or {}
    if prior.get("rests_on") != "kept":
        return []
    known = plus_minus(prior["k1"], prior["k1_u95_counted"], "")
    return [f"Lens: k1 {known} was known beforehand, kept of {prior['camera']} at {prior['focal_35mm']:g} mm."]


def _progress(record: Record) -> list[str]:
    """How far the piece has come, where that was asked; nothing of a piece measured against the whole plan."""
    progress = record.get("progress")
    if progress is None:
        return []
    if progress["finished"]:
        return ["The piece is finished: every twist of the plan is folded, and all are measured."]
    rival = "no other stage fits"
    if progress["rival"] is not None:
        rival = f"{progress['rival']} folded would fit {progress['rival_score']:.2f}"
    told = "as was said" if progress["said"] else "as the picture shows"
    return [
        f"Half-done piece, {told}: {progress['stage']} folded (fit {progress['score']:.2f}; {rival}); "
        f"{record['summary']['not_made']} twists not made yet."
    ]


def _form(fit: Record, reference: str) -> str:
    """Stretch and shear of the whole piece, which a known plane leaves in its twists' errors."""
    stretch = plus_minus(100 * fit["stretch_x"], 100 * fit["stretch_x_u95"], "%")
    shear = plus_minus(fit["shear_deg"], fit["shear_u95_deg"], "deg")
    return (
        f"The photo's plane is known by {reference}, so the errors hold the shape of the whole piece: "
        f"along x longer than along y by {stretch}, sheared by {shear}."
    )


def _figures(whole: Record, assumed: Sequence[str]) -> list[str]:
    position, angle = whole["worst_position"], whole["worst_angle"]
    mean_mm = plus_minus(whole["position_mean_error_mm"], whole["position_mean_error_u95_mm"], "mm")
    mean_deg = plus_minus(whole["angle_mean_error_deg"], whole["angle_mean_error_u95_deg"], "deg")
    lines = [
        f"Mean error, noise taken out: {mean_mm} ({100 * whole['position_mean_error_of_pitch']:.1f} % of the pitch), "
        f"{mean_deg}.",
        f"Worst place: {position['id']}, {plus_minus(position['error_mm'], position['u95_mm'], 'mm')}. "
        f"Worst turn: {angle['id']}, {plus_minus(angle['error_deg'], angle['u95_deg'], 'deg')}.",
        f"Clearly off their place (error larger than its uncertainty): {whole['position_clearly_off']}.",
    ]
    if whole["overturn_deg"] is not None:
        lines.append(
            f"Common overturn: {overturn_words(whole, assumed)}; taken out of all turns here and in the table."
        )
    return lines


def overturn_words(whole: Record, assumed: Sequence[str]) -> str:
    """The common overturn of a summary, or, where the photo does not tell it, that, and what was taken for it."""
    overturn = plus_minus(whole["overturn_deg"], whole["overturn_u95_deg"], "deg")
    return f"not measured, taken as {overturn}" if "overturn_not_told" in assumed else overturn


def _shape(record: Record) -> list[str]:
    """Worst pleat, worst closure and the outline, one short line each; those of which nothing was measured are left
    out."""
    lines = []
    pleats = [pleat for pleat in record["pleats"] if pleat["width_error_mm"] is not None]
    if pleats:
        worst = max(pleats, key=lambda pleat: abs(pleat["width_error_mm"]))
        width = plus_minus(worst["width_error_mm"], worst["width_u95_mm"], "mm")
        lines.append(
            f"Worst of {len(pleats)} pleats measured: {worst['id']}, {width} of {worst['planned_width_mm']:.1f} mm."
        )
    nodes = [node for node in record["nodes"] if node["closure_rms_mm"] is not None]
    if nodes:
        worst = max(nodes, key=lambda node: node["closure_rms_mm"])
        x, y = worst["planned_mm"]
        closure = plus_minus(worst["closure_rms_mm"], worst["closure_u95_mm"], "mm")
        lines.append(f"Worst closure: {closure}, at x {x:.0f}, y {y:.0f} mm of the plan.")
    across = [pair for pair in (record["outline"] or {"across": []})["across"] if pair["relative_error_mm"] is not None]
    if across:
        worst = max(across, key=lambda pair: abs(pair["relative_error_mm"]))
        off = plus_minus(worst["relative_error_mm"], worst["relative_u95_mm"], "mm")
        i, j = worst["sides"]
        lines.append(f"Outline: the distance most unlike the others is that of sides {i} and {j}, {off}.")
    return lines


def leading_lines(leads: Record | None) -> list[str]:
    """What leads in the uncertainty of places and turns, and what helps; one line where both have one cause and one
    cure."""
    if leads is None:
        return []
    said: dict[tuple[str, str], list[str]] = {}
    for name, lead in (("places", leads["position"]), ("turns", leads["angle"])):
        said.setdefault((lead["term"], lead["advice"]), []).append(
            f"{name} ({100 * lead['share']:.0f} % of the variance)"
        )
    return [
        f"Largest cause of uncertainty of {' and '.join(parts)}: {NAMES[term]}. {advice}"
        for (term, advice), parts in said.items()
    ]


def twist_table(record: Record) -> str:
    """All twists that are made, worst place first, those not measured last."""
    overturn = record["fit"]["overturn_deg"] or 0.0
    made = [twist for twist in record["twists"] if twist["status"] != "not_made"]
    rows = [_row(twist, overturn) for twist in sorted(made, key=_badness)]
    head = ("twist", "ring", "hand", "off by, mm", "x, mm", "y, mm", "turn, deg", "flags")
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    return "\n".join(_line(row, widths) for row in [head, *rows])


def _badness(twist: Record) -> tuple[bool, float]:
    error = twist["position_error_mm"]
    return (error is None, -math.hypot(*error) if error else 0.0)


def _row(twist: Record, overturn: float) -> tuple[str, ...]:
    flags = ", ".join(twist["flags"])
    start = (twist["id"], str(twist["ring"]) + (" rim" if twist["border"] else ""), twist["hand"])
    error = twist["position_error_mm"]
    if error is None:
        return (*start, "not measured", "", "", "", flags)
    u95 = twist["position_u95_mm"]
    places = max(decimal_places(u95), 0) if u95 else 3
    x, y = (f"{round(value, places) + 0.0:+.{places}f}" for value in error)  # + 0.0 turns -0.0 into 0.0
    hand = 1 if twist["hand"] == "ccw" else -1
    turned = plus_minus(twist["angle_error_deg"] - hand * overturn, twist["angle_relative_u95_deg"], "")
    return (*start, plus_minus(math.hypot(*error), u95, ""), x, y, turned, flags)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    left = (0, 1, 2, 7)
    padded = [c.ljust(w) if i in left else c.rjust(w) for i, (c, w) in enumerate(zip(cells, widths, strict=True))]
    return "  ".join(padded).rstrip()


def flag_notes(record: Record) -> str:
    """What each flag in the table means and what helps, once each; empty when no twist is flagged."""
    names = dict.fromkeys(name for twist in record["twists"] for name in twist["flags"])
    return "\n".join(f"{name}: {_sentence(name)}" for name in names)


def _sentence(name: str) -> str:
    flag = FLAGS.get(name)
    return name if flag is None else f"{flag.sentence} {flag.advice}"
