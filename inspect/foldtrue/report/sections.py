"""The parts of a report as rows of text, read from a result's record: what was measured and how, what the uncertainty
is made of, causes, pleats, closure; all but the verdict (`verdict_part.py`). Every figure in them is the record's own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from foldtrue.flags import FLAGS
from foldtrue.frames import PlaneMap
from foldtrue.measured import decimal_places, plus_minus
from foldtrue.report.diagnosis import diagnosis_text
from foldtrue.report.remedies import NAMES
from foldtrue.report.tables import BY, overturn_words
from foldtrue.report.units import Units

Record = Mapping[str, Any]
Facts = list[tuple[str, str]]
VIEW_WORDS = {
    "backlit": "against the light",
    "front": "from the front, lit from the camera's side",
    "back": "from behind, lit from the camera's side",
}
_WORST = 5


def summary_facts(record: Record, units: Units) -> Facts:
    """The piece in short."""
    whole = record["summary"]
    facts = [("Twists measured", f"{whole['measured']} of {whole['twists']}")]
    if whole["measured"]:
        facts += _errors(whole, units, record["plane"]["assumed"])
    facts.append(("Size against the plan", _size(record)))
    return facts


def _errors(whole: Record, units: Units, assumed: Sequence[str]) -> Iterator[tuple[str, str]]:
    place, turn = whole["worst_position"], whole["worst_angle"]
    mean = units.length(whole["position_mean_error_mm"], whole["position_mean_error_u95_mm"])
    yield "Mean error of place", f"{mean} ({100 * whole['position_mean_error_of_pitch']:.1f} % of the pitch)"
    yield "Mean error of turn", plus_minus(whole["angle_mean_error_deg"], whole["angle_mean_error_u95_deg"], "deg")
    yield "Worst place", f"{units.length(place['error_mm'], place['u95_mm'])}, twist {place['id']}"
    yield "Worst turn", f"{plus_minus(turn['error_deg'], turn['u95_deg'], 'deg')}, twist {turn['id']}"
    yield "Clearly off their place", f"{whole['position_clearly_off']} (error larger than its ±)"
    if whole["overturn_deg"] is not None:
        yield "Common overturn", f"{overturn_words(whole, assumed)}, taken out of all turns"


def _size(record: Record) -> str:
    fit = record["fit"]
    if fit["scale"] is None:
        return "not measured: nothing of known size was used"
    found = plus_minus(100 * fit["scale"], None if fit["scale_u95"] is None else 100 * fit["scale_u95"], "%")
    return f"{found} of the planned size, by {BY.get(record['plane']['reference'], record['plane']['reference'])}"


def size_facts(record: Record, units: Units) -> Facts:
    """Distances across the piece, planned and, where there is a scale, measured."""
    rows = []
    for pair in (record["outline"] or {"across": []})["across"]:
        i, j = pair["sides"]
        true = pair["true_mm"]
        found = "true size not measured" if true is None else f"measured {units.length(true, pair['true_u95_mm'])}"
        rows.append((f"Across, sides {i} and {j}", f"planned {units.plain(pair['planned_mm'], 4)}, {found}"))
    return rows


def how_measured(record: Record) -> Facts:
    """Photos, view, reference, versions."""
    photos = record.get("photos")
    used = [p for p in photos if p["status"] == "used"] if photos else []
    count = "1" if not photos else f"{len(used)} of {len(photos)} given, combined"
    views = dict.fromkeys(p["view"] for p in used) if used else [record["view"]]
    versions = record["provenance"]["versions"]
    parts = [f"{name} {version}" for name, version in versions.items() if name != "foldtrue" and version]
    return [
        ("Photos", count),
        ("View", "; ".join(VIEW_WORDS.get(view, str(view)) for view in views)),
        ("Side", _side(record)),
        ("Of known size", _reference(record)),
        ("Limits of the view", "errors are given after the best fit of the whole plan to the whole piece"),
        ("Measured with", f"foldtrue {versions['foldtrue']}"),
        ("Program parts", ", ".join(parts) or "not recorded"),
    ]


def _side(record: Record) -> str:
    taken = ", which the photo cannot tell" if "side_assumed" in record["plane"]["assumed"] else ""
    return f"the {'back' if record['side'] == 'back' else 'front'} faced the camera{taken}"


def _reference(record: Record) -> str:
    found = BY.get(record["plane"]["reference"])
    if found is None:
        return "nothing: millimetres are those of the plan"
    taken = {"sheet_assumed", "card_assumed", "scan_assumed"} & set(record["plane"]["assumed"])
    return f"{found}, taken to be one" if taken else found


def sources(record: Record) -> Facts:
    """The files it rests on, by name and checksum."""
    origin = record["provenance"]
    photos = record.get("photos") or [{"name": origin["photo"]["name"], "provenance": origin, "status": "used"}]
    rows = [("Plan", f"{origin['plan']['name']}, {origin['plan']['sha256'][:16]}")]
    for photo in photos:
        found = photo["provenance"]
        mark = f", {found['photo']['sha256'][:16]}" if found else ""
        rows.append(("Photo", f"{photo['name']}{mark}, {photo['status'].replace('_', ' ')}"))
    return rows


def flag_notes(names: Sequence[str]) -> list[tuple[str, str]]:
    """What each flag means and what helps, once each."""
    known = [(name, FLAGS.get(name)) for name in dict.fromkeys(names)]
    return [
        (name.replace("_", " "), name if flag is None else f"{flag.sentence} {flag.advice}") for name, flag in known
    ]


def quality_facts(record: Record, units: Units) -> Facts:
    """What the photo gave to measure."""
    fit, seen = record["fit"], Counter(edge["status"] for edge in record["edges"])
    facts = [("Resolution on the piece", units.density(_px_per_mm(record)))]
    if "blur_px" in fit:
        why = "" if record["view"] == "backlit" else ": it is told only against the light"
        blur = f"not measured{why}" if fit["blur_px"] is None else f"{fit['blur_px']:.2g} px"
        facts.append(("Blur of edges (median)", blur))
    rms = fit["sample_rms_px"]
    facts.append(("Scatter along edges (RMS)", "not measured" if rms is None else f"{rms:.2g} px"))
    facts.append(("Edges seen", f"{seen['measured']} of {len(record['edges'])}"))
    flags = Counter(name for twist in record["twists"] for name in twist["flags"])
    flagged = ", ".join(f"{name.replace('_', ' ')} ({count})" for name, count in flags.most_common())
    facts.append(("Remarks on twists", flagged or "none"))
    return [*facts, *_repeatability(record, units)]


def _repeatability(record: Record, units: Units) -> Facts:
    """How far single photos of the piece scatter, where there were several."""
    found = record.get("repeatability")
    if not found:
        return []
    place = units.length(found["position_std_mm"], found["position_std_u95_mm"])
    turn = plus_minus(found["angle_std_deg"], found["angle_std_u95_deg"], "deg")
    return [("Repeatability of one photo", f"{place} per axis, {turn} (standard deviations)")]


def _px_per_mm(record: Record) -> float:
    """Of the photo, at the middle of the plan's twists."""
    fit = record["fit"]
    plane = PlaneMap(
        np.array(fit["homography"], float), fit["k1"], np.array(fit["lens_centre_px"], float), fit["lens_focal_px"]
    )
    middle = np.mean([twist["planned_mm"] for twist in record["twists"]], axis=0, keepdims=True)
    return float(np.sqrt(abs(np.linalg.det(plane.jacobian(middle)[0]))))


@dataclass(frozen=True)
class TermRow:
    """One term of the uncertainty. place_share, turn_share: of the mean variance over the measured twists."""

    term: str
    place_share: float
    place: str
    turn_share: float
    turn: str


def _term(variance: float, whole: float, unit: str, scale: float) -> str:
    """Share and size of a term: '36 %, ± 0.03 mm'."""
    share, u95 = 100 * variance / whole, variance**0.5 / scale
    size = "0" if u95 == 0 else f"{u95:.{max(decimal_places(u95), 0)}f}"
    return f"{'< 1' if 0 < share < 0.5 else f'{share:.0f}'} %, ± {size} {unit}"


def budget_rows(record: Record, units: Units) -> list[TermRow]:
    """What the uncertainty of places and turns is made of, the largest term of places first; root mean squares over the
    measured twists. Empty where the result does not tell."""
    budgets = [twist["budget"]["terms"] for twist in record["twists"] if twist.get("budget")]
    if not budgets:
        return []
    place, turn = (
        {term: float(np.mean([b[term][figure] ** 2 for b in budgets])) for term in budgets[0]}
        for figure in ("position_u95_mm", "angle_u95_deg")
    )
    all_place, all_turn = sum(place.values()) or 1.0, sum(turn.values()) or 1.0
    return [
        TermRow(
            NAMES.get(term, term.replace("_", " ")),
            place[term] / all_place,
            _term(place[term], all_place, units.label, units.mm),
            turn[term] / all_turn,
            _term(turn[term], all_turn, "deg", 1.0),
        )
        for term in sorted(place, key=lambda name: -place[name])
    ]


def budget_notes(record: Record) -> list[str]:
    """What leads, and what helps against it: sentences of the result, which say their units."""
    leads = record["summary"].get("uncertainty_leads")
    if not leads:
        return []
    return [f"{name}: {leads[key]['advice']}" for name, key in (("Places", "position"), ("Turns", "angle"))]


def causes(record: Record) -> list[str] | None:
    """What looks like a habit in the errors, sentence by sentence as the terminal says it; None where it was not looked
    for."""
    found = record.get("diagnosis")
    return None if found is None else diagnosis_text(found).split("\n")


def pleat_rows(record: Record, units: Units) -> tuple[str, list[tuple[str, ...]]]:
    """How many pleats were measured, and the worst of them: name, planned width, width error, parallelism."""
    measured = [pleat for pleat in record["pleats"] if pleat["width_error_mm"] is not None]
    worst = sorted(measured, key=lambda pleat: -abs(pleat["width_error_mm"]))[:_WORST]
    rows: list[tuple[str, ...]] = [
        (
            pleat["id"],
            units.plain(pleat["planned_width_mm"]),
            units.length(pleat["width_error_mm"], pleat["width_u95_mm"]),
            "none by the plan"
            if "no_mountain_edge" in pleat["flags"]
            else plus_minus(pleat["parallelism_deg"], pleat["parallelism_u95_deg"], "deg"),
        )
        for pleat in worst
    ]
    return _counted(len(measured), len(record["pleats"])), rows


def closure_rows(record: Record, units: Units) -> tuple[str, list[tuple[str, ...]]]:
    """How many nodes were measured, and the worst of them: place on the plan, closure, largest gap."""
    measured = [node for node in record["nodes"] if node["closure_rms_mm"] is not None]
    worst = sorted(measured, key=lambda node: -node["closure_rms_mm"])[:_WORST]
    rows: list[tuple[str, ...]] = [
        (
            ", ".join(f"{axis} {value / units.mm:.3g}" for axis, value in zip("xy", node["planned_mm"], strict=True))
            + f" {units.label}",
            units.length(node["closure_rms_mm"], node["closure_u95_mm"]),
            units.length(node["largest_gap_mm"], node["gap_u95_mm"]),
        )
        for node in worst
    ]
    return _counted(len(measured), len(record["nodes"])), rows


def _counted(measured: int, planned: int) -> str:
    return f"{measured} of {planned} measured" if planned else "not measured"


def across_rows(record: Record, units: Units) -> list[tuple[str, ...]]:
    """Of the outline: sides, planned distance, error against the other directions."""
    return [
        (
            f"{pair['sides'][0]} and {pair['sides'][1]}",
            units.plain(pair["planned_mm"], 4),
            units.length(pair["relative_error_mm"], pair["relative_u95_mm"]),
        )
        for pair in (record["outline"] or {"across": []})["across"]
    ]
