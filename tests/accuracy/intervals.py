"""Whether the stated 95 % intervals hold the truth: hundreds of simulated photos of a spread of pieces and scenes.

    .venv/bin/python tests/accuracy/intervals.py [--kind backlit|lit] [--count N] [--store FILE] [--doc]

Against the light, or (lit) the front and the back under a lamp or by a window; scenes.py draws and judges them. Every
photo is one line of the store, so that an interrupted run goes on where it stopped; the store's default name holds a
digest of the package, since other code gives other figures. Photos and pieces are drawn from seeds: the same count
gives the same table. Every photo counts alike, however many twists it holds. Intervals of the table's own shares:
bootstrap over photos (the twists of one photo are not independent of each other), percentile method, 2000 draws; Efron
and Tibshirani, An Introduction to the Bootstrap, 1993.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import numpy as np
from scenes import CARE, SIZES_PX, backlit_photo, lit_photo
from scipy.stats import beta
from tables import cell, put, table

import foldtrue

PHOTO = {"backlit": backlit_photo, "lit": lit_photo}
MARKS = {"backlit": "coverage", "lit": "coverage-lit"}
HEAD = (
    "photos", "number", "declined", "twists", "pos RMS mm", "angle RMS deg", "position held %", "angle held %",
    "relative held %", "position held but for the lens %", "overturn bias", "pull of position %", "of angle %",
)  # fmt: skip
LIT_HEAD = (
    "photos", "number", "declined", "twists", "seen", "pos RMS mm", "median", "angle RMS deg", "median",
    "position held %", "angle held %", "relative held %", "ccw less cw towards the lamp, mm", "RMS",
    "overturn bias", "RMS", "pull of position %", "of angle %",
)  # fmt: skip
COMMON = (
    ("all", lambda r: True),
    *((f"spacing {n}", lambda r, n=n: r["spacing"] == n) for n in (2, 3, 4)),
    ("24 twists", lambda r: r["rings"] == 2),
    ("96 twists", lambda r: r["rings"] == 4),
)
STRATA = (
    *COMMON,
    *((f"{w * h / 1e6:.1f} Mpx", lambda r, w=w: r["width_px"] == w) for w, h in SIZES_PX["backlit"]),
    ("under 30 px per pitch", lambda r: r["pitch_px"] < 30),
    ("30 to 60 px per pitch", lambda r: 30 <= r["pitch_px"] < 60),
    ("over 60 px per pitch", lambda r: r["pitch_px"] >= 60),
    ("blur under 1 px", lambda r: r["blur_px"] < 1.0),
    ("blur 1 to 1.5 px", lambda r: 1.0 <= r["blur_px"] < 1.5),
    ("blur over 1.5 px", lambda r: r["blur_px"] >= 1.5),
    *((f"{side} faces the camera", lambda r, side=side: r["side"] == side) for side in ("front", "back")),
    *((f"{care} scenes", lambda r, care=care: r["care"] == care) for care in CARE),
)
LIT_STRATA = (
    *COMMON,
    *((side, lambda r, side=side: r["side"] == side) for side in ("front", "back")),
    ("lamp 25 to 45 deg high", lambda r: r["lamp"] == "low lamp"),
    ("lamp 45 to 65 deg high", lambda r: r["lamp"] == "high lamp"),
    ("window, 25 to 50 deg high", lambda r: r["lamp"] == "window"),
    ("under 40 px per pitch", lambda r: r["pitch_px"] < 40),
    ("40 to 80 px per pitch", lambda r: 40 <= r["pitch_px"] < 80),
    ("over 80 px per pitch", lambda r: r["pitch_px"] >= 80),
    ("blur under 1 px", lambda r: r["blur_px"] < 1.0),
    ("blur over 1 px", lambda r: r["blur_px"] >= 1.0),
    ("old creases up to 3 deg", lambda r: r["crease_deg"] < 3),
    ("old creases over 3 deg", lambda r: r["crease_deg"] >= 3),
    ("printed or foil", lambda r: r["paper"] != "plain"),
    *((f"{care} scenes", lambda r, care=care: r["care"] == care) for care in CARE),
)


def package_digest() -> str:
    """Ten hex digits of the package's sources."""
    digest = hashlib.sha256()
    for path in sorted(Path(foldtrue.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:10]


def default_store(kind: str = "backlit") -> Path:
    return Path(tempfile.gettempdir()) / f"foldtrue-intervals-{kind}-{package_digest()}.jsonl"


def photos(count: int, store: Path, photo: Callable[[int, Path], dict], processes: int = 1) -> list[dict]:
    """The first `count` photos' rows, those that the store lacks measured now."""
    rows = {r["seed"]: r for r in map(json.loads, store.read_text().splitlines())} if store.exists() else {}
    lacking = [seed for seed in range(count) if seed not in rows]
    with tempfile.TemporaryDirectory() as folder, store.open("a") as file:
        for row in _measured(lacking, photo, Path(folder), processes):
            rows[row["seed"]] = row
            file.write(json.dumps(row) + "\n")
            file.flush()
    return [rows[seed] for seed in range(count)]


def _measured(seeds: list[int], photo: Callable[[int, Path], dict], folder: Path, processes: int) -> Iterator[dict]:
    if processes == 1:
        yield from (photo(seed, folder) for seed in seeds)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from (done.result() for done in as_completed([pool.submit(photo, seed, folder) for seed in seeds]))


def held(row: dict) -> np.ndarray:
    """(T, 4): whether each twist's position, angle, relative angle, and position but for the lens lie within the stated
    limits."""
    miss, rest = (np.hypot(*np.array(row[name]).T) for name in ("miss_mm", "but_lens_mm"))
    return np.stack(
        [
            miss <= np.array(row["limit_mm"]),
            np.abs(row["angle_deg"]) <= np.array(row["limit_deg"]),
            np.abs(row["relative_deg"]) <= np.array(row["limit_relative_deg"]),
            rest <= np.array(row["limit_mm"]),
        ],
        1,
    )


def share_of(shares: list[float], seed: int = 1) -> tuple[float, float, float]:
    """Mean share (%) and the ends of its 95 % interval, photos drawn again with replacement; where every photo says yes
    or no, the exact binomial one (Clopper and Pearson, Biometrika 26 (1934) 404 [from memory]), since of photos that
    all say yes none that says no is ever drawn."""
    each = np.array(shares) * 100
    if np.isin(each, (0, 100)).all():
        held, count = int((each > 0).sum()), len(each)
        low = 100 * beta.ppf(0.025, held, count - held + 1) if held else 0.0
        high = 100 * beta.ppf(0.975, held + 1, count - held) if held < count else 100.0
    else:
        draws = np.random.default_rng(seed).integers(len(each), size=(2000, len(each)))
        low, high = np.percentile(each[draws].mean(1), [2.5, 97.5])
    return float(each.mean()), float(low), float(high)


def share_text(shares: list[float]) -> str:
    """Mean share (%) and its 95 % interval."""
    return "{:.1f} ({:.0f} to {:.0f})".format(*share_of(shares))


def bias_text(values: list[float]) -> str:
    """Mean and its standard error."""
    return f"{np.mean(values):+.3f} ± {np.std(values, ddof=1) / np.sqrt(len(values)):.3f}" if len(values) > 1 else "-"


def stratum(name: str, rows: list[dict]) -> tuple:
    done = [r for r in rows if not r["declined"]]
    if not done:
        return name, len(rows), len(rows) - len(done), *["-"] * (len(HEAD) - 3)
    inside = np.array([held(r).mean(0) for r in done])
    miss = [np.mean(np.sum(np.square(r["miss_mm"]), 1)) for r in done]
    turn = [np.mean(np.square(r["relative_deg"])) for r in done]
    drawn = np.sum([r["pull"] for r in done], axis=0)
    return (
        name,
        len(rows),
        len(rows) - len(done),
        sum(len(r["miss_mm"]) for r in done),
        cell(float(np.sqrt(np.mean(miss)))),
        cell(float(np.sqrt(np.mean(turn)))),
        *(share_text(inside[:, k].tolist()) for k in range(4)),
        bias_text([r["overturn_deg"] for r in done]),
        *(cell(100 * float(p[0] / p[1]), "+.1f") for p in drawn),
    )


def lit_stratum(name: str, rows: list[dict]) -> tuple:
    done = [r for r in rows if not r["declined"]]
    if not done:
        return name, len(rows), len(rows) - len(done), *["-"] * (len(LIT_HEAD) - 3)
    inside = np.array([held(r).mean(0) for r in done])
    miss = np.array([np.mean(np.sum(np.square(r["miss_mm"]), 1)) for r in done])
    turn = np.array([np.mean(np.square(r["relative_deg"])) for r in done])
    apart, over = (np.array([r[key] for r in done]) for key in ("between_hands_mm", "overturn_deg"))
    drawn = np.sum([r["pull"] for r in done], axis=0)
    return (
        name,
        len(rows),
        len(rows) - len(done),
        sum(len(r["miss_mm"]) for r in done),
        cell(float(np.mean([r["share"] for r in done]))),
        *(cell(float(np.sqrt(f(square)))) for square in (miss, turn) for f in (np.mean, np.median)),
        *(share_text(inside[:, k].tolist()) for k in range(3)),
        bias_text(apart[:, 0].tolist()),
        cell(float(np.sqrt(np.mean(apart**2) * 2))),
        bias_text(over.tolist()),
        cell(float(np.sqrt(np.mean(over**2)))),
        *(cell(100 * float(p[0] / p[1]), "+.1f") for p in drawn),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=list(PHOTO), default="backlit")
    parser.add_argument("--count", type=int, default=240)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--doc", action="store_true", help="renew the table in docs/accuracy.md")
    options = parser.parse_args()
    kept = photos(options.count, options.store or default_store(options.kind), PHOTO[options.kind])
    head, strata, line = (HEAD, STRATA, stratum) if options.kind == "backlit" else (LIT_HEAD, LIT_STRATA, lit_stratum)
    lines = table(head, [line(name, mine) for name, rule in strata if (mine := [r for r in kept if rule(r)])])
    reasons = sorted({r["declined"] for r in kept if r["declined"]})
    lines += ["", *(f"- Declined {sum(r['declined'] == x for r in kept)}: {x}" for x in reasons)]
    print("\n".join(lines))
    if options.doc:
        put(MARKS[options.kind], lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())
