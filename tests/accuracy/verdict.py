"""How often a verdict is wrong for a figure that lies exactly at its limit, where it is hardest: false acceptance and
false rejection against what the rule promises.

Drawn figures (single values and vectors, round and not), many figures of one piece together, and the whole chain on
simulated photos, every twist held against its own true error. Run with `.venv/bin/python tests/accuracy/verdict.py
[PHOTOS]`; `--doc` renews the tables of docs/tolerances.md.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2] / "inspect"), str(Path(__file__).parents[1])]

from lamplight import DIVISIONS, left_after_fit, nominal_of  # noqa: E402
from panels import panel_plan  # noqa: E402
from plain_figures import length, scalar  # noqa: E402
from tables import cell, put, table  # noqa: E402

from foldtrue.errors import FoldtrueError  # noqa: E402
from foldtrue.handover_judge import Rule  # noqa: E402
from foldtrue.inspection import InspectOptions, inspect_photo  # noqa: E402
from foldtrue.judge.decision import false_decision, judge_figure  # noqa: E402
from foldtrue.judge.figures import read_figures  # noqa: E402
from foldtrue.judge.piece import piece_word, proven_outside  # noqa: E402
from foldtrue.report.result import result_record  # noqa: E402
from foldtrue.simulate import Camera, Errors, Scene, simulate_photo, truth_poses  # noqa: E402

DOCUMENT = Path(__file__).parents[2] / "docs" / "tolerances.md"
GUARDS = (0.83, 1.0)
KINDS = (("backlit", 2), ("backlit", 3), ("front", 3))
FIRST_PIECE = 400


def drawn_values(rng, std, count):
    """Single values, true value 1."""
    return [scalar(float(e), std) for e in 1 + std * rng.normal(size=count)]


def drawn_vectors(rng, std, count, shape=1.0):
    """Vectors whose true length is 1 in every direction; shape: the smaller over the larger standard deviation."""
    turn = rng.uniform(0, 2 * np.pi, count)
    noise = std * rng.normal(size=(count, 2)) * [1.0, shape]
    return [length(float(size), std) for size in np.hypot(*(np.c_[np.cos(turn), np.sin(turn)] + noise).T)]


def shares(figures, limits, rule):
    """Share called within, and outside."""
    words = [judge_figure(figure, limit, rule).word for figure, limit in zip(figures, limits, strict=True)]
    return np.mean([word == "within" for word in words]), np.mean([word == "outside" for word in words])


def pieces(rng, rule, figures, count, one_bad):
    """Share of `count` pieces called outside and within. one_bad: a single figure at its limit and all others perfect;
    else every figure exactly at its limit."""
    words = []
    for _ in range(count):
        true = np.zeros(figures) if one_bad else np.ones(figures)
        true[0] = 1.0
        judged = [judge_figure(scalar(float(e), 0.1), 1.0, rule) for e in true + 0.1 * rng.normal(size=figures)]
        words.append(piece_word(judged, proven_outside(judged, rule), missing=False))
    return words.count("outside") / count, words.count("within") / count


def photographed(view, spacing, piece, folder):
    """[(measured figure, true error)] of one simulated photo's twist positions; empty where it was declined. Errors too
    small for their uncertainty to serve as a limit are left out."""
    nominal = nominal_of(spacing)
    camera = Camera(width_px=1400, height_px=1060, focal_35mm=50.0, roll_deg=float(piece % 13 - 6), tilt_deg=4.0)
    errors = Errors(position_mm=0.3, angle_deg=1.0, vertex_mm=0.03, seed=piece)
    shot = simulate_photo(nominal, Scene(seed=piece, view=view, errors=errors, camera=camera))
    path = folder / "photo.png"
    cv2.imwrite(str(path), np.ascontiguousarray(shot.photo.pixels[:, :, ::-1]))
    options = InspectOptions(view=view, side="front" if view == "backlit" else None)
    try:
        found = inspect_photo(path, panel_plan(spacing, DIVISIONS[spacing]), options)
    except FoldtrueError:
        return []
    true = np.hypot(*left_after_fit(nominal, truth_poses(nominal, shot.truth).position_error_mm).T)
    places = [f for f in read_figures(result_record(found)).figures if f.kind == "twist_position"]
    told = zip(places, true.tolist(), strict=True)
    return [(figure, limit) for figure, limit in told if figure.value is not None and limit > 2 * figure.std]


def figure_rows(count, seed=1):
    """Rows of the first table: what, deviation over limit, guard, promised, within, outside."""
    rng, rows = np.random.default_rng(seed), []
    for guard in GUARDS:
        rule = Rule(guard=guard)
        for std in (0.05, 0.2, 0.5):
            kinds = {
                "single value": drawn_values(rng, std, count),
                "position, round": drawn_vectors(rng, std, count),
                "position, 1 : 0.3": drawn_vectors(rng, std, count, 0.3),
            }
            rows += [
                (name, std, guard, false_decision(rule), *shares(figures, [1.0] * count, rule))
                for name, figures in kinds.items()
            ]
    return rows


def main():
    count = int(next((word for word in sys.argv[1:] if word.isdigit()), 12))
    percent = "{:.1f} %".format
    head = ("figure at its limit", "u / limit", "guard band r", "promised, at most", "called within", "called outside")
    first = table(
        head,
        [(n, cell(s, ".2f"), cell(g, ".2f"), *(percent(100 * p) for p in r)) for n, s, g, *r in figure_rows(20_000)],
    )
    rng, rule = np.random.default_rng(2), Rule()
    rows = []
    for figures, drawn in ((1, 20_000), (48, 4000), (192, 1000)):
        outside, _ = pieces(rng, rule, figures, drawn, one_bad=False)
        _, within = pieces(rng, rule, figures, drawn, one_bad=True)
        rows.append(
            (figures, drawn, percent(100 * false_decision(rule)), percent(100 * outside), percent(100 * within))
        )
    head = (
        "figures of the piece",
        "pieces",
        "promised, at most",
        "all at their limits: outside",
        "one at its limit: within",
    )
    second = table(head, rows)
    rows = []
    for view, spacing in KINDS:
        with tempfile.TemporaryDirectory() as folder:
            told = [pair for k in range(count) for pair in photographed(view, spacing, FIRST_PIECE + k, Path(folder))]
        wrong = shares(*zip(*told, strict=True), rule)
        rows.append(
            (
                f"{view}, spacing {spacing}",
                len(told),
                percent(100 * false_decision(rule)),
                *(percent(100 * w) for w in wrong),
            )
        )
    head = ("simulated photos", "twists", "promised, at most", "called within", "called outside")
    third = table(head, rows)
    print("\n".join([*first, "", *second, "", *third]))
    if "--doc" in sys.argv:
        for name, lines in (("drawn", first), ("pieces", second), ("photos", third)):
            put(name, lines, DOCUMENT)


if __name__ == "__main__":
    main()
