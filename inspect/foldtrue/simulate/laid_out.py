"""References put into a scene as a person would: a mat or sheet under the piece, a card beside it, or a scan instead.

Then the camera, which must have all of it in the picture.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np

from foldtrue.errors import UsageError
from foldtrue.frames import Array
from foldtrue.mat import MATS, MatPaper
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.laid import Card, Lie, MatSheet, Scanner
from foldtrue.simulate.lit import Ground, Lamp, Reference
from foldtrue.simulate.references import things_mm
from foldtrue.simulate.scene import Camera, Light, Scene

Kind = Literal["none", "mat", "card", "A4", "Letter", "scan"]
_MARGIN = 0.02  # of the shorter side, kept free all around
_ROOM = 1.03  # a piece with its errors, against the planned one


def with_reference(scene: Scene, kind: Kind, diameter_mm: float, rng: np.random.Generator) -> Scene:
    """The scene with one reference of a kind, within its tolerances, in place of any that it had.

    diameter_mm: largest diameter of the piece. The camera's place is left as it is.
    Raises UsageError where a kind does not go with the view, or no mat is large enough.
    """
    bare = replace(scene, reference=None, mat=None, card=None)
    if kind == "none":
        return bare
    if kind == "mat":
        return replace(bare, mat=_mat(scene, diameter_mm, rng))
    if scene.view == "backlit":
        advice = "Use a mat, no reference, or the view 'front' or 'back'."
        raise UsageError(f"Scene: against the light there is no reference of kind {kind!r}.", advice)
    if kind == "card":
        return replace(bare, card=_card(scene, diameter_mm, rng))
    if kind == "scan":
        return _scanned(bare, diameter_mm, rng)
    reference = Reference(
        size=kind,
        turn_deg=_turn(scene, rng),
        centre_mm=(float(rng.uniform(-10, 10)), float(rng.uniform(-10, 10))),
        deviation_mm=(float(rng.uniform(-2, 2)), float(rng.uniform(-2, 2))),
        curl_mm=float(np.random.default_rng([scene.seed, 935]).uniform(0, 1)),
    )
    return replace(bare, reference=reference)


def practised(scene: Scene, kind: Kind, diameter_mm: float) -> Scene:
    """A scene of practice_scene with a reference of a kind in full view, and the piece as high as its layers."""
    rng = np.random.default_rng([scene.seed, 920])
    laid = with_reference(replace(scene, lie=replace(scene.lie, height_mm=None)), kind, diameter_mm, rng)
    return stepped_back(laid, diameter_mm)


def stepped_back(scene: Scene, diameter_mm: float) -> Scene:
    """The scene with its camera aimed at the middle of all that must show, as far off as that and Camera.fill ask."""
    if isinstance(scene.camera, Scanner):
        return scene
    needed = needed_mm(scene, diameter_mm)
    camera = replace(scene.camera, aim_mm=middle_of(needed), distance_mm=None)
    distance = Pinhole(camera, diameter_mm, scene.side).distance_mm
    while not shows(camera := replace(camera, distance_mm=distance), scene, needed):
        distance *= 1.03
    return replace(scene, camera=camera)


def needed_mm(scene: Scene, diameter_mm: float) -> Array:
    """(N, 2) plan mm of what must be in the picture: the piece, whatever its shape, and the reference."""
    angle = np.radians(np.arange(0, 360, 5))
    piece = _ROOM * diameter_mm / 2 * np.column_stack([np.cos(angle), np.sin(angle)])
    return np.concatenate([piece, things_mm(scene)])


def middle_of(points_mm: Array) -> tuple[float, float]:
    x, y = 0.5 * (points_mm.min(axis=0) + points_mm.max(axis=0))
    return float(x), float(y)


def shows(camera: Camera, scene: Scene, points_mm: Array) -> bool:
    """Whether the camera has all points (N, 2) of the plane well within the picture."""
    try:
        px = Pinhole(camera, 1.0, scene.side).project(points_mm)
    except UsageError:  # behind the camera, or where the lens folds the picture over
        return False
    size = np.array([camera.width_px, camera.height_px])
    margin = _MARGIN * size.min()
    return bool((px > margin).all() and (px < size - margin).all())


def _turn(scene: Scene, rng: np.random.Generator) -> float:
    """Turn of an upright sheet whose long side goes along the picture's, give or take 12 degrees, either way up."""
    along = 90.0 if scene.camera.width_px > scene.camera.height_px else 0.0
    seen = along + float(rng.uniform(-12, 12)) + float(rng.choice([0.0, 180.0]))
    return (seen - scene.camera.roll_deg) % 360.0


def _mat(scene: Scene, diameter_mm: float, rng: np.random.Generator) -> MatSheet:
    """The smallest mat whose free place holds the piece; printers off by up to 2 %, little differently in x and y."""
    papers: list[MatPaper] = ["A4", "Letter"] if rng.random() < 0.7 else ["Letter", "A4"]
    common, bend = float(rng.uniform(0.98, 1.02)), float(rng.normal(0, 0.3))
    scale = (common + float(rng.normal(0, 0.001)), common + float(rng.normal(0, 0.001)))
    turn, towards, share = _turn(scene, rng), float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(0, 0.9))
    for paper in (*papers, "A3"):
        sheet = MatSheet(paper=paper, scale=scale, turn_deg=turn, bend_mm=bend)
        slack = min(min(scale) * (min(MATS[paper].free_mm) - 2 * sheet.cut_mm) - _ROOM * diameter_mm, 16.0) / 2
        if slack > 0:
            centre = share * slack * np.array([math.cos(towards), math.sin(towards)])
            return replace(sheet, centre_mm=(float(centre[0]), float(centre[1])))
    raise UsageError(f"Scene: no mat has room for a piece {diameter_mm:.0f} mm across.", "Use another reference.")


def _card(scene: Scene, diameter_mm: float, rng: np.random.Generator) -> Card:
    """A card 3 to 20 mm from the piece, on the side where the picture is longer, printed or blank."""
    along = 0.0 if scene.camera.width_px > scene.camera.height_px else 90.0
    seen = along + float(rng.uniform(-25, 25)) + float(rng.choice([0.0, 180.0]))
    heading = math.radians(seen - scene.camera.roll_deg)
    turn = seen - scene.camera.roll_deg + 90.0 + float(rng.uniform(-15, 15))
    away = _ROOM * diameter_mm / 2 + 37.5 + float(rng.uniform(3, 20))  # 37.5: half a card's width, turned by 15 degrees
    right = math.cos(heading) if scene.side == "front" else -math.cos(heading)
    shade = float(rng.uniform(0.3, 1.6))
    return Card(
        size_mm=(float(rng.uniform(85.47, 85.72)), float(rng.uniform(53.92, 54.03))),
        thickness_mm=float(rng.uniform(0.68, 0.84)),
        radius_mm=float(rng.uniform(2.88, 3.48)),
        centre_mm=(away * right, away * math.sin(heading)),
        turn_deg=turn % 360.0,
        printed=bool(rng.random() < 0.8),
        colour=(0.10 * shade, 0.22 * shade, 0.34 * shade),
    )


def _scanned(scene: Scene, diameter_mm: float, rng: np.random.Generator) -> Scene:
    """The piece on a flatbed scanner, under its lid or under a dark sheet; carriages keep pace to 0.2 %."""
    side_mm = round(_ROOM * diameter_mm + 15)
    scanner = Scanner(
        dpi=300.0,
        area_mm=(side_mm, side_mm),
        roll_deg=scene.camera.roll_deg,
        stretch=(1 + float(rng.normal(0, 0.0005)), 1 + float(rng.normal(0, 0.002))),
    )
    behind = float(rng.uniform(0.85, 0.93) if rng.random() < 0.5 else rng.uniform(0.03, 0.2))
    return replace(
        scene,
        camera=scanner,
        lamp=Lamp(
            azimuth_deg=float(rng.choice([-90.0, 90.0])),
            elevation_deg=float(rng.uniform(40, 60)),
            size_deg=float(rng.uniform(10, 25)),
            ambient=float(rng.uniform(0.2, 0.5)),
            exposure=float(rng.uniform(0.85, 1.0)),
        ),
        light=Light(),
        ground=Ground(colour=(behind, behind, behind)),
        relief=replace(scene.relief, lift_mm=0.3 * scene.relief.lift_mm, rim_lift_mm=0.3 * scene.relief.rim_lift_mm),
        sensor=replace(scene.sensor, orientation=1),
        lie=Lie(height_mm=scene.lie.height_mm, glass=True),
        thumb=None,
    )
