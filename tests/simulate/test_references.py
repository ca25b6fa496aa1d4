"""The printed mat and the card in the picture, found by other means than the package's own.

The mat by OpenCV's detector of ChArUco boards, its corners against cv2.projectPoints; the card by thresholds and
plain line fits.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from foldtrue.frames import Array, PlaneMap, rotation
from foldtrue.handover import Nominal, Simulated
from foldtrue.mat import MATS, board, corner_places, marker_places
from foldtrue.simulate import Camera, Card, Ground, Lamp, Light, MatSheet, Scene, Sensor, simulate_photo
from foldtrue.simulate.camera import Pinhole

SHARP = Sensor(full_well_e=None, jpeg_quality=100, chroma="4:4:4", blur_px=0.8)
CAMERA = Camera(
    width_px=1600, height_px=1200, distance_mm=350, roll_deg=7, tilt_deg=12, tilt_axis_deg=35, k1=0.03, focal_35mm=30
)
UNDER = Scene(view="front", camera=CAMERA, sensor=SHARP, mat=MatSheet(turn_deg=80.0, centre_mm=(4.0, -6.0)))


def by_opencv(points_mm: Array, scene: Scene) -> Array:
    """(N, 3) mm, z towards the camera -> (N, 2) px: the pose of the scene's camera in OpenCV's own projection."""
    pinhole = Pinhole(scene.camera, 1.0, scene.side)
    f, (cx, cy) = pinhole.focal_px, pinhole.centre_px
    towards = np.array([1.0, 1.0, 1.0 if scene.side == "front" else -1.0])
    turn, _ = cv2.Rodrigues(pinhole.rotation)
    lens = np.array([scene.camera.k1, 0, 0, 0.0])
    px, _ = cv2.projectPoints(
        points_mm * towards, turn, pinhole.shift, np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]]), lens
    )
    return np.asarray(px[:, 0])


def on_the_mat(xy_mm: Array, scene: Scene) -> Array:
    """(N, 3) mm in the piece's frame of places on a flat mat, by its settings."""
    assert scene.mat is not None
    turned = (xy_mm * scene.mat.scale) @ rotation(scene.mat.turn_deg).T
    turned[:, 0] *= 1 if scene.side == "front" else -1
    return np.column_stack([turned + scene.mat.centre_mm, np.zeros(len(turned))])


def found(made: Simulated, paper: str) -> tuple[Array, Array]:
    """Places in mm as designed and px of the chessboard corners OpenCV finds in the photo."""
    grey = cv2.cvtColor(made.photo.pixels, cv2.COLOR_RGB2GRAY)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board(MATS[paper])).detectBoard(grey)
    corners = np.asarray(corners, np.float32).reshape(-1, 1, 2)
    steps = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    px = cv2.cornerSubPix(grey, corners, (4, 4), (-1, -1), steps)[:, 0]
    number, places = corner_places(MATS[paper])
    on_frame = np.isin(ids.ravel(), number)  # its board goes on through the free place
    return places[np.searchsorted(number, ids.ravel()[on_frame])], px[on_frame]


@pytest.mark.parametrize(
    ("view", "scale"),
    [("front", (1.0, 1.0)), ("front", (1.02, 0.985)), ("back", (0.99, 1.01)), ("backlit", (1.0, 1.01))],
)
def test_opencv_finds_the_mat_where_its_own_projection_puts_it(
    panel: Nominal, view: str, scale: tuple[float, float]
) -> None:
    scene = replace(UNDER, view=view, mat=replace(UNDER.mat, scale=scale), light=Light(exposure=0.9))
    places, px = found(simulate_photo(panel, scene), "A4")
    assert len(places) > 0.9 * len(corner_places(MATS["A4"])[0])
    expected = by_opencv(on_the_mat(places, scene), scene)
    error = px - expected
    assert np.abs(error.mean(axis=0)).max() < 0.02
    assert np.sqrt((error**2).mean()) < 0.05


@pytest.mark.parametrize(("paper", "distance_mm"), [("Letter", 350), ("A3", 490)])
def test_every_paper_shows_markers_of_its_own(panel: Nominal, paper: str, distance_mm: float) -> None:
    scene = replace(UNDER, camera=replace(CAMERA, distance_mm=distance_mm), mat=replace(UNDER.mat, paper=paper))
    grey = cv2.cvtColor(simulate_photo(panel, scene).photo.pixels, cv2.COLOR_RGB2GRAY)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000))
    _, ids, _ = detector.detectMarkers(grey)
    printed = set(marker_places(MATS[paper])[0].tolist())
    assert set(ids.ravel().tolist()) <= printed
    assert len(ids) > 0.9 * len(printed)


def test_the_truth_tells_where_the_mat_lies(panel: Nominal) -> None:
    scene = replace(UNDER, mat=replace(UNDER.mat, scale=(1.01, 0.99)))
    truth = simulate_photo(panel, scene).truth
    flat = replace(truth.map, homography=np.array(truth.settings["mat_homography"]))
    places = corner_places(MATS["A4"])[1]
    assert flat.to_px(places) == pytest.approx(by_opencv(on_the_mat(places, scene), scene), abs=1e-8)


@pytest.mark.parametrize("bend_mm", [4.0, -4.0])
def test_a_bent_mat_shows_corners_and_middle_apart(panel: Nominal, bend_mm: float) -> None:
    scene = replace(UNDER, mat=replace(UNDER.mat, bend_mm=bend_mm))
    places, px = found(simulate_photo(panel, scene), "A4")
    # Half of the squared share of the way to the paper's sides: 0 in the middle, 1 in the corners.
    from_middle = 0.5 * (places[:, 0] / 105) ** 2 + 0.5 * (places[:, 1] / 148.5) ** 2
    solid = on_the_mat(places, scene)
    solid[:, 2] = bend_mm * (1 - from_middle) if bend_mm > 0 else -bend_mm * from_middle
    assert np.sqrt(((px - by_opencv(solid, scene)) ** 2).mean()) < 0.05
    flat = by_opencv(on_the_mat(places, scene), scene)
    assert np.hypot(*(px - flat).T).max() > 1.0


def test_against_the_light_ink_is_dark_paper_glows_and_the_opening_is_the_table(panel: Nominal) -> None:
    sheet = MatSheet(paper_light=0.4, ink_light=0.02, cut_mm=3.0)
    camera = Camera(width_px=1400, height_px=1050, distance_mm=430)
    scene = Scene(camera=camera, sensor=SHARP, mat=sheet, light=Light(exposure=0.9))
    made = simulate_photo(panel, scene)
    # A black square in the frame's corner, bare paper beside the frame, both sides of the cut, the table beyond.
    places = np.array([[-90.0, 130.0], [-100.0, 0.0], [-73.0, 100.0], [-71.0, 100.0], [110.0, 0.0]])
    x, y = np.rint(made.truth.map.to_px(places)).astype(int).T
    light = made.photo.linear[made.photo.pixels[y, x, 1]]
    assert light == pytest.approx(0.9 * np.array([0.02, 0.4, 0.4, 1.0, 1.0]), abs=0.01)


def test_the_cut_edge_lies_where_the_cut_was_made(panel: Nominal) -> None:
    scene = Scene(
        camera=Camera(width_px=1400, height_px=1050, distance_mm=430),
        sensor=SHARP,
        mat=MatSheet(cut_mm=6.0),
        light=Light(exposure=0.9),
    )
    made = simulate_photo(panel, scene)
    row = np.rint(made.truth.map.to_px(np.array([[0.0, 95.0]])))[0, 1].astype(int)
    light = made.photo.linear[made.photo.pixels[row, :, 1]]
    (left, _), (right, _) = made.truth.map.to_px(np.array([[-73.0, 95.0], [-65.0, 95.0]]))
    span = light[round(left) : round(right)]
    share = (span - span[0]) / (span[-1] - span[0])
    edge_px = round(right) - share.sum() - 0.5
    assert edge_px == pytest.approx(made.truth.map.to_px(np.array([[-69.0, 95.0]]))[0, 0], abs=0.02)


BESIDE = Scene(
    view="front",
    camera=replace(CAMERA, aim_mm=(40.0, 0.0), distance_mm=400),
    sensor=SHARP,
    ground=Ground(colour=(0.6, 0.6, 0.6)),
    card=Card(printed=False, colour=(0.08, 0.08, 0.08), turn_deg=70.0, centre_mm=(115.0, 5.0)),
    lamp=Lamp(ambient=1.0),
)


def side_lines(made: Simulated, card_map: PlaneMap) -> Array:
    """(4, 2) mm: mean places of the card's bottom, right, top and left side by where the light crosses half-way."""
    grey = made.photo.linear[made.photo.pixels[..., 1]].astype(np.float32)
    found_mm = []
    for axis, sign, half in ((1, -1, 27.0), (0, 1, 42.8), (1, 1, 27.0), (0, -1, 42.8)):
        along = np.linspace(-15, 15, 61)
        depth = sign * (half + np.arange(-2.0, 2.0, 0.02))
        mm = np.empty((len(along), len(depth), 2))
        mm[..., 1 - axis], mm[..., axis] = along[:, None], depth
        px = card_map.to_px(mm.reshape(-1, 2)).astype(np.float32)
        light = cv2.remap(grey, px[:, 0], px[:, 1], cv2.INTER_LINEAR).reshape(mm.shape[:2])
        half_way = 0.5 * (light[:, :1] + light[:, -1:])
        found_mm.append(np.mean(depth[np.argmax(light > half_way, axis=1)]))
    return np.array(found_mm)


@pytest.mark.parametrize("view", ["front", "back"])
def test_the_cards_sides_lie_where_its_size_has_them(panel: Nominal, view: str) -> None:
    size = (85.66, 53.95)
    card = replace(BESIDE.card, size_mm=size, thickness_mm=0.0)  # no wall to be seen beside the face
    made = simulate_photo(panel, replace(BESIDE, view=view, card=card))
    card_map = replace(made.truth.map, homography=np.array(made.truth.settings["card_homography"]))
    bottom, right, top, left = side_lines(made, card_map)
    assert [bottom, right, top, left] == pytest.approx([-size[1] / 2, size[0] / 2, size[1] / 2, -size[0] / 2], abs=0.02)


@pytest.mark.parametrize("tone", [0.08, 0.9])
def test_blur_does_not_move_a_side_of_which_no_wall_is_seen(panel: Nominal, tone: float) -> None:
    """Face and wall end on one line there, and no shadow falls: however the optics blur it, light crosses half-way on
    that line."""
    camera = replace(BESIDE.camera, tilt_deg=0.0, roll_deg=0.0, k1=0.0)
    card = replace(BESIDE.card, turn_deg=0.0, thickness_mm=0.8, colour=(tone,) * 3, printed=True)
    lamp = Lamp(azimuth_deg=0.0, elevation_deg=30.0, size_deg=5.0, ambient=0.4)
    ground = Ground(colour=(0.35, 0.35, 0.35))
    sensor = replace(SHARP, blur_px=1.8)
    made = simulate_photo(panel, replace(BESIDE, camera=camera, card=card, lamp=lamp, sensor=sensor, ground=ground))
    card_map = replace(made.truth.map, homography=np.array(made.truth.settings["card_homography"]))
    light = made.photo.linear[made.photo.pixels[..., 1]].astype(np.float32)
    y, x = np.meshgrid(np.linspace(-12, -8, 9), 42.8 + np.arange(-3.0, 3.0, 0.02), indexing="ij")
    px = card_map.to_px(np.stack([x, y], -1).reshape(-1, 2)).astype(np.float32)
    across = cv2.remap(light, px[:, 0], px[:, 1], cv2.INTER_LINEAR).reshape(x.shape).mean(axis=0)
    half_way = 0.5 * (across[0] + across[-1])
    crossed = x[0][np.argmax((across > half_way) != (across[0] > half_way))]
    assert crossed == pytest.approx(42.8, abs=0.03)


@pytest.mark.parametrize("view", ["front", "back"])
def test_the_cards_face_stands_its_thickness_above_the_table(panel: Nominal, view: str) -> None:
    scene = replace(BESIDE, view=view, card=replace(BESIDE.card, thickness_mm=0.8))
    truth = simulate_photo(panel, scene).truth
    half = np.array(scene.card.size_mm) / 2
    corners = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) @ rotation(70.0).T
    corners[:, 0] *= 1 if view == "front" else -1
    solid = np.column_stack([corners + scene.card.centre_mm, np.full(4, 0.8)])
    expected = by_opencv(solid, scene)
    assert np.array(truth.settings["card_corners_px"]) == pytest.approx(expected, abs=1e-8)
    card_map = replace(truth.map, homography=np.array(truth.settings["card_homography"]))
    own = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    assert card_map.to_px(own) == pytest.approx(expected, abs=1e-8)


def test_the_corners_of_the_card_are_round(panel: Nominal) -> None:
    dark = []
    for radius_mm in (0.0, 3.18):
        made = simulate_photo(panel, replace(BESIDE, card=replace(BESIDE.card, radius_mm=radius_mm, thickness_mm=0)))
        scale = made.truth.map.jacobian(np.array([BESIDE.card.centre_mm]))[0]
        light = made.photo.linear[made.photo.pixels[..., 1]].astype(float)
        x, y = made.truth.map.to_px(np.array([BESIDE.card.centre_mm]))[0].astype(int)
        around = light[y - 170 : y + 170, x - 170 : x + 170]
        dark.append((around.max() - around).sum() / np.ptp(around) / abs(np.linalg.det(scale)))
    # A square corner has (1 - pi / 4) r^2 more than a round one.
    assert dark[0] - dark[1] == pytest.approx((4 - np.pi) * 3.18**2, rel=0.1)


def test_the_card_casts_a_shadow_away_from_the_lamp(panel: Nominal) -> None:
    level = replace(BESIDE, camera=replace(BESIDE.camera, tilt_deg=0, roll_deg=0, k1=0, aim_mm=(115.0, 5.0)))
    lamp = Lamp(azimuth_deg=90.0, elevation_deg=25.0, size_deg=8.0, ambient=0.3)
    card = replace(BESIDE.card, turn_deg=0.0, thickness_mm=0.76)
    with_shadow = simulate_photo(panel, replace(level, lamp=lamp, card=card))
    dark = replace(level.relief, shadow=0.0)
    without = simulate_photo(panel, replace(level, lamp=lamp, card=card, relief=dark))
    below, above = with_shadow.truth.map.to_px(np.array([[115.0, 5 - 27.0 - 0.8], [115.0, 5 + 27.0 + 0.8]]))
    for (x, y), fallen in ((below, True), (above, False)):
        a, b = (m.photo.linear[m.photo.pixels[round(y), round(x), 1]] for m in (with_shadow, without))
        assert (a < 0.5 * b) == fallen
        assert fallen or a == pytest.approx(b, abs=0.005)


def test_a_printed_face_changes_nothing_about_the_outline(panel: Nominal) -> None:
    blank, printed = (
        simulate_photo(panel, replace(BESIDE, card=replace(BESIDE.card, printed=p))) for p in (False, True)
    )
    assert blank.truth.settings["card_corners_px"] == printed.truth.settings["card_corners_px"]
    changed = np.abs(blank.photo.pixels.astype(int) - printed.photo.pixels).max(axis=2) > 8
    assert changed.sum() > 500
    corners = np.array(blank.truth.settings["card_corners_px"])
    y, x = np.nonzero(changed)
    inside = [
        cv2.pointPolygonTest(corners.astype(np.float32), (float(u), float(v)), True) for u, v in zip(x, y, strict=True)
    ]
    assert min(inside) > -3
