"""What the check of a camera hands to its report."""

from __future__ import annotations

from dataclasses import dataclass

EDGE_MM = 10.0
"""Length of the fold edge that the limit is stated for."""
FAINT = 0.1
"""Its step of light, of the step from ink to paper: a fold from the camera's side (common practice, no source)."""


@dataclass(frozen=True)
class CameraCheck:
    """One photo of a mat. paper: which. distance_mm, distance_std_mm: camera to mat, in mm as designed.

    px_per_mm: least and greatest over the frame. blur_px: Gaussian blur of edges, the pixel's own included. noise:
    standard deviation of a pixel on bare paper / light of white paper. contrast: step from ink to paper / the same.
    fold_limit_mm: Cramer-Rao limit of the place of a fold edge EDGE_MM long with FAINT of that step. k1, k1_std:
    PlaneMap's lens term.
    rms_px: scatter of the squares' sides about homography and k1. evenness: least / greatest light of the frame's white
    paper, of a quadratic fitted to it. flat: the mat does not bend.
    """

    paper: str
    distance_mm: float
    distance_std_mm: float
    px_per_mm: tuple[float, float]
    blur_px: float
    noise: float
    contrast: float
    fold_limit_mm: float
    k1: float
    k1_std: float
    rms_px: float
    evenness: float
    flat: bool
