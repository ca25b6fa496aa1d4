"""Several photos of one piece: what result.json and the terminal say beyond the figures of the piece."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from foldtrue.handover import Inspection
from foldtrue.handover_pool import PooledInspection, PooledPhoto, Repeatability
from foldtrue.measured import COVERAGE_95, plus_minus
from foldtrue.report.files import PHOTOS
from foldtrue.report.result import as_json, result_record
from foldtrue.report.tables import piece_text, summary_text
from foldtrue.report.write import write_report

Record = Mapping[str, Any]
_LIMIT = 2.8
"""Two single measurements differ by less than this many standard deviations in 95 of 100 cases: 1.96 times the square
root of 2 (repeatability limit, ISO 5725 [from memory])."""
_ALIKE = 0.99
"""Probability above which the photos agree better than what each claims."""


def pooled_record(pooled: PooledInspection) -> dict[str, Any] | None:
    """result.json of the piece: that of one photo, with `photos` and `repeatability`; None where there are no figures
    of one piece."""
    return None if pooled.inspection is None else {**result_record(pooled.inspection), **pooled_part(pooled)}


def pooled_part(pooled: PooledInspection) -> dict[str, Any]:
    """`photos` and `repeatability` of result.json, as plain JSON values."""
    part = {
        "photos": [_photo(photo, folder) for photo, folder in zip(pooled.photos, folders(pooled.photos), strict=True)],
        "repeatability": None if pooled.repeatability is None else _repeatability(pooled.repeatability),
    }
    plain = as_json(part)
    assert isinstance(plain, dict)
    return plain


def write_pooled(
    pooled: PooledInspection, out_dir: Path | str, assess: Callable[[Inspection, Record], Record] | None = None
) -> Record | None:
    """Write the piece's files into `out_dir`, and each measured photo's own into a folder of its name below `photos`;
    assess: as in `write_report`, of the piece alone.

    Photos that were used are told on the orientation of the plan that is the piece's. Gives result.json's content,
    None where there are no figures of one piece. Raises UnreadableFile when a file cannot be written.
    """
    folder = Path(out_dir)
    for photo, name in zip(pooled.photos, folders(pooled.photos), strict=True):
        if photo.inspection is not None and name is not None:
            write_report(photo.inspection, folder / name)
    if pooled.inspection is None:
        return None
    return write_report(pooled.inspection, folder, more=pooled_part(pooled), assess=assess).record


def folders(photos: Sequence[PooledPhoto]) -> list[str | None]:
    """Where each photo's own files go below the result's folder, None for those that were not measured."""
    out: list[str | None] = []
    for photo in photos:
        stem, count = Path(photo.name).stem, 1
        name = f"{PHOTOS}/{stem}"
        while name in out:
            count += 1
            name = f"{PHOTOS}/{stem}-{count}"
        out.append(name if photo.inspection is not None else None)
    return out


def _photo(photo: PooledPhoto, folder: str | None) -> dict[str, Any]:
    found = photo.inspection
    return {
        "name": photo.name,
        "status": photo.status,
        "reason": photo.reason or None,
        "flags": photo.flags,
        "provenance": None if found is None else found.provenance,
        "folder": folder,
        "view": None if found is None else found.plane.view,
        "side": None if found is None else found.plane.side,
        "plan_turn_deg": photo.plan_turn_deg,
        "mirrored": photo.mirrored if photo.status == "used" else None,
        "measured": None if found is None else int(found.fit.measured.sum()),
        "chi_square": photo.chi_square,
        "freedoms": photo.freedoms,
        "p_value": photo.p_value,
    }


def _repeatability(found: Repeatability) -> dict[str, Any]:
    return {
        "position_std_mm": found.position_std_mm,
        "position_std_u95_mm": _u95(found.position_std_mm, found.position_freedoms),
        "position_limit_mm": _LIMIT * found.position_std_mm,
        "position_freedoms": found.position_freedoms,
        "angle_std_deg": found.angle_std_deg,
        "angle_std_u95_deg": _u95(found.angle_std_deg, found.angle_freedoms),
        "angle_limit_deg": _LIMIT * found.angle_std_deg,
        "angle_freedoms": found.angle_freedoms,
        "chi_square": found.chi_square,
        "freedoms": found.chi_freedoms,
        "p_value": found.p_value,
        "widened": found.widened,
    }


def _u95(std: float, freedoms: int) -> float | None:
    """Of a standard deviation of normal values: std / sqrt(2 n) is its own."""
    return COVERAGE_95 * std / (2 * freedoms) ** 0.5 if freedoms else None


def pooled_text(pooled: PooledInspection, record: Record | None) -> str:
    """What the terminal shows: what became of each photo, how well they repeat, and the piece's figures; without those,
    each photo's summary."""
    lines = [_photos_line(pooled), *(_photo_line(photo) for photo in pooled.photos)]
    if record is None:
        measured = [(p.name, p.inspection) for p in pooled.photos if p.inspection is not None]
        return "\n\n".join(["\n".join(lines), *(_alone(name, found) for name, found in measured)])
    if pooled.repeatability is not None:
        lines += _repeatability_lines(record["repeatability"])
    return "\n".join(lines) + "\n\n" + piece_text(record)


def _alone(name: str, found: Inspection) -> str:
    return f"{name}: {summary_text(result_record(found))}"


def _photos_line(pooled: PooledInspection) -> str:
    used, given = sum(p.status == "used" for p in pooled.photos), len(pooled.photos)
    if pooled.inspection is None:
        return f"{given} photos, and no figures of one piece."
    if used == 1:
        return f"1 of {given} photos could be measured; these are its figures alone."
    shown = pooled.inspection.provenance["photo"]["name"]
    return f"Figures of one piece from {used} of {given} photos, drawn in {shown}."


def _photo_line(photo: PooledPhoto) -> str:
    if photo.inspection is None:
        return f"  {photo.name}: refused. {photo.reason.removeprefix(photo.name + ': ')}"
    plane = photo.inspection.plane
    seen = f"{plane.view if plane.view != 'backlit' else 'backlit, ' + plane.side}"
    if photo.status == "left_out":
        return f"  {photo.name}: {seen}, left out. {photo.reason}"
    turn = f", plan turned by {photo.plan_turn_deg:g} deg" if photo.plan_turn_deg else ""
    mirror = ", seen from behind after all" if photo.mirrored and plane.side == "back" else ""
    mirror = ", seen from the front after all" if photo.mirrored and plane.side == "front" else mirror
    return f"  {photo.name}: {seen}{mirror}{turn}."


def _repeatability_lines(found: Record) -> list[str]:
    place = plus_minus(found["position_std_mm"], found["position_std_u95_mm"], "mm")
    turn = plus_minus(found["angle_std_deg"], found["angle_std_u95_deg"], "deg")
    limits = f"{found['position_limit_mm']:.2g} mm and {found['angle_limit_deg']:.2g} deg"
    lines = [
        f"Repeatability of one photo (standard deviation): {place} per axis, {turn}; "
        f"two photos differ by less than {limits} in 95 of 100 cases."
    ]
    square = f"chi-square {found['chi_square']:.0f}, {found['freedoms']} degrees of freedom"
    if found["widened"] > 1:
        lines.append(
            f"The photos differ by more than they claim ({square}): the piece's uncertainties are multiplied by "
            f"{found['widened']:.2f}."
        )
    elif found["p_value"] > _ALIKE:
        lines.append(
            f"The photos agree better than they claim ({square}): what limits them is mostly the same in all, and more "
            "photos of the kind do not take it away."
        )
    else:
        lines.append(f"The photos differ as much as they claim ({square}).")
    return lines
