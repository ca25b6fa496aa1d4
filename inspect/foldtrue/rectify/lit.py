"""Photos of the front or the back under a lamp or a window: find the plan's edges, and say whether they are there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from foldtrue.errors import FoldtrueError, NotThisPiece, PhotoTooPoor, SiteAmbiguous
from foldtrue.frames import Array, apply_homography
from foldtrue.handover import Nominal, Photo, Plane, Side, View
from foldtrue.rectify.backlit import rectify_backlit
from foldtrue.rectify.judge_edges import Rival, denser, moved_to, period, rivals
from foldtrue.rectify.look import Small, reduce_photo, to_small_matrix
from foldtrue.rectify.outcome import Placed, RectifyOptions, as_plane, off_upright_deg, turn_deg
from foldtrue.rectify.pinned import pinned_turns
from foldtrue.rectify.surface import Found, Sought, find_surface, sharpened, sought_look
from foldtrue.rectify.symmetry import motion

LONGEST_PX = 900
LEAST_SHARE = 0.6
"""Of the planned edges, less the gaps in them, that must show."""
MOST_DENSE = 0.75
"""Clearness between the plan's edges over that on them: from here on the pattern is a denser one."""
LEAST_SIGMAS = 1.5
"""By how many of its standard deviations a place must lead over every other."""
PLAINLY_BACKLIT = 0.7
"""Share of the light that layers explain in no photo from the camera's side (0.57 at most in 43 tried)."""
MOST_SPREAD, PLAIN_SPREAD, SAID_SPREAD = 0.6, 0.4, 1.2
"""Largest spread of log light over a piece that is lit from the camera's side; below the second it plainly is; printed
or shining paper may pass the first, which the person can say, but hardly the third."""
NOISE_PX = 1.5
"""Gaussian that takes noise out before the spread of light is read, small px: the narrowest facet that can be measured
is ten times as wide."""
LATTICE_CONTRAST = 1.3
"""A place found through the lattice alone, chosen among many, needs this many times the contrast."""


@dataclass(frozen=True)
class Verdict:
    """What one view of the plan finds: the placement and, where it does not stand, the reason; turn_open: the photo
    does not tell it from another turn about its middle, and the one closer to upright was taken."""

    found: Found | None
    sought: Sought
    runner_up: float
    reason: NotThisPiece | None
    turn_open: bool = False


def rectify_lit(photo: Photo, nominal: Nominal, options: RectifyOptions) -> Plane:
    """Find the plan's edges in a photo of the front or the back.

    Raises NotThisPiece when the planned edges are not there or others are, SiteAmbiguous when another place fits
    as well, PhotoTooPoor when the pitch is too few pixels.
    """
    assert options.view != "auto"
    small = reduce_photo(photo, LONGEST_PX)
    verdict = judge_view(photo, small, nominal, options.view, options)
    if verdict.reason is None and light_spread(small, verdict) > SAID_SPREAD:
        raise NotThisPiece(
            "The picture is light and dark as no sheet under a lamp is: light from behind, or a printed pattern.",
            "Say how it was lit with --view, and check that it shows the piece.",
        )
    return plane_of(photo, small, verdict, options)


def rectify_auto(photo: Photo, nominal: Nominal, options: RectifyOptions) -> Plane:
    """Find out how the piece was lit, and where it lies.

    Against the light when the layers explain most of it; else the front if it stands, else the back. Raises
    NotThisPiece when none of the three stands.
    """
    against = _against_the_light(photo, nominal, options, lattice=False)
    if isinstance(against, Plane) and against.score > PLAINLY_BACKLIT:
        return against
    small = reduce_photo(photo, LONGEST_PX)
    # What its outline shows plainly to be lit from the camera's side need not be looked for through the lattice.
    verdicts = [judge_view(photo, small, nominal, view, options, lattice=False) for view in get_args(Side)]
    standing = [v for v in verdicts if v.reason is None]
    if not standing or any(light_spread(small, v) > PLAIN_SPREAD for v in standing):
        against = _against_the_light(photo, nominal, options)
        if isinstance(against, Plane) and against.score > PLAINLY_BACKLIT:
            return against
        if isinstance(against, SiteAmbiguous | PhotoTooPoor):
            given = replace(options, ambiguity=0.0, least_pitch_px=0.0)
            whatever = _against_the_light(photo, nominal, given)
            if isinstance(whatever, Plane) and whatever.score > PLAINLY_BACKLIT:
                raise against
        front = verdicts[0] if verdicts[0].reason is None else judge_view(photo, small, nominal, "front", options)
        # Where the front stands its outline is known, and the back would stand by the same one.
        back = verdicts[1] if front.reason is None else judge_view(photo, small, nominal, "back", options)
        verdicts = [front, back]
        standing = [v for v in verdicts if v.reason is None]
    if any(light_spread(small, v) > MOST_SPREAD for v in standing):
        raise NotThisPiece(
            "The picture is light and dark as paper is against the light, but not as this plan's layers would make it.",
            "Check that the plan is this piece's; if its paper is printed or shines, say --view front or --view back.",
        )
    # Where the back's edges would lie the front has unused creases of the grid, often as strong as its folds; where the
    # front's lie the back has nothing. So a front that stands is one, whatever the back does.
    if standing:
        return plane_of(photo, small, standing[0], replace(options, view=standing[0].sought.view))
    if isinstance(against, Plane):
        return against
    raise _why_none(verdicts)


def _against_the_light(
    photo: Photo, nominal: Nominal, options: RectifyOptions, lattice: bool = True
) -> Plane | FoldtrueError:
    """The backlit plane, or why there is none."""
    try:
        return rectify_backlit(photo, nominal, replace(options, view="backlit"), lattice)
    except FoldtrueError as error:
        return error


def light_spread(small: Small, verdict: Verdict) -> float:
    """How much the light differs over the piece: the middle 80 % of its logarithm, a quadratic lamp taken off.

    Two layers more let half the light through or less, a log ratio of 0.7 and up; the tilts of facets seen from the
    lamp's side make 0.3 at most (Lambert's cosine law: facets 5 deg apart under a lamp 20 deg above the table). Layers
    and facets are many pixels wide; what changes from one to the next is the sensor's noise, and taken out first.
    """
    import cv2

    assert verdict.found is not None
    outline = apply_homography(verdict.found.matrix, verdict.sought.outline_mm)
    inside = np.zeros(small.log.shape, np.uint8)
    cv2.fillPoly(inside, [np.rint(outline).astype(np.int32)], 1)
    ys, xs = np.nonzero(cv2.erode(inside, np.ones((9, 9), np.uint8)))
    if len(ys) < 200:
        return 0.0
    u, v = ((a - a.mean()) / len(inside) for a in (xs, ys))
    smooth = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], 1)
    light = cv2.GaussianBlur(small.log, (0, 0), NOISE_PX)[ys, xs].astype(float)
    rest = light - smooth @ np.linalg.lstsq(smooth, light, rcond=None)[0]
    return float(np.subtract(*np.percentile(rest, [90, 10])))


def _why_none(verdicts: list[Verdict]) -> NotThisPiece:
    """The most telling of the reasons: a view whose edges are there but not decided, or too dense, comes first."""
    told = [v.reason for v in verdicts if v.reason is not None and v.reason.what != _not_there(v.sought.view).what]
    return (
        told[0]
        if told
        else NotThisPiece(
            "The picture shows neither the light through this plan's layers nor its edges from the front or the back.",
            "Check that the plan is this piece's; if it is, say how it was photographed with --view.",
        )
    )


def plane_of(photo: Photo, small: Small, verdict: Verdict, options: RectifyOptions) -> Plane:
    """The plane of an accepted view; raises the reason of one that is not."""
    if verdict.reason is not None or verdict.found is None:
        raise verdict.reason or _not_there(verdict.sought.view)
    found, sought = verdict.found, verdict.sought
    flip = np.diag([-1.0 if sought.view == "back" else 1.0, 1.0, 1.0])
    placed = Placed(found.matrix @ flip, found.method, found.evidence.share, verdict.runner_up)
    alike = [motion(turn, np.zeros(2)) for turn in sought.turns]
    plane = as_plane(photo, small.factor, sought.nominal, placed, options, alike)
    # More turns look alike than the plan's own symmetry would have: which cell lies on top hardly shows.
    if verdict.turn_open or len(sought.turns) > len(sought.nominal.symmetry[sought.view]):
        plane = replace(plane, assumed=(*plane.assumed, "turn_assumed"))
    return plane


def judge_view(
    photo: Photo, small: Small, nominal: Nominal, view: View, options: RectifyOptions, lattice: bool = True
) -> Verdict:
    """Look for one view; lattice: also where no outline shows."""
    sought = sought_look(nominal, view)
    found = find_surface(small, sought, photo, lattice, _pinned(small, view, options))
    if found is None:
        return Verdict(None, sought, 0.0, _not_there(view))
    if options.at_px is not None:
        found = _at(found, small, sought, options.at_px)
    reason = _not_the_plan(found, sought, options)
    if reason is not None or options.at_px is not None:
        return Verdict(found, sought, 0.0, reason)
    return _decided(found, small, sought, options)


def _pinned(small: Small, view: View, options: RectifyOptions) -> Array | None:
    """What the person pinned, of the plan as the camera sees it."""
    if options.pins is None:
        return None
    return pinned_turns(options, small.factor)[0] @ np.diag([-1.0 if view == "back" else 1.0, 1.0, 1.0])


def _decided(found: Found, small: Small, sought: Sought, options: RectifyOptions) -> Verdict:
    """The place that leads over all its rivals; a rival that leads over the place found takes its part."""
    rival: Rival | None = None
    for _ in range(4):
        rival = next(iter(rivals(found, sought)), None)
        if rival is None or rival.sigmas >= 0:
            break
        found = sharpened(small, sought, moved_to(found, rival), found.method)
    runner_up = 0.0 if rival is None else float(np.clip(1 - rival.lead, 0.0, 1.0)) * found.evidence.share
    if rival is None or rival.sigmas > LEAST_SIGMAS:
        return Verdict(found, sought, runner_up, None)
    if not rival.shift_mm.any():
        other = sharpened(small, sought, moved_to(found, rival), found.method)
        return Verdict(min(found, other, key=lambda f: _off_upright(f, sought, options)), sought, runner_up, None, True)
    return Verdict(found, sought, runner_up, _ambiguous())


def _off_upright(found: Found, sought: Sought, options: RectifyOptions) -> float:
    """Degrees by which a placement is turned from upright, in the best of the turns that look alike."""
    alike = (found.matrix @ motion(turn, np.zeros(2)) for turn in sought.turns)
    return min(off_upright_deg(turn_deg(matrix, sought.nominal.pitch_mm), options) for matrix in alike)


def _ambiguous() -> SiteAmbiguous:
    return SiteAmbiguous(
        "The plan's edges fit this picture in more than one place: no rim decides which twists these are.",
        "Photograph the whole piece, or say where the plan's centre is with --at PX,PY.",
    )


def _not_there(view: View) -> NotThisPiece:
    return NotThisPiece(
        f"The picture does not show this plan's edges from the {view}.",
        "Check that the plan is this piece's and the side the right one, and let light fall across the folds from one "
        "side.",
    )


def _not_the_plan(found: Found, sought: Sought, options: RectifyOptions) -> NotThisPiece | None:
    needed = options.least_contrast * (LATTICE_CONTRAST if found.method == "lattice" else 1.0)
    if found.evidence.contrast < needed or found.evidence.share < LEAST_SHARE:
        return _not_there(sought.view)
    if denser(found, sought) > MOST_DENSE:
        return NotThisPiece(
            "The picture shows the plan's edges, and as many others between them: a denser pattern than planned.",
            "Check the plan's divisions and spacing.",
        )
    return None


def _at(found: Found, small: Small, sought: Sought, at_px: tuple[float, float]) -> Found:
    """The placement moved by whole periods so that the plan's origin lies nearest to the pixel that was named."""
    at = apply_homography(to_small_matrix(small.factor), np.array([at_px], float))
    wanted = apply_homography(np.linalg.inv(found.matrix), at)[0]
    steps = period(sought.nominal, sought.view == "back")
    whole = np.zeros(2) if steps is None else np.rint(wanted @ np.linalg.inv(steps)) @ steps
    if float(np.hypot(*(whole - wanted))) > 0.5 * sought.nominal.pitch_mm:
        raise NotThisPiece(
            "The plan's centre does not fit at the place given with --at.",
            "Point at the folded place of the sheet's centre; it lies where the lattice's lines cross.",
        )
    if not whole.any():
        return replace(found, method="given")
    return sharpened(small, sought, found.matrix @ motion(0.0, whole), "given")
