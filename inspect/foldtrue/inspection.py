"""The whole story in one function: from a photo and a plan to figures with uncertainty."""

from __future__ import annotations

import hashlib
import platform
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar, get_args

from foldtrue.errors import FoldtrueError, NotThisPiece, PhotoTooPoor, UnreadableFile, UsageError
from foldtrue.handover import Held, Inspection, KeptLens, LatticeFit, Nominal, Photo, Plane, Side, View
from foldtrue.handover_pool import PooledInspection
from foldtrue.references import Asked

if TYPE_CHECKING:
    from foldtrue.fit.bend import Bend
    from foldtrue.plan.file import Plan
    from foldtrue.rectify.mat import FoundMat
    from foldtrue.rectify.piece import RectifyOptions

Result = TypeVar("Result")
REFERENCES = get_args(Asked)
_LIBRARIES = ("foldtrue", "numpy", "scipy", "opencv-python", "pillow")


@dataclass(frozen=True, kw_only=True)
class InspectOptions:
    """What the person says about the photo.

    view: how it was lit and from where; 'auto' tries. side: which side faces the camera, None = not said. at_px: (x, y)
    of the piece's centre in the upright photo, None = find it. reference: the thing of known size in the picture,
    'auto' = look for one. dpi: resolution of a scan, None = as its file says. corners_px: four (x, y) of a rectangle in
    the upright photo, clockwise from its top left as the photo shows it; corners_mm: its width and height. pins: rows
    (x mm, y mm, x px, y px) of points of the folded plan and where they are in the upright photo, laid there by hand;
    None = find it. held: how the piece was held: 'free', under 'glass', or taped flat to a 'window'. bars_mm:
    measured lengths of the mat's bars along its bottom and left side, None = not measured. lenses: those of cameras
    that were measured before; that of the photo's own camera is what its lens starts from.

    Raises UsageError for a value outside these.
    """

    view: View | Literal["auto"] = "auto"
    side: Side | None = None
    at_px: tuple[float, float] | None = None
    reference: Asked = "auto"
    dpi: float | None = None
    corners_px: tuple[tuple[float, float], ...] | None = None
    corners_mm: tuple[float, float] | None = None
    pins: tuple[tuple[float, float, float, float], ...] | None = None
    held: Held = "free"
    bars_mm: tuple[float, float] | None = None
    lenses: tuple[KeptLens, ...] = ()

    def __post_init__(self) -> None:
        if self.held not in get_args(Held):
            raise UsageError(f"There is no way to hold it {self.held!r}.", f"Choose {', '.join(get_args(Held))}.")
        if self.view not in ("auto", *get_args(View)):
            raise UsageError(f"There is no view {self.view!r}.", f"Choose auto, {', '.join(get_args(View))}.")
        if self.side not in (None, *get_args(Side)):
            raise UsageError(f"There is no side {self.side!r}.", f"Choose {' or '.join(get_args(Side))}.")
        if self.side is not None and self.view in get_args(Side) and self.side != self.view:
            raise UsageError(
                f"A view of the {self.view} shows the {self.view}, not the {self.side}.", "Leave out --side."
            )
        if self.reference not in REFERENCES:
            raise UsageError(f"There is no reference {self.reference!r}.", f"Choose {', '.join(REFERENCES)}.")
        if self.dpi is not None and self.reference not in ("auto", "scan"):
            raise UsageError("A resolution belongs to a scan.", "Leave out --dpi, or say --reference scan.")
        if self.bars_mm is not None and self.reference not in ("auto", "mat"):
            raise UsageError("Bars belong to the printed mat.", "Leave out --bars, or say --reference mat.")
        self._check_corners()

    def _check_corners(self) -> None:
        if (self.corners_px is None) != (self.corners_mm is None):
            raise UsageError(
                "Four corners and the size of their rectangle belong together.",
                "Give both --corners X1,Y1,X2,Y2,X3,Y3,X4,Y4 and --corners-mm WIDTH,HEIGHT.",
            )
        if self.corners_px is None and self.reference == "corners":
            raise UsageError(
                "Corners are never guessed.", "Point at them with --corners and give their size with --corners-mm."
            )
        if self.corners_px is not None and self.reference not in ("auto", "corners"):
            raise UsageError(
                f"Corners and {self.reference} cannot both give the scale.", "Leave out --corners or --reference."
            )
        if self.corners_px is not None and self.dpi is not None:
            raise UsageError("Corners and a scan cannot both give the scale.", "Leave out --corners or --dpi.")

    @property
    def asked(self) -> Asked:
        """The thing of known size that is asked for: corners, where they are given."""
        return self.reference if self.corners_px is None else "corners"


class Clock:
    """Runs the steps one after the other, notes what each took, and tells `on_step` which one is coming."""

    def __init__(self, on_step: Callable[[str], None] | None) -> None:
        self.timings_s: dict[str, float] = {}
        self._on_step = on_step or (lambda step: None)

    def run(self, step: str, work: Callable[..., Result], *args: Any, **named: Any) -> Result:
        self._on_step(step)
        start = time.perf_counter()
        result = work(*args, **named)
        self.timings_s[step] = self.timings_s.get(step, 0.0) + time.perf_counter() - start
        return result


def inspect_photo(
    path: Path | str,
    plan: Plan,
    options: InspectOptions | None = None,
    on_step: Callable[[str], None] | None = None,
) -> Inspection:
    """Measure one photo of a piece folded after `plan`.

    on_step is called with each step's name before it runs. Raises a FoldtrueError wherever no reliable figure can be
    given: UnreadableFile, NotThisPiece, SiteAmbiguous, PhotoTooPoor; never reports a guess.
    """
    from foldtrue.photo import read_photo
    from foldtrue.plan.fold import fold_plan
    from foldtrue.rectify.piece import rectify_photo

    options = options or InspectOptions()
    clock = Clock(on_step)
    nominal = clock.run("plan", fold_plan, plan)
    photo = clock.run("photo", read_photo, path)
    mat = clock.run("scale", mat_asked_for, photo, options)
    bare = photo if mat is None else mat.cleared  # to look for the piece in; all that is measured is the photo itself
    plane = clock.run("rectify", rectify_photo, bare, nominal, rectify_options(options, photo, mat))
    return measure_placed(Path(path), photo, nominal, plane, options, clock, mat)


def rectify_options(options: InspectOptions, photo: Photo, mat: FoundMat | None = None) -> RectifyOptions:
    """What of the options concerns the place, and which way up the mat says. Raises UsageError for a point outside the
    photo."""
    from foldtrue.rectify.mat import up_deg
    from foldtrue.rectify.piece import RectifyOptions

    _check_at(options.at_px, photo)
    pins, up = options.pins, 0.0 if mat is None else up_deg(mat.reference)
    return RectifyOptions(view=options.view, side=options.side, at_px=options.at_px, pins=pins, up_deg=up)


def measure_placed(
    path: Path,
    photo: Photo,
    nominal: Nominal,
    plane: Plane,
    options: InspectOptions,
    clock: Clock,
    mat: FoundMat | None = None,
) -> Inspection:
    """The second half of `inspect_photo`: from a plan whose place in the photo is known to its figures. mat: the one in
    the photo."""
    from foldtrue.camera_place import camera_place
    from foldtrue.detect.edges import (
        find_features,
        missed_creases,
        place_edges,
        read_light,
        remeasure_features,
        with_faint,
        with_precreases,
    )
    from foldtrue.fit.align import align_plane
    from foldtrue.fit.bend import bend_of
    from foldtrue.fit.expect import expect_lines
    from foldtrue.fit.held import paper_height, scale_under_glass
    from foldtrue.fit.lattice import adjust_vertices, fit_lattice
    from foldtrue.kept_camera import lens_for
    from foldtrue.rectify.reference import located_reference, with_scale
    from foldtrue.rectify.size_budget import places

    where = (options.asked, options.dpi, options.corners_px, options.corners_mm)
    reference = clock.run("scale", located_reference, photo, *where)
    plane = replace(plane, lens=lens_for(photo, options.lenses))
    light = clock.run("detect", read_light, photo, plane, nominal)
    placed = clock.run("detect", place_edges, light, plane, nominal)
    plane = clock.run("fit", align_plane, placed, plane, nominal)
    features = clock.run("detect", find_features, light, plane, nominal)
    plane_map, vertices_mm = clock.run("fit", adjust_vertices, features, plane, nominal)
    if light.unused is not None:  # creases lead to edges that are far from where the plan has them
        here = plane.map.to_mm(plane_map.to_px(vertices_mm))
        features = clock.run("detect", with_precreases, light, plane, nominal, features, here)
        plane_map, vertices_mm = clock.run("fit", adjust_vertices, features, plane, nominal)
    plane = replace(plane, map=plane_map)
    features = clock.run("detect", remeasure_features, light, plane, nominal, features, vertices_mm)
    missed = missed_creases(light, plane, features)
    if len(missed):
        expected = clock.run("fit", expect_lines, features, plane, nominal, missed)
        features = clock.run("detect", with_faint, light, plane, nominal, features, expected)
    camera = camera_place(photo, plane.map)
    height = paper_height(nominal, camera, options.held)
    fit = clock.run("fit", fit_lattice, features, plane, nominal, height=height)
    bend = clock.run("fit", bend_of, fit, plane, nominal, photo, features, options.held)
    plane = replace(plane, assumed=plane.assumed + _said_of(bend, options.held) + _said_of_fit(fit, plane.view))
    told = replace(plane, map=fit.map)
    waves_mm = None if height.relief is None else height.relief.fields(places(nominal))
    told, fit, known = clock.run(
        "scale", with_scale, photo, nominal, told, fit, options.asked, reference, mat, waves_mm
    )
    scanned = told.reference == "scan"  # seen from straight above, whatever its height
    if known is not None or scanned:
        seen = {"known": known, "height": None if scanned else height}
        again = clock.run("fit", fit_lattice, features, plane, nominal, **seen)
        told, fit = _fitted_again(told, fit, again)
    fit = scale_under_glass(fit, told.reference, camera, options.held)
    provenance = describe_origin(path, photo, nominal, options)
    return Inspection(nominal, photo, told, features, fit, provenance, clock.timings_s)


def _fitted_again(told: Plane, first: LatticeFit, again: LatticeFit) -> tuple[Plane, LatticeFit]:
    """Plane and fit once a reference has told the plane, or that there is a scan; its scale is kept where it told no
    more, and where it is the mat's, by which it is measured in a way of its own (rectify/mat.py)."""
    if again.alignment == "homography" or told.reference == "mat":
        again = replace(
            again,
            scale=first.scale,
            scale_std=first.scale_std,
            scale_budget=first.scale_budget,
            scale_limits=first.scale_limits,
        )
    if again.alignment == "homography":
        return told, again
    kept = tuple(word for word in told.assumed if word != "plane_from_piece")
    return replace(told, map=again.map, assumed=kept), again


def _said_of(bend: Bend | None, held: Held) -> tuple[str, ...]:
    """Flags of a piece that bends."""
    if bend is None or not bend.significant:
        return ()
    return ("piece_bends",) if held == "free" else ("piece_bends", "held_not_flat")


def _said_of_fit(fit: LatticeFit, view: View) -> tuple[str, ...]:
    """Flags of a photo whose folds contradict the lens that was kept of its camera, or do not tell the overturn."""
    from foldtrue.fit.options import FitOptions

    lens = ("kept_lens_contradicted",) if fit.lens_prior == "contradicted" else ()
    told = FitOptions.for_view(view, len(fit.measured)).tells_overturn(fit.overturn_std_deg)
    return lens if told else (*lens, "overturn_not_told")


def inspect_photos(
    paths: Sequence[Path | str],
    plan: Plan,
    options: InspectOptions | None = None,
    on_step: Callable[[str], None] | None = None,
    same_way_up: bool = False,
) -> PooledInspection:
    """Measure several photos of one piece folded after `plan`, and combine them (docs/several-photos.md).

    same_way_up: the person says that the piece lay the same way up in all of them; else that is found out.
    A photo that is refused does not stop the others; the first refusal is raised when all are. Raises UsageError for
    two files of the same content, and for --at and --corners, which belong to one photo.
    """
    from foldtrue.pool import pool_photos

    names = _photo_names([Path(path) for path in paths])
    _check_places(options, len(names))
    _check_different(names)
    outcomes: dict[str, Inspection | FoldtrueError] = {}
    for name, path in names.items():
        try:
            outcomes[name] = inspect_photo(path, plan, options, on_step)
        except (UnreadableFile, NotThisPiece, PhotoTooPoor) as error:
            outcomes[name] = type(error)(f"{name}: {error.what}" if len(names) > 1 else error.what, error.advice)
    (on_step or (lambda step: None))("pool")
    pooled = pool_photos(outcomes, same_way_up)
    if pooled.inspection is None or pooled.repeatability is None:
        return pooled
    origin = pooled.inspection.provenance
    origin = {**origin, "options": {**origin["options"], "same_way_up": same_way_up}}
    return replace(pooled, inspection=replace(pooled.inspection, provenance=origin))


def mat_asked_for(photo: Photo, options: InspectOptions) -> FoundMat | None:
    """The mat in a photo that is to be looked for it. Raises PhotoTooPoor where it must be there and is not."""
    from foldtrue.rectify.mat import take_mat

    if options.reference not in ("auto", "mat"):
        return None
    return take_mat(photo, options.bars_mm, named=options.reference == "mat")


def _photo_names(paths: Sequence[Path]) -> dict[str, Path]:
    """The files by what they are called in messages: their name, with its folder where two have the same."""
    if not paths:
        raise UsageError("No photo is given.", "Name at least one.")
    short = [path.name for path in paths]
    named = {path.name if short.count(path.name) == 1 else str(path): path for path in paths}
    if len(named) < len(paths):
        raise UsageError("The same photo is given twice.", "Name each file once: it tells nothing new.")
    return named


def _check_places(options: InspectOptions | None, count: int) -> None:
    """Raise UsageError where the person points at places in the picture and there are several."""
    if options is None or count < 2:
        return
    for option, given in (("--at", options.at_px), ("--corners", options.corners_px), ("the pins", options.pins)):
        if given is not None:
            raise UsageError(
                "A place in the picture belongs to one photo.", f"Leave out {option}, or measure that photo alone."
            )


def _check_different(names: Mapping[str, Path]) -> None:
    """Raise UsageError for two files of the same content. What cannot be read is said when it is measured."""
    seen: dict[str, str] = {}
    for name, path in names.items():
        try:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError:
            continue
        if digest in seen:
            raise UsageError(
                f"{seen[digest]} and {name} are the same file.",
                "Leave one out: the same photo twice tells nothing new.",
            )
        seen[digest] = name


def _check_at(at_px: tuple[float, float] | None, photo: Photo) -> None:
    height, width = photo.pixels.shape[:2]
    if at_px is not None and not (0 <= at_px[0] < width and 0 <= at_px[1] < height):
        raise UsageError(
            f"The point {at_px[0]:g},{at_px[1]:g} lies outside the photo.",
            f"The upright photo is {width} x {height} px, counted from its top left corner.",
        )


def describe_origin(path: Path, photo: Photo, nominal: Nominal, options: InspectOptions) -> Mapping[str, Any]:
    """What the figures come from: the photo, the plan, the options and the versions; plain JSON values only."""
    origin = describe_photo(path, photo)
    return {
        "photo": origin["photo"],
        "plan": {"name": nominal.name, "sha256": nominal.plan_sha256, "pitch_mm": nominal.pitch_mm},
        "options": _plain_options(options),
        "versions": origin["versions"],
    }


def _plain_options(options: InspectOptions) -> dict[str, Any]:
    """As JSON values; pins are left out where there are none. Of the kept lenses the one that counted is told with the
    fit, and the others are no business of this photo's."""
    said = {name: _plain(value) for name, value in asdict(options).items() if name != "lenses"}
    return said if said["pins"] is not None else {name: value for name, value in said.items() if name != "pins"}


def describe_photo(path: Path, photo: Photo) -> Mapping[str, Any]:
    """The photo and the versions it was read with; plain JSON values only."""
    height, width = photo.pixels.shape[:2]
    return {
        "photo": {
            "name": path.name,
            "sha256": photo.sha256,
            "format": photo.file_format,
            "size_px": [width, height],
            "orientation": photo.orientation,
            "focal_35mm": photo.focal_35mm,
            "dpi": list(photo.dpi) if photo.dpi else None,
            "colour_profile": photo.colour_profile,
        },
        "versions": {"python": platform.python_version(), **{name: _version(name) for name in _LIBRARIES}},
    }


def _plain(value: Any) -> Any:
    """Tuples as the lists that JSON has."""
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def _version(package: str) -> str | None:
    if package == "foldtrue":
        from foldtrue import __version__

        return __version__
    try:
        return version(package)
    except PackageNotFoundError:
        return None
