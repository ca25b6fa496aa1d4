"""Made-up recorded pieces: result files of folded pieces whose errors are chosen, and quick to make by the hundred."""

from __future__ import annotations

import hashlib
import io
import uuid
from datetime import date, timedelta

import numpy as np
from PIL import Image

from foldtrue.averages import mean_error
from foldtrue.handover_record import ALL, Entry, GroupFigures, RecordedPhoto, RecordedPiece
from foldtrue.measured import COVERAGE_95

START = date(2025, 1, 6)
PITCH_MM = 20.0
ROUND_95 = (-2 * np.log(0.05)) ** 0.5
"""Radius that holds 95 % of a round normal error, in its standard deviations."""


def sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def made_result(
    seed: int,
    *,
    scatter_mm: float = 0.2,
    scatter_deg: float = 0.4,
    noise_mm: float = 0.02,
    twists: int = 24,
    plan: str = "window panel (invented)",
    photo: str | None = None,
    more_edges: int = 0,
):
    """What the record reads of a result.json; errors normal with the standard deviations given, per axis."""
    rng = np.random.default_rng(seed)
    error = rng.normal(0, scatter_mm, (twists, 2)) + rng.normal(0, noise_mm, (twists, 2))
    turn = rng.normal(0, scatter_deg, twists)
    covariance = np.tile(np.eye(2) * noise_mm**2, (twists, 1, 1))
    place, angle = mean_error(error, covariance), mean_error(turn[:, None], np.full((twists, 1, 1), 0.02**2))
    rows = [
        {
            "id": f"t{k}", "ring": 1 if k < 6 else 2, "border": k >= twists // 2, "hand": "ccw" if k % 2 else "cw",
            "status": "measured", "position_error_mm": error[k].tolist(), "position_u95_mm": ROUND_95 * noise_mm,
            "angle_error_deg": float(turn[k]), "angle_relative_u95_deg": COVERAGE_95 * 0.02,
        }
        for k in range(twists)
    ]  # fmt: skip
    corners = [[100 * np.cos(a), 100 * np.sin(a)] for a in np.radians(np.arange(0, 360, 60))]
    return {
        "format": "foldtrue-result",
        "version": 1,
        "provenance": {
            "photo": {"name": f"panel-{seed}.jpg", "sha256": photo or sha(f"photo {seed}")},
            "plan": {"name": plan, "sha256": sha(plan), "pitch_mm": PITCH_MM},
        },
        "view": "backlit",
        "plane": {"assumed": ["scale_assumed", "plane_from_piece"], "private_px": []},
        "fit": {
            "overturn_deg": 0.0, "homography": [[2, 0, 320], [0, -2, 240], [0, 0, 1]], "k1": 0.0,
            "lens_centre_px": [320, 240], "lens_focal_px": 500,
        },
        "twists": rows,
        "edges": [{"id": f"e{k}", "offset_mm": float(rng.normal())} for k in range(more_edges)],
        "vertices": [{"id": f"v{k}", "planned_mm": corner} for k, corner in enumerate(corners)],
        "summary": {
            "position_rms_mm": place["rms"], "position_mean_error_mm": place["mean_error"],
            "position_mean_error_u95_mm": place["u95"],
            "position_mean_error_of_pitch": place["mean_error"] / PITCH_MM,
            "angle_mean_error_deg": angle["mean_error"], "angle_mean_error_u95_deg": angle["u95"],
        },
    }  # fmt: skip


def made_entry(seed: int = 0, *, piece: str | None = None, result=None, day: int | None = None, **more) -> Entry:
    """An entry of piece number `seed`; result: made_result(seed) where none is given."""
    result = result or made_result(seed)
    photo = result["provenance"]["photo"]
    values = {
        "key": uuid.UUID(int=np.random.default_rng(seed + 10**6).integers(2**62)).hex,
        "piece": piece or f"panel {seed}",
        "stage": "piece",
        "done_on": START + timedelta(days=7 * seed if day is None else day),
        "recorded_at": f"2026-01-01T00:{seed // 60 % 60:02d}:{seed % 60:02d}+00:00",
        "result": result,
        "photos": (RecordedPhoto(photo["name"], photo["sha256"], None, "The photo was not given."),),
    }
    return Entry(**{**values, **more})


def thumbnail(grey=100):
    stream = io.BytesIO()
    Image.new("RGB", (32, 24), (40 * grey % 256, 80, 60)).save(stream, "JPEG")
    return stream.getvalue()


def with_photo(seed, **more):
    result = made_result(seed)
    photo = result["provenance"]["photo"]
    picture = RecordedPhoto(photo["name"], photo["sha256"], thumbnail(seed))
    return made_entry(seed, result=result, photos=(picture,), **more)


def piece(order, position_mm=0.2, angle_deg=0.4, *, plan="window panel (invented)", **more):
    """A recorded piece with these mean errors, of a plan of 24 twists with a pitch of 20 mm."""
    whole = GroupFigures(24, position_mm, 0.02, angle_deg, 0.03)
    values = {
        "number": order, "key": f"{order:032x}", "piece": f"panel {order}", "stage": "piece",
        "done_on": START + timedelta(days=order), "recorded_at": f"2026-01-01T00:00:{order % 60:02d}+00:00",
        "plan": plan, "plan_sha256": sha(plan), "pitch_mm": 20.0, "folder": None, "paper": None, "note": None,
        "view": "backlit", "planned": 24, "measured": 24, "taken": 8, "photos": (sha(f"photo {order}"),),
        "tags": (), "groups": {ALL: whole},
    }  # fmt: skip
    return RecordedPiece(**{**values, **more})


def folded(seed, count, fall=0.0, spread=0.15, **more):
    """Pieces whose mean error scatters, and falls by this share of itself over all of them."""
    rng = np.random.default_rng(seed)
    levels = 0.2 * (1 - fall * np.arange(count) / max(1, count - 1)) * rng.lognormal(0, spread, count)
    return [piece(k, level, **more) for k, level in enumerate(levels.tolist())]


def thousand_pieces(place, *, plans: int = 4, more_edges: int = 600) -> None:
    """A record of a thousand pieces after some plans by three people, by one where there is one plan, made in one
    transaction. Results and their figures are those of twenty made ones."""
    from foldtrue.record.exchange import import_entries
    from foldtrue.record.store import Record

    results = [made_result(seed, more_edges=more_edges) for seed in range(20)]
    folders = ("heron", "wren", None) if plans > 1 else (None,)
    entries = []
    for k in range(1000):
        result = {**results[k % 20]}
        plan = f"plan {k % plans} (invented)"
        result["provenance"] = {
            "photo": {"name": f"{k}.jpg", "sha256": sha(f"photo {k}")},
            "plan": {"name": plan, "sha256": sha(plan), "pitch_mm": PITCH_MM},
        }
        tags = ("gift", "damp")[: k % 3]
        entries.append(made_entry(k, result=result, day=k, folder=folders[k % len(folders)], tags=tags))
    with Record(place, create=True) as record:
        import_entries(record, entries)
