"""What the fit takes for granted of a photo of each view, and what it asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.fit.weak import Weak
from foldtrue.handover import Features, Nominal

FEW_TWISTS, FEW_SHIFT_MM = 12, 0.2
"""What a lamp shifts edges by, many twists tell and few do not: of fewer than twelve, which leave less than two thirds
of their places to the piece, it is taken for as large as grooves and shadows make it (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class FitOptions:
    """What the fit takes for granted, and what it asks for before it calls a twist measured; as it stands for photos
    against the light, see `for_view`.

    prior_pitch: how far off a vertex may be before anything is seen, in pitches (1 standard deviation).
    shift_mm, kind_shift_mm: see `Weak` (half a sheet's thickness; common practice, no source). slope_mm, slope_blur:
    its slope_mm is the first and so many blurs, one beside the other. size: relative, how far all twists may differ
    from their planned size (how far pleats are closed; common practice, no source). frame, overturn_deg, habit_mm: see
    `Weak`; apart_px: its apart_mm, in pixels. judge_by_shape: see `solve_network`. least_edges, least_rim: of all
    edges, and of the rim, in the picture that must be where the plan has them (of an even light's rim over 90 % is
    found, of another rim around the same twists 50 %).
    least_share: of a twist's own edges that must be seen; least_lines: worth of what must be seen of it, see
    `own_lines`. least_twists: share of the twists in the picture of which more must be measured for any to be.
    most_position_pitch, most_angle_deg: largest standard uncertainty of a pose that still counts as measured.
    """

    prior_pitch: float = 0.12
    shift_mm: float = 0.05
    kind_shift_mm: float = 0.04
    slope_mm: float = 0.005
    slope_blur: float = 0.05
    size: float = 0.004
    frame: float = 0.0
    overturn_deg: float = 0.0
    apart_px: float = 0.0
    habit_mm: float = 0.0
    judge_by_shape: bool = False
    least_edges: float = 0.65
    least_rim: float = 0.75
    least_share: float = 0.45
    least_lines: float = 0.0
    least_twists: float = 0.0
    most_position_pitch: float = 0.02
    most_angle_deg: float = 1.5

    def __post_init__(self) -> None:
        if min(self.prior_pitch, self.shift_mm, self.most_position_pitch, self.most_angle_deg) <= 0:
            raise ValueError("fit options must be positive")

    @classmethod
    def for_view(cls, view: str, twists: int) -> FitOptions:
        """The options for a photo of this view, of a piece of so many twists."""
        if view == "backlit":
            return cls()
        return LIT if twists >= FEW_TWISTS else replace(LIT, shift_mm=FEW_SHIFT_MM, kind_shift_mm=FEW_SHIFT_MM)

    def tells_overturn(self, std_deg: float | None) -> bool:
        """Whether a common overturn of this standard uncertainty rests on the photo more than on what is usual."""
        return not self.overturn_deg or (std_deg is not None and std_deg < self.overturn_deg / math.sqrt(2.0))

    def weak(self, features: Features, nominal: Nominal) -> Weak:
        """What is known beforehand of a piece of this plan in the photo these features come from."""
        blurred = features.found & np.isfinite(features.blur_px)
        px_per_mm = float(np.median(features.px_per_mm))
        blur_mm = float(np.median(features.blur_px[blurred])) / px_per_mm if blurred.any() else 0.0
        return Weak(
            place_mm=self.prior_pitch * nominal.pitch_mm,
            shift_mm=self.shift_mm,
            kind_shift_mm=self.kind_shift_mm,
            habit_mm=self.habit_mm,
            slope_mm=float(np.hypot(self.slope_mm, self.slope_blur * blur_mm)),
            size=self.size,
            frame=self.frame,
            overturn_deg=self.overturn_deg,
            apart_mm=self.apart_px / px_per_mm,
        )


LIT = FitOptions(
    prior_pitch=0.06,
    shift_mm=0.1,
    kind_shift_mm=0.1,
    slope_mm=0.1,
    slope_blur=0.0,
    size=0.0,
    frame=0.03,
    overturn_deg=0.7,
    apart_px=0.08,
    habit_mm=0.3,
    judge_by_shape=True,
    least_edges=0.5,
    least_rim=0.4,
    least_share=0.2,
    least_lines=1.0,
    least_twists=0.5,
)
"""From the camera's side much stays unseen: vertices are held closer to the plan (still four times what careful work
shows; common practice, no source), shapes judge edges, and fewer edges need to show, but for every twist lines of its
own, and the majority of the twists, since looks and alignment are the majority's. The frame may be off by what shadow
and an outline make of it: few edges must not be held to it; against the light edges overrule it. A look has no zero but
its edges' mean place: half a millimetre is more than any habit moves that by, one and a half degrees more than most
pieces are overturned (common practice, no source). Lines miss each other as they are seen to in simulated fronts, where
others check them. Edges and rim: docs/accuracy.md."""
