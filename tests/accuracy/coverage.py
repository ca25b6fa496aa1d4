"""Whether the stated 95 % intervals hold the truth in scenes drawn from the budget's own distributions, over all.

    .venv/bin/python tests/accuracy/coverage.py [--count N] [--processes 1|2] [--store FILE] [--doc]

Views, references, tilts, distances, lenses, thicknesses: scenes.py::budget_photo draws them and measures. Wanted: 93 to
97 % over all for position, angle, relative angle and scale; 90 to 98.5 % in every stratum of 40 photos and more; bias
under a fifth of the standard uncertainty. Every photo counts alike; a figure without an uncertainty counts as a miss.
Intervals of the shares by bootstrap over photos, of the scale's, which a photo holds or not, exact; both as in
intervals.py, whose store of finished photos this shares.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from intervals import default_store, held, photos, share_of, share_text
from scenes import FORM, LAID, budget_photo
from tables import put, table

MARK = "coverage-budget"
OVERALL, STRATUM, LEAST_PHOTOS, MOST_BIAS = (93.0, 97.0), (90.0, 98.5), 40, 0.2
FIGURES = ("position", "angle", "relative angle", "scale")
HEAD = (
    "photos", "number", "declined", "twists", "position held %", "angle held %", "relative held %", "scale held %",
    "form held %", "bias of x, u", "of y", "of overturn", "of scale",
)  # fmt: skip
_NAMES = sorted({name for names in LAID.values() for name in names})
STRATA = (
    ("all", lambda r: True),
    *((view, lambda r, view=view: r["view"] == view) for view in LAID),
    *((f"reference: {name}", lambda r, name=name: r["laid"] == name) for name in _NAMES),
    *((f"after a {kind}", lambda r, kind=kind: r.get("alignment") == kind) for kind in ("homography", "similarity")),
    *((f"spacing {n}", lambda r, n=n: r["spacing"] == n) for n in (2, 3, 4)),
    ("24 twists", lambda r: r["rings"] == 2),
    ("96 twists", lambda r: r["rings"] == 4),
    ("tilt under 7 deg", lambda r: r["tilt_deg"] < 7),
    ("tilt 7 to 14 deg", lambda r: 7 <= r["tilt_deg"] < 14),
    ("tilt over 14 deg", lambda r: r["tilt_deg"] >= 14),
    ("under 500 mm away", lambda r: r["distance_mm"] < 500),
    ("over 500 mm away", lambda r: r["distance_mm"] >= 500),
    ("focal length under 40 mm", lambda r: r["focal_mm"] < 40),
    ("focal length over 40 mm", lambda r: r["focal_mm"] >= 40),
    ("lens corrected, k1 under 0.01", lambda r: abs(r["k1"]) < 0.01),
    ("lens not corrected", lambda r: abs(r["k1"]) >= 0.01),
    ("under 0.4 mm thick", lambda r: r["thick_mm"] < 0.4),
    ("over 0.4 mm thick", lambda r: r["thick_mm"] >= 0.4),
    ("under 50 px per pitch", lambda r: r["pitch_px"] < 50),
    ("over 50 px per pitch", lambda r: r["pitch_px"] >= 50),
    ("blur under 1.2 px", lambda r: r["blur_px"] < 1.2),
    ("blur over 1.2 px", lambda r: r["blur_px"] >= 1.2),
)


def shares(rows: list[dict]) -> dict[str, list[float]]:
    """Per figure the share held in each photo that states it."""
    inside = [held(r).mean(0) for r in rows]
    whole = {
        name: [float(u95 is not None and abs(error) <= u95) for r in rows if name in r["whole"]
               for error, u95 in [r["whole"][name]]]
        for name in ("scale", *FORM)
    }  # fmt: skip
    each = {name: [float(i[k]) for i in inside] for k, name in enumerate(FIGURES[:3])}
    form = [float(np.mean(four)) for four in zip(*(whole[name] for name in FORM), strict=True)]
    return each | {"scale": whole["scale"], "form": form}


def biases(rows: list[dict]) -> dict[str, list[float]]:
    """Per figure each photo's mean error in stated standard uncertainties; a position's radius is 2.45 of them when it
    is round."""
    z = [np.array(r["miss_mm"]) / np.array(r["limit_mm"])[:, None] * 2.45 for r in rows]
    over = [r["overturn_deg"] / (np.sqrt(np.mean(np.square(r["limit_deg"]))) / 1.96) for r in rows]
    scale = [1.96 * error / u95 for r in rows for error, u95 in [r["whole"].get("scale", (0.0, None))] if u95]
    return {
        "x": [float(np.nanmean(one[:, 0])) for one in z],
        "y": [float(np.nanmean(one[:, 1])) for one in z],
        "overturn": [float(value) for value in over],
        "scale": scale,
    }


def line(name: str, rows: list[dict]) -> tuple:
    done = [r for r in rows if not r["declined"]]
    start = (name, len(rows), len(rows) - len(done))
    if not done:
        return *start, *["-"] * (len(HEAD) - 3)
    return (
        *start,
        sum(len(r["miss_mm"]) for r in done),
        *(share_text(values) if values else "-" for values in shares(done).values()),
        *(_bias_text(values) for values in biases(done).values()),
    )


def _bias_text(values: list[float]) -> str:
    if len(values) < 2:
        return "-"
    return f"{np.mean(values):+.2f} ± {np.std(values, ddof=1) / np.sqrt(len(values)):.2f}"


def outside(name: str, rows: list[dict]) -> list[str]:
    """What of this stratum is not as wanted, in words; nothing is asked of strata of few photos."""
    done = [r for r in rows if not r["declined"]]
    told = []
    for figure, values in shares(done).items():
        low, high = OVERALL if name == "all" and figure != "form" else STRATUM
        if len(values) < LEAST_PHOTOS:
            continue
        share, least, most = share_of(values)
        if not low <= share <= high:
            chance = ", which chance allows" if least <= high and most >= low else ""
            told.append(f"{name}: {figure} {share_text(values)} % held, wanted {low:g} to {high:g}{chance}")
    for figure, values in biases(done).items():
        if name == "all" and len(values) >= LEAST_PHOTOS and abs(np.mean(values)) > MOST_BIAS:
            told.append(f"{name}: bias of {figure} {_bias_text(values)} standard uncertainties, wanted {MOST_BIAS:g}")
    return told


def report(rows: list[dict]) -> list[str]:
    """The table, what is not as wanted, and why photos were declined."""
    groups = [(name, mine) for name, rule in STRATA if (mine := [r for r in rows if rule(r)])]
    lines = table(HEAD, [line(*group) for group in groups])
    odd = [text for group in groups for text in outside(*group)]
    lines += ["", *(f"- Outside: {text}." for text in odd or ["nothing"])]
    declined = [r["declined"].split(":")[0] for r in rows if r["declined"]]
    return lines + [f"- Declined {declined.count(kind)}: {kind}." for kind in sorted(set(declined))]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--processes", type=int, choices=(1, 2), default=1)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--doc", action="store_true", help="renew the table in docs/accuracy.md")
    options = parser.parse_args()
    kept = photos(options.count, options.store or default_store("budget"), budget_photo, options.processes)
    lines = report(kept)
    print("\n".join(lines))
    if options.doc:
        put(MARK, lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())
