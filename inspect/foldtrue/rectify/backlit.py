"""Photos against the light: the plan's layers explain the light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from foldtrue.errors import NotThisPiece, SiteAmbiguous
from foldtrue.frames import Array, apply_homography
from foldtrue.handover import Nominal, Photo, Plane, View
from foldtrue.rectify.by_lattice import lattice_candidates
from foldtrue.rectify.by_outline import outline_candidates
from foldtrue.rectify.look import (
    Agreement,
    Small,
    agreement,
    layer_raster,
    planned_counts,
    reduce_photo,
    to_small_matrix,
)
from foldtrue.rectify.outcome import Placed, RectifyOptions, as_plane, px_per_mm
from foldtrue.rectify.pinned import pinned_turns
from foldtrue.rectify.place import Canvas, Place, canvas, places
from foldtrue.rectify.symmetry import motion, same_looks

VIEW: View = "backlit"
TYPICAL_LEVELS = {0: 0.0, 1: -0.9, 3: -1.9, 5: -2.5, 7: -2.9, 9: -3.2, 11: -3.5}
"""Log light by layers before the photo's own are known: white paper, R 0.5, T 0.4 by the Kubelka-Munk stack. Only for
finding."""


@dataclass(frozen=True)
class Candidate:
    matrix: Array
    method: str
    fit: Agreement


def rectify_backlit(photo: Photo, nominal: Nominal, options: RectifyOptions, lattice: bool = True) -> Plane:
    """Find the plan in the photo: by its outline if that explains the light, else, if so wanted, through the lattice.

    Raises NotThisPiece when no placement explains the light, SiteAmbiguous when several do, PhotoTooPoor when the
    pitch is too few pixels.
    """
    small = reduce_photo(photo)
    mirrored = options.side == "back"
    best = _best(small, nominal, _by_outline(small, nominal, options, mirrored))
    if lattice and options.pins is None and (best is None or best.fit.share < 0.6):
        other = _best(small, nominal, _by_lattice(small, nominal, options, mirrored, photo))
        if other is not None and (best is None or other.fit.share > best.fit.share):
            best = other
    if best is None or best.fit.share < options.least_share:
        share = 0.0 if best is None else best.fit.share
        raise NotThisPiece(
            "The picture does not show this plan's pattern against the light "
            f"(at best it explains {100 * share:.0f} % of the light).",
            "Check that the plan is this piece's, that light comes through the paper, and that the whole piece is in "
            "the picture.",
        )
    best, runner_up = _decide_place(small, nominal, best, options, mirrored)
    placed = Placed(best.matrix, best.method, best.fit.share, runner_up)
    return as_plane(photo, small.factor, nominal, placed, options, same_looks(nominal, VIEW))


def _by_outline(small: Small, nominal: Nominal, options: RectifyOptions, mirrored: bool) -> list[Candidate]:
    """Outline fits, or what the person pinned, each in every turn the outline leaves open, scored."""
    out: list[Candidate] = []
    tried: list[Array] = []
    for start in _starts(small, nominal, options, mirrored):
        # Neighbouring thresholds give the same outline again, and turns that look alike the same look.
        slack = 0.25 * nominal.pitch_mm * px_per_mm(start)
        corners = [
            apply_homography(start @ motion(turn, np.zeros(2)), nominal.outline_mm[:3])
            for turn in nominal.symmetry[VIEW]
        ]
        if any(np.abs(place - other).max() < slack for place in corners for other in tried):
            continue
        tried.append(corners[0])
        layers = layer_raster(nominal, start, small.log.shape)
        out.append(Candidate(start, "outline", agreement(small.log, layers, planned_counts(nominal, VIEW))))
    return sorted(out, key=lambda c: -c.fit.share)


def _starts(small: Small, nominal: Nominal, options: RectifyOptions, mirrored: bool) -> list[Array]:
    if options.pins is not None:
        return pinned_turns(options, small.factor)
    return [fit.matrix for fit in outline_candidates(small, nominal.outline_mm, mirrored)[:30]]


def _by_lattice(
    small: Small, nominal: Nominal, options: RectifyOptions, mirrored: bool, photo: Photo
) -> list[Candidate]:
    focal = None
    if photo.focal_35mm:
        focal = photo.focal_35mm / 43.2666 * float(np.hypot(*small.log.shape))
    out: list[Candidate] = []
    starts, _ = lattice_candidates(small, nominal, VIEW, focal)
    for start in starts:
        field = _whole_canvas(small, nominal, start)
        if field is None:
            continue
        for place in places(field, nominal, VIEW, TYPICAL_LEVELS, mirrored, peaks=2)[:3]:
            matrix = start @ motion(place.turn_deg, place.shift_mm) @ np.diag([-1.0 if mirrored else 1.0, 1, 1])
            layers = layer_raster(nominal, matrix, small.log.shape)
            out.append(Candidate(matrix, "lattice", agreement(small.log, layers, planned_counts(nominal, VIEW))))
    return sorted(out, key=lambda c: -c.fit.share)[:4]


def _whole_canvas(
    small: Small, nominal: Nominal, matrix: Array, most: int = 420, per_pitch: float = 9.0
) -> Canvas | None:
    """The whole picture in the plan's frame at about per_pitch px, None when the scale makes no sense."""
    h, w = small.log.shape
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, h / 2]], float)
    mm = apply_homography(np.linalg.inv(matrix), corners)
    middle = mm[4]
    px_per_mm = per_pitch / nominal.pitch_mm
    reach = float(np.median(np.hypot(*(mm[:4] - middle).T)))
    piece = float(np.hypot(*nominal.vertices_mm.T).max())
    if not np.isfinite(reach) or reach > 6 * piece or reach < 0.1 * piece:
        return None
    px_per_mm = min(px_per_mm, most / (2 * reach))
    shifted = matrix @ motion(0.0, middle)
    field = canvas(small, shifted, reach, px_per_mm)
    origin = field.origin_px + middle * px_per_mm * [-1.0, 1.0]
    return Canvas(field.value, field.mask, px_per_mm, origin)


def _best(small: Small, nominal: Nominal, candidates: list[Candidate]) -> Candidate | None:
    """Sharpen the leading candidates on the picture itself and take the one that explains most."""
    sharpened: list[Candidate] = []
    for c in candidates[:3]:
        if c.fit.share < 0.15 or (sharpened and c.fit.share < sharpened[0].fit.share - 0.05):
            continue
        matrix = sharpen(small, nominal, c.matrix, c.fit.levels)
        fit = agreement(small.log, layer_raster(nominal, matrix, small.log.shape), planned_counts(nominal, VIEW))
        sharpened.append(Candidate(matrix, c.method, fit) if fit.share > c.fit.share else c)
    return max(sharpened, key=lambda c: c.fit.share) if sharpened else None


def sharpen(small: Small, nominal: Nominal, matrix: Array, levels: dict[int, float], rounds: int = 30) -> Array:
    """Align the plan's layers to the picture by the enhanced correlation coefficient (Evangelidis and Psarakis, IEEE
    Trans. PAMI 30 (2008) 1858), a homography; the start is returned when it does not converge."""
    import cv2

    layers = layer_raster(nominal, matrix, small.log.shape)
    inside = layers > 0
    table = np.array([levels.get(k, np.nan) for k in range(int(layers.max()) + 1)], np.float32)
    table[0] = np.nanmax(table[1:])
    table = np.where(np.isfinite(table), table, np.nanmin(table))
    look = table[layers]
    ys, xs = np.nonzero(inside)
    y0, y1, x0, x1 = ys.min(), ys.max() + 1, xs.min(), xs.max() + 1
    mask = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8))  # of the picture, which is what is warped
    offset = np.array([[1.0, 0, x0], [0, 1.0, y0], [0, 0, 1.0]])
    warp = offset.astype(np.float32)
    try:
        _, found = cv2.findTransformECC(
            np.ascontiguousarray(look[y0:y1, x0:x1]),
            small.log,
            warp,
            cv2.MOTION_HOMOGRAPHY,
            (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, rounds, 1e-5),
            mask,
            3,
        )
    except cv2.error:
        return matrix
    return np.asarray(found.astype(float) @ np.linalg.inv(offset) @ matrix)


def _decide_place(
    small: Small, nominal: Nominal, best: Candidate, options: RectifyOptions, mirrored: bool
) -> tuple[Candidate, float]:
    """The placement to go on with and the correlation of its best rival.

    Raises SiteAmbiguous when a rival explains the picture about as well and the person has not said where the plan's
    centre is.
    """
    flip = np.diag([-1.0 if mirrored else 1.0, 1, 1])
    straight = best.matrix @ flip
    field = _whole_canvas(small, nominal, straight, most=300)
    if field is None:
        return best, 0.0
    levels = best.fit.levels | {0: _outside_level(small, nominal, best)}
    found = places(field, nominal, VIEW, levels, mirrored, peaks=3 if options.at_px is None else 12)
    alike = [flip @ m @ flip for m in same_looks(nominal, VIEW)]
    here = [p for p in found if _same_place(p, alike, nominal.pitch_mm)]
    rivals = [p for p in found if not _same_place(p, alike, nominal.pitch_mm)]
    own = max((p.correlation for p in here), default=0.0)
    rival = max((p.correlation for p in rivals), default=0.0)
    if options.at_px is not None:
        return _placed_by_hand(small, nominal, best, found, options, flip), rival
    if (1 - rival**2) < options.ambiguity * (1 - own**2):
        raise SiteAmbiguous(
            "The lattice fits this picture in more than one place: no rim decides which twists these are.",
            "Photograph the whole piece, or say where the plan's centre is with --at PX,PY.",
        )
    return best, rival


def _placed_by_hand(
    small: Small, nominal: Nominal, best: Candidate, found: list[Place], options: RectifyOptions, flip: Array
) -> Candidate:
    """The well-fitting placement whose origin lies nearest to the pixel that the person named, at most half a pitch
    away."""
    assert options.at_px is not None
    at = apply_homography(to_small_matrix(small.factor), np.array([options.at_px], float))
    wanted = apply_homography(np.linalg.inv(best.matrix @ flip), at)[0]
    fitting = [p for p in found if p.correlation > 0.8 * found[0].correlation]
    near = [p for p in fitting if float(np.hypot(*(p.shift_mm - wanted))) < 0.5 * nominal.pitch_mm]
    if not near:
        raise NotThisPiece(
            "The plan's centre does not fit at the place given with --at.",
            "Point at the folded place of the sheet's centre; it lies where the lattice's lines cross.",
        )
    place = max(near, key=lambda p: p.correlation)
    matrix = best.matrix @ flip @ motion(place.turn_deg, place.shift_mm) @ flip
    return Candidate(matrix, "given", best.fit)


def _outside_level(small: Small, nominal: Nominal, best: Candidate) -> float:
    import cv2

    layers = layer_raster(nominal, best.matrix, small.log.shape)
    piece = (layers > 0).astype(np.uint8)
    ring = cv2.dilate(piece, np.ones((15, 15), np.uint8)) - cv2.dilate(piece, np.ones((5, 5), np.uint8))
    counts = np.array(list(best.fit.levels), np.int64)
    known = np.isin(layers, counts)
    level = np.zeros(int(layers.max()) + 1)
    level[counts] = list(best.fit.levels.values())
    offset = float(np.median(small.log[known] - level[layers[known]]))
    return float(np.median(small.log[ring > 0])) - offset if (ring > 0).sum() > 50 else max(best.fit.levels.values())


def _same_place(place: Place, alike: list[Array], pitch_mm: float) -> bool:
    """Whether a placement differs from the best one by no more than a motion under which the piece looks alike."""
    here = motion(place.turn_deg, place.shift_mm)
    turned = [m for m in alike if np.abs(m[:2, :2] - here[:2, :2]).max() < 0.02]
    return any(float(np.hypot(*(m - here)[:2, 2])) < 0.5 * pitch_mm for m in turned)
