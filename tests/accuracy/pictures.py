r"""Measure a folder of pictures with exact truth that this project did not make, and say how far off the figures are.

    FOLDTRUE_PHOTOS=FOLDER .venv/bin/python tests/accuracy/pictures.py \
        [--kind KIND] [--view VIEW] [--doc] [--keep FOLDER] [NAME ...]

FOLDER/rendered holds NAME.jpg and NAME.json: the plan's layout, and for every twist where it is in the picture and how
far it is off. Each is measured as its user would: the plan made from that layout, the photo, nothing else; --view says
how it was lit. The judging is in judging.py; docs/accuracy.md describes it and keeps the tables (--doc renews those of
the kinds that were measured). --keep writes every NAME/result.json for a second opinion. The exit code is 1 when a
picture that shows no such piece was measured, or a twist was taken for another.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from judging import Score, Truth, misses, scale_figures, score, turns_alike
from tables import cell, put, table

from foldtrue.errors import FoldtrueError
from foldtrue.inspection import InspectOptions, inspect_photo
from foldtrue.plan.file import parse_plan
from foldtrue.report.result import result_record

COLUMNS = (
    ("share", "seen", ".2f"),
    ("wrong", "wrong", "d"),
    ("position_rms_mm", "pos RMS mm", ".3f"),
    ("position_p95_mm", "p95", ".3f"),
    ("position_max_mm", "max", ".3f"),
    ("gain", "gain", ".2f"),
    ("angle_rms_deg", "angle RMS deg", ".3f"),
    ("angle_max_deg", "max", ".3f"),
    ("overturn_error_deg", "overturn", "+.3f"),
    ("cover_position", "cover pos", ".2f"),
    ("cover_angle", "angle", ".2f"),
    ("cover_relative", "relative", ".2f"),
)
SCALE = (("scale_error", "size by the sheet", "+.4f"), ("scale_held", "held", ".0f"))
LARGE_PX = 10_000_000
"""Of 12 megapixels, what is asked of accuracy is asked of; the others have 2 or 3."""
MARKS = {"backlit": "pictures", "front": "pictures-front"}
GROUPED = (
    "pictures", "measured", "seen", "wrong", "turns wrong", "pos RMS mm", "median", "angle RMS deg", "median",
    "overturn RMS", "gain median", "worst", "cover pos", "angle", "relative",
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """One picture: kind, renderer and size from its truth, whether it must be measured, its score or why there is none.

    named: the score once the view is said, where it was declined without.
    """

    name: str
    kind: str
    renderer: str
    large: bool
    wanted: bool
    score: Score | None
    reason: str
    false: bool = False
    named: Score | None = None


def plan_of(layout: dict):
    return parse_plan(
        {
            "format": "foldtrue-plan",
            "version": 1,
            "name": "outside picture",
            "sheet": {"shape": "hexagon", "height_mm": layout["sheet_height_mm"]},
            "grid": {"kind": "point-to-point", "divisions": layout["N"]},
            "twists": {"recipe": "honeycomb", "spacing": layout["L"], "rings": layout["rings"]},
        }
    )


def truth_of(data: dict) -> Truth:
    twists = data["twists"]
    return Truth(
        planned_mm=np.array([t["ideal_xy_mm"] for t in twists]),
        error_mm=np.array([[t["abs"]["dx"], t["abs"]["dy"]] for t in twists]),
        turn_deg=np.array([t["abs"]["rot_deg"] for t in twists]),
        hand=np.array([t["hand"] for t in twists], float),
        px=np.array([t["px"] for t in twists], float),
        seen=np.array([t["in_frame"] for t in twists]),
        mm_per_px=data["mm_per_px"],
        level="similarity" if data.get("a4") else "homography",
    )


def judge(folder: Path, name: str, view: str = "auto", keep: Path | None = None) -> Outcome:
    """Measure one picture and judge what comes out."""
    data = json.loads((folder / f"{name}.json").read_text())
    wanted = data["expected"] == "measure"
    camera = data["camera"]
    large = camera["width"] * camera["height"] > LARGE_PX
    head = (name, data["kind"], data["renderer"], large, wanted)
    try:
        inspection = inspect_photo(folder / f"{name}.jpg", plan_of(data["plan"]["layout"]), InspectOptions(view=view))
    except FoldtrueError as error:
        return Outcome(*head, None, f"{type(error).__name__}: {error.what}")
    record = result_record(inspection)
    if keep is not None:
        (keep / name).mkdir(parents=True, exist_ok=True)
        (keep / name / "result.json").write_text(json.dumps(record))
    if not wanted:
        claimed = any(t["status"] == "measured" for t in record["twists"])
        return Outcome(*head, None, "FALSE REPORT" if claimed else "measured nothing", claimed)
    truth = truth_of(data)
    alike = turns_alike(inspection.nominal.symmetry[inspection.plane.view], record["plane"]["assumed"])
    found = misses(truth, record["twists"], alike)
    if found is None:
        return Outcome(*head, None, "NO SITE MATCHES", True)
    error, held = scale_figures(truth, found.site, record["fit"])
    return Outcome(*head, replace(score(truth, found), scale_error=error, scale_held=held), "")


def picture_rows(outcomes: list[Outcome]) -> list[str]:
    """One line for every picture that was measured."""
    rows = []
    scaled = any(o.score is not None and o.score.scale_error == o.score.scale_error for o in outcomes)
    columns = (*COLUMNS, *(SCALE if scaled else ()))
    for o in outcomes:
        if o.score is not None:
            cells = [cell(getattr(o.score, key), form) for key, _, form in columns]
            rows.append((o.name + ("" if o.score.upright else " (turn wrong)"), *cells))
    return table(("picture", *(c[1] for c in columns)), rows)


def summary_rows(outcomes: list[Outcome]) -> list[str]:
    """One line for every renderer and kind, over all its pictures that show a piece; where these are of several sizes,
    one for the large ones and one for the others too."""
    rows = []
    for group in sorted({(o.kind, o.renderer) for o in outcomes if o.wanted}):
        mine = [o for o in outcomes if o.wanted and (o.kind, o.renderer) == group]
        parts = {
            "": mine,
            ", 12 megapixels": [o for o in mine if o.large],
            ", smaller": [o for o in mine if not o.large],
        }
        for size, some in parts.items():
            if not some or (size and len(some) == len(mine)):
                continue
            done = [o.score for o in some if o.score is not None]
            count = f"{len(done)} of {len(some)}"
            rows.append((" ".join(group) + size, count, *(_summary(done) if done else ["-"] * 13)))
    return table(GROUPED, rows)


def _summary(done: list[Score]) -> list[str]:
    def values(key):
        return np.array([getattr(s, key) for s in done], float)

    def rms(key):
        return cell(float(np.sqrt(np.mean(values(key) ** 2))))

    gain = values("gain")[np.isfinite(values("gain"))]
    return [
        cell(float(values("share").mean())),
        str(int(values("wrong").sum())),
        str(sum(not s.upright for s in done)),
        *(
            f(key)
            for key in ("position_rms_mm", "angle_rms_deg")
            for f in (rms, lambda k: cell(float(np.median(values(k)))))
        ),
        rms("overturn_error_deg"),
        *(cell(float(f(gain)), ".2f") if len(gain) else "-" for f in (np.median, np.max)),
        *(cell(float(values(f"cover_{k}").mean())) for k in ("position", "angle", "relative")),
    ]


def refusals(outcomes: list[Outcome]) -> list[str]:
    """What was declined: pieces missed with the reason, counted where many share it, and what had to be declined."""
    missed = [o for o in outcomes if o.wanted and o.score is None]
    lines = []
    for reason in sorted({o.reason for o in missed}):
        names = [o.name for o in missed if o.reason == reason]
        lines.append(f"- Not measured, {len(names)}: {', '.join(names)}. {reason}")
        lines += [
            f"    - {o.name} with --view {o.kind}: {_said(o.named)}" for o in missed if o.reason == reason and o.named
        ]
    right = [o for o in outcomes if not o.wanted and not o.false]
    false = [o.name for o in outcomes if not o.wanted and o.false]
    total = len(right) + len(false)
    lines.append(
        f"- To be declined: {len(right)} of {total} were ({', '.join(o.name for o in right)}); "
        f"false reports: {', '.join(false) or 'none'}."
    )
    return lines


def _said(s: Score) -> str:
    cover = " / ".join(cell(c, ".2f") for c in (s.cover_position, s.cover_angle, s.cover_relative))
    return (
        f"seen {s.share:.2f}, wrong {s.wrong}, pos RMS {s.position_rms_mm:.3f} mm (gain {cell(s.gain, '.2f')}), "
        f"angle RMS {s.angle_rms_deg:.3f} deg, cover {cover}."
    )


def judge_all(folder: Path, name: str, kind: str, view: str, keep: Path | None) -> Outcome:
    """The picture's outcome, and for a piece that is declined what saying the view changes."""
    first = judge(folder, name, view, keep)
    if first.score is not None or not first.wanted or view != "auto":
        return first
    return replace(first, named=judge(folder, name, kind).score)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=["backlit", "front", "all"], default="all")
    parser.add_argument("--view", choices=["auto", "backlit", "front", "back"], default="auto")
    parser.add_argument("--doc", action="store_true", help="renew the tables in docs/accuracy.md")
    parser.add_argument("--keep", type=Path, help="folder for every picture's result.json")
    parser.add_argument("names", nargs="*")
    options = parser.parse_args()
    root = os.environ.get("FOLDTRUE_PHOTOS")
    if not root:
        print("FOLDTRUE_PHOTOS is not set: nothing to measure.")
        return 0
    folder = Path(root) / "rendered"
    done: dict[str, list[Outcome]] = {}
    for name in options.names or [f.stem for f in sorted(folder.glob("*.json"))]:
        kind = json.loads((folder / f"{name}.json").read_text())["kind"]
        if options.kind in ("all", kind):
            done.setdefault(kind, []).append(judge_all(folder, name, kind, options.view, options.keep))
            print(f"{name}: {done[kind][-1].reason or done[kind][-1].score}", file=sys.stderr, flush=True)
    for kind, outcomes in done.items():
        lines = [*summary_rows(outcomes), "", *picture_rows(outcomes), "", *refusals(outcomes)]
        print("\n".join(lines))
        if options.doc:
            put(MARKS[kind], lines)
    every = [o for outcomes in done.values() for o in outcomes]
    return int(any(o.false or (o.score is not None and o.score.wrong > 0) for o in every))


if __name__ == "__main__":
    sys.exit(main())
