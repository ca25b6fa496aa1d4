"""Everything that can be set about a simulated photo: small frozen keyword-only objects, checked when they are made.

Lengths are in mm of the folded piece, angles in degrees counter-clockwise, light is linear with 1.0 = the sensor just
saturates. A scene says what happens; the random part of it follows from `Scene.seed` (and `Errors.seed`, so that many
photos of one and the same piece can be made).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from foldtrue.handover import Side, View
from foldtrue.simulate.checked import Rgb, need, need_choice, need_range
from foldtrue.simulate.laid import Card, Lie, MatSheet, Scanner
from foldtrue.simulate.lit import Ground, Lamp, Reference, Relief, Surface, Thumb


@dataclass(frozen=True, kw_only=True)
class Outlier:
    """One twist that is grossly off: its id, the shift of its centre and its turn, added to its other errors."""

    twist: str
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        need_range(self, -20.0, 20.0, "x_mm", "y_mm")
        need_range(self, -45.0, 45.0, "angle_deg")


@dataclass(frozen=True, kw_only=True)
class Errors:
    """What is wrong with the folded piece.

    position_mm: standard deviation of each twist's shift, per axis. angle_deg: of each twist's turn.
    vertex_mm: of every vertex's own error, per axis.
    astray_mm: how far folds miss the grid's creases: standard deviation of each facet's unused creases' shift against
    its corners, per axis, and of what their turn moves these by.
    scale: size of the whole piece / planned size (pleats not fully closed: above 1), about the plan's origin.
    drift_mm: shift along drift_deg that grows from 0 at one side of the piece to this value at the other, with the
    power drift_power of the distance (1 = a plain stretch, 2 = each division a little wider than the one before).
    overturn_deg: every twist turned further by this much, in the sense of its own hand; where neighbours share tips
    they hold each other back, and only a part of it is left.
    outliers: named twists with errors of their own. random_outliers: so many further twists, drawn at random, shifted
    by outlier_mm in a random direction and turned by outlier_deg either way.
    seed: draws the errors; None = the seed of the scene.
    """

    position_mm: float = 0.0
    angle_deg: float = 0.0
    vertex_mm: float = 0.0
    astray_mm: float = 0.0
    scale: float = 1.0
    drift_mm: float = 0.0
    drift_deg: float = 0.0
    drift_power: float = 2.0
    overturn_deg: float = 0.0
    outliers: tuple[Outlier, ...] = ()
    random_outliers: int = 0
    outlier_mm: float = 1.0
    outlier_deg: float = 2.0
    seed: int | None = None

    def __post_init__(self) -> None:
        need_range(self, 0.0, 5.0, "position_mm", "vertex_mm", "astray_mm")
        need_range(self, 0.9, 1.1, "scale")
        need_range(self, 0.0, 20.0, "angle_deg")
        need_range(self, -20.0, 20.0, "drift_mm", "overturn_deg", "outlier_mm", "outlier_deg")
        need_range(self, -360.0, 360.0, "drift_deg")
        need_range(self, 0.5, 4.0, "drift_power")
        need(self.random_outliers >= 0, "Errors.random_outliers is negative", "Give 0 or more.")


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A pinhole camera with one radial lens term, and where it stands. Its optical axis passes the photo's centre.

    width_px, height_px: the upright photo. focal_35mm: equivalent focal length, by the diagonal.
    fill: share of the shorter photo side that the piece's largest diameter takes; sets the distance unless distance_mm
    (from the aim point along the optical axis) is given. aim_mm: the point of the piece's plane the axis meets.
    tilt_deg: how far the plane leans away, about the axis through the aim point at tilt_axis_deg in the upright view.
    roll_deg: how far the piece appears turned in the upright photo.
    k1: radial term in OpenCV's definition for this camera's own focal length.
    side: the face of the piece that looks at the camera; None = the one the view names, the front when backlit.
    """

    width_px: int = 4032
    height_px: int = 3024
    focal_35mm: float = 26.0
    fill: float = 0.8
    distance_mm: float | None = None
    aim_mm: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    roll_deg: float = 0.0
    k1: float = 0.0
    side: Side | None = None

    def __post_init__(self) -> None:
        need_range(self, 64, 12000, "width_px", "height_px")
        need(self.width_px * self.height_px <= 60e6, "the photo has over 60 megapixels", "Make it smaller.")
        need_range(self, 8.0, 400.0, "focal_35mm")
        need_range(self, 0.05, 20.0, "fill")
        need(self.distance_mm is None or self.distance_mm > 0, "Camera.distance_mm is not positive", "Give mm > 0.")
        need_range(self, 0.0, 60.0, "tilt_deg")
        need_range(self, -360.0, 360.0, "roll_deg", "tilt_axis_deg")
        need_range(self, -1.0, 1.0, "k1")
        need_range(self, -1e4, 1e4, "aim_mm")
        need(self.side in (None, "front", "back"), f"Camera.side is {self.side!r}", "Use 'front' or 'back'.")


@dataclass(frozen=True, kw_only=True)
class Light:
    """The light table and how evenly it and the lens light the photo.

    Of these, gradient, falloff, vignette and glare count in the front and back views too.
    exposure: sensor value of the bare table; above 1 the table is clipped. tint: colour of the table, by channel.
    gradient: relative change of the light across the photo's diagonal, rising towards gradient_deg.
    falloff: relative loss from the table's bright spot (spot, share of width and height) to one diagonal away.
    vignette: relative loss of the lens in the photo's corners. glare: share of the mean light spread over the photo.
    table_mm: size of the lit rectangle, turned by table_deg and centred on table_centre_mm; None = it fills the photo.
    room: light outside the table, as a share of the table's.
    """

    exposure: float = 1.6
    tint: Rgb = (1.0, 1.0, 1.0)
    gradient: float = 0.0
    gradient_deg: float = 0.0
    falloff: float = 0.0
    spot: tuple[float, float] = (0.5, 0.5)
    vignette: float = 0.0
    glare: float = 0.0
    table_mm: tuple[float, float] | None = None
    table_deg: float = 0.0
    table_centre_mm: tuple[float, float] = (0.0, 0.0)
    room: float = 0.01

    def __post_init__(self) -> None:
        need_range(self, 0.01, 20.0, "exposure")
        need_range(self, 0.2, 2.0, "tint")
        need_range(self, -0.8, 0.8, "gradient")
        need_range(self, 0.0, 0.9, "falloff", "vignette", "glare", "room")
        need_range(self, -1.0, 2.0, "spot")
        need_range(self, -360.0, 360.0, "gradient_deg", "table_deg")
        if self.table_mm is not None:
            need_range(self, 1.0, 1e4, "table_mm")


@dataclass(frozen=True, kw_only=True)
class Paper:
    """One sheet of paper, by colour channel, and what is uneven in it.

    reflectance, transmittance: R and T of a single layer. scatter: Gaussian width, in units of thickness_mm, by which
    light blurs the edges that lie under another layer.
    formation: relative standard deviation of one layer's light from the cloudy structure of the paper, its coarsest
    clouds formation_mm wide. fibres_per_cm2, fibre_contrast: single long fibres, darker than the paper.
    crease_contrast: mean relative change of light along an unused grid crease, crease_dark the share of lines that are
    darker and not brighter, crease_width_mm the width.
    rim_mm: how far beyond their creases folds are seen to end, below 0 short of them: twists' sides, mountains,
    valleys.
    """

    reflectance: Rgb = (0.61, 0.605, 0.59)
    transmittance: Rgb = (0.38, 0.377, 0.37)
    thickness_mm: float = 0.1
    scatter: float = 1.0
    formation: float = 0.015
    formation_mm: float = 6.0
    fibres_per_cm2: float = 0.0
    fibre_contrast: float = 0.1
    crease_contrast: float = 0.0
    crease_dark: float = 0.2
    crease_width_mm: float = 0.25
    rim_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        need_range(self, 0.0, 1.0, "reflectance", "transmittance", "crease_dark")
        whole = max(r + t for r, t in zip(self.reflectance, self.transmittance, strict=True))
        need(whole <= 1.0, f"a layer gives back {whole:.2f} of the light", "Keep reflectance + transmittance <= 1.")
        need_range(self, 0.0, 2.0, "thickness_mm")
        need_range(self, 0.0, 10.0, "scatter", "fibres_per_cm2")
        need_range(self, 0.0, 0.5, "formation", "fibre_contrast", "crease_contrast")
        need_range(self, 0.5, 100.0, "formation_mm")
        need_range(self, 0.02, 3.0, "crease_width_mm")
        need_range(self, -0.5, 0.5, "rim_mm")


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """From light to the file.

    blur_px: Gaussian width of the optics; the pixel's own square aperture comes on top (variance 1/12 px^2).
    full_well_e: electrons at saturation, whose square root is the photon noise; None = no noise at all.
    read_noise_e: standard deviation in electrons. tone: 'srgb', or the exponent of a plain gamma curve.
    file: kind of file. jpeg_quality, chroma: how a JPEG is written. orientation: EXIF tag 1..8; the stored pixels are
    turned to match. focal_noted: the header tells a camera's equivalent focal length (not in a TIFF); maker and model
    are never told.
    """

    blur_px: float = 0.9
    full_well_e: float | None = 9000.0
    read_noise_e: float = 6.0
    tone: Literal["srgb"] | float = "srgb"
    file: Literal["JPEG", "PNG", "TIFF"] = "JPEG"
    jpeg_quality: int = 93
    chroma: Literal["4:4:4", "4:2:2", "4:2:0"] = "4:2:0"
    orientation: int = 1
    focal_noted: bool = True

    def __post_init__(self) -> None:
        need_range(self, 0.3, 30.0, "blur_px")
        if self.full_well_e is not None:
            need_range(self, 100.0, 1e7, "full_well_e")
        need_range(self, 0.0, 1000.0, "read_noise_e")
        need_range(self, 10, 100, "jpeg_quality")
        need(self.chroma in ("4:4:4", "4:2:2", "4:2:0"), f"Sensor.chroma is {self.chroma!r}", "Use '4:2:0'.")
        need(self.orientation in range(1, 9), f"Sensor.orientation is {self.orientation}", "Give 1 to 8.")
        need_choice(self, ("JPEG", "PNG", "TIFF"), "file")
        if self.tone != "srgb":
            need_range(self, 1.0, 3.0, "tone")


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One photo to be simulated. oversample: sub-pixels per pixel and axis in which light is added up;
    front and back views take fewer where the blur is wide.

    Backlit photos use light, paper and mat; front and back views use lamp, surface, relief, ground, reference, mat,
    card and thumb, of paper only the thickness, rims and fibres, and of light how evenly it falls. A scanner in the
    camera's place sees front or back. lie and rims count in all views.
    """

    seed: int = 0
    view: View = "backlit"
    errors: Errors = field(default_factory=Errors)
    camera: Camera | Scanner = field(default_factory=Camera)
    light: Light = field(default_factory=Light)
    paper: Paper = field(default_factory=Paper)
    sensor: Sensor = field(default_factory=Sensor)
    oversample: int = 3
    lamp: Lamp = field(default_factory=Lamp)
    surface: Surface = field(default_factory=Surface)
    relief: Relief = field(default_factory=Relief)
    ground: Ground = field(default_factory=Ground)
    reference: Reference | None = None
    thumb: Thumb | None = None
    lie: Lie = field(default_factory=Lie)
    mat: MatSheet | None = None
    card: Card | None = None

    def __post_init__(self) -> None:
        need_choice(self, ("backlit", "front", "back"), "view")
        if isinstance(self.camera, Scanner):
            need(self.view != "backlit", "a flatbed scanner sees no light through the paper", "Use 'front' or 'back'.")
        else:
            side = self.camera.side
            agree = self.view == "backlit" or side in (None, self.view)
            need(agree, f"the view is {self.view!r} but the camera sees the {side}", "Leave Camera.side out.")
        need_range(self, 1, 8, "oversample")
        need(self.seed >= 0, "seed is negative", "Give 0 or more.")

    @property
    def side(self) -> Side:
        """The face of the piece that looks at the camera."""
        if self.view != "backlit":
            return self.view
        return "front" if isinstance(self.camera, Scanner) else self.camera.side or "front"

    @property
    def piece_seed(self) -> int:
        """Seed of what belongs to the piece and not to the photo."""
        return self.seed if self.errors.seed is None else self.errors.seed
