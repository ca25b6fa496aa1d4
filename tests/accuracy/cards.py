"""Does the card's 95 % interval hold the scale? Simulated photos, cards drawn by tests/card_in_photo.py.

    python tests/accuracy/cards.py [--photos N] [--first SEED] [--bare]

Cards are cut, lie, stand on the table and throw a shadow anywhere within what docs/scale.md supposes; the map is a
homography through the drawn tips with a lens term that is wrong by a draw from its own uncertainty. With --bare there
is no card, and the script counts what is taken for one.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from card_in_photo import DrawnCard, lay_card
from panels import folded_panel

from foldtrue.errors import PhotoTooPoor
from foldtrue.frames import PlaneMap
from foldtrue.handover import Nominal, Photo
from foldtrue.rectify.card import card_faces
from foldtrue.rectify.card_size import card_scale
from foldtrue.rectify.size_budget import K1_STD, height_mm
from foldtrue.simulate import practice_scene, simulate_photo

LEVELS = ("easy", "medium", "hard")
PLANS = ((2, 16, 240, 2), (3, 24, 198, 2), (4, 32, 208, 2))


@dataclass(frozen=True)
class Drawn:
    """A photo with a card in it, the map fitted to the piece, the tips' scatter, and the scale to be found."""

    nominal: Nominal
    photo: Photo
    map: PlaneMap
    twist_std_mm: float
    scale: float
    corners_px: np.ndarray


def drawn(seed: int, *, with_card: bool = True) -> Drawn:
    """Practice scene number `seed` with a card beside the piece."""
    rng = np.random.default_rng([seed, 6029])
    nominal = folded_panel(*PLANS[seed % 3])
    view = "front" if rng.random() < 0.7 else "back"
    scene = practice_scene(seed, LEVELS[int(rng.integers(3))], view)
    piece = float(np.hypot(*nominal.outline_mm.T).max())
    away = rng.uniform(0, 2 * np.pi)
    centre = (piece + 52 + rng.uniform(0, 25)) * np.array([np.cos(away), np.sin(away)])
    aim = centre / 2 * (1 - piece / (np.hypot(*centre) + 55))
    reach = 2 * (float(np.hypot(*(centre - aim))) + 60)
    focal_px = scene.camera.focal_35mm / 43.2666 * 2000
    distance = float(focal_px * reach / (0.95 * 1200) * rng.uniform(1, 1.25))
    camera = replace(scene.camera, width_px=1600, height_px=1200, distance_mm=distance, aim_mm=tuple(map(float, aim)))
    scene = replace(scene, camera=camera, oversample=2, thumb=None)
    made = simulate_photo(nominal, scene)
    photo, corners = (
        (made.photo, np.zeros((4, 2))) if not with_card else lay_card(made, scene, _card(rng, centre, nominal))
    )
    tips = np.unique(np.concatenate([t.tips for t in nominal.twists]))
    ideal, real = nominal.vertices_mm[tips], made.truth.vertices_mm[tips]
    true = made.truth.map
    blind = PlaneMap(np.eye(3), true.k1 + rng.normal(0, K1_STD), true.centre_px, true.focal_px)
    fitted = replace(blind, homography=_homography(ideal, blind.undistort(true.to_px(real))))
    a, b = ((p - p.mean(0)) @ [1, 1j] for p in (ideal, real))
    rms = float(np.sqrt(np.mean((fitted.to_mm(true.to_px(real)) - ideal) ** 2)))
    return Drawn(nominal, photo, fitted, rms, abs(np.vdot(a, b) / np.vdot(a, a)), corners)


def _card(rng: np.random.Generator, centre: np.ndarray, nominal: Nominal) -> DrawnCard:
    face = rng.uniform(0.03, 0.8) * rng.uniform(0.7, 1, 3)
    return DrawnCard(
        size_mm=(rng.uniform(85.47, 85.72), rng.uniform(53.92, 54.03)),
        radius_mm=rng.uniform(2.88, 3.48),
        thickness_mm=rng.uniform(0.68, 0.84),
        centre_mm=tuple(map(float, centre)),
        turn_deg=rng.uniform(0, 360),
        table_mm=height_mm(nominal) * rng.uniform(0, 2),
        colour=tuple(face),
        wall=tuple(face * rng.uniform(0.3, 1.0)),
        printed=rng.random() < 0.6,
        shadow_mm=tuple(rng.uniform(-0.8, 0.8, 2)),
        seed=int(rng.integers(1 << 30)),
    )


def _homography(plan_mm: np.ndarray, px: np.ndarray) -> np.ndarray:
    import cv2

    return cv2.findHomography(plan_mm, px, 0)[0]


def _count_false(seeds: range) -> None:
    false = {True: 0, False: 0}
    masked = 0
    for seed in seeds:
        case = drawn(seed, with_card=False)
        masked += bool(card_faces(case.photo, case.nominal, case.map))
        for named in false:
            try:
                found = card_scale(case.photo, case.nominal, case.map, twist_std_mm=case.twist_std_mm, named=named)
            except PhotoTooPoor:
                continue
            false[named] += 1
            print(f"{seed}: named {named}: a card with scale {found.scale:.4f}")
    print(
        f"{len(seeds)} photos without a card: {false[False]} with one found, {false[True]} when asked for by name, "
        f"{masked} with something masked"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--bare", action="store_true")
    options = parser.parse_args()
    if options.bare:
        _count_false(range(options.first, options.first + options.photos))
        return
    error, std, off = [], [], []
    for seed in range(options.first, options.first + options.photos):
        case = drawn(seed)
        try:
            found = card_scale(
                case.photo, case.nominal, case.map, k1_std=K1_STD, twist_std_mm=case.twist_std_mm, named=False
            )
        except PhotoTooPoor as refusal:
            print(f"{seed}: declined: {refusal}")
            continue
        error.append(found.scale - case.scale)
        std.append(found.scale_std)
        off.append(
            float(np.hypot(*(found.corners_px[:, None] - case.corners_px[None]).transpose(2, 0, 1)).min(1).max())
        )
        budget = " ".join(f"{name} {100 * u:.2f}" for name, u in found.budget.items())
        print(f"{seed}: error {100 * error[-1]:+.3f} % std {100 * std[-1]:.3f} % corner {off[-1]:.2f} px; {budget}")
    inside = np.abs(error) < 1.96 * np.array(std)
    print(
        f"{len(error)} of {options.photos} measured, inside {inside.mean():.3f}, RMS error "
        f"{100 * np.sqrt(np.mean(np.square(error))):.3f} %, RMS std {100 * np.sqrt(np.mean(np.square(std))):.3f} %, "
        f"median corner {np.median(off):.2f} px"
    )


if __name__ == "__main__":
    main()
