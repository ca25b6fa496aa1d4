"""The register of quality flags: result.json, the overlay, the tables and docs/flags.md all read from here.

A flag never changes a figure. It says what a figure rests on, or why there is none, and what the person at the camera
can do about it. A name, once in a result, keeps its meaning.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One quality flag: its name in result.json, a sentence for the report, advice for the person at the camera."""

    name: str
    sentence: str
    advice: str


_REGISTER = (
    Flag(
        "edge_too_blurred",
        "Edges of this twist are too blurred to be placed.",
        "Hold the camera still, focus on the paper, or step closer.",
    ),
    Flag(
        "few_support_px",
        "Too little of this twist's edges could be used to fix its place and turn.",
        "Take the photo from closer or with more pixels, keep shadows and fingers off the paper, or turn the lamp.",
    ),
    Flag(
        "not_seen",
        "The edges of this twist show no evidence in the photo.",
        "Change the light: from behind the paper, or low from another side; or take a second photo, the lamp turned.",
    ),
    Flag(
        "out_of_frame",
        "This twist lies outside the photo, or is cut by its border.",
        "Step back until the whole piece is in the picture.",
    ),
    Flag(
        "few_twists",
        "So few twists are folded that finding the camera's view from them takes up a third or more of their errors of "
        "place: those left are what no camera can make.",
        "Trust turns, pleats and gaps rather than places, and measure again when the next ring is folded.",
    ),
    Flag(
        "corner_not_seen",
        "No fold that shows in the photo leads to every corner of this panel.",
        "Photograph the piece against the light, or from its other side as well.",
    ),
    Flag(
        "kept_lens_contradicted",
        "The folds of this photo bend otherwise than the lens that was kept of its camera: the photo's own was taken.",
        "Measure the camera again with foldtrue camera PHOTO --keep, at the zoom and distance of your pieces; a "
        "cropped or edited picture is not what the camera saw.",
    ),
    Flag(
        "overturn_not_told",
        "What shows of the piece from this side does not tell by how much all twists together are turned too far: the "
        "common overturn given is no more than what is usual.",
        "Photograph the front, or the piece against the light; turns of the twists against each other stand.",
    ),
    Flag(
        "scale_assumed",
        "Nothing of known size is in the picture: millimetres rest on the planned size of the piece itself.",
        "Take relative figures as they are; measure one length of the piece with a rule if its true size matters.",
    ),
    Flag(
        "sheet_assumed",
        "The blank sheet under the piece was taken for one of standard size; the scale rests on it.",
        "Say what it is with --reference A4 or Letter, or that it is neither with --reference none.",
    ),
    Flag(
        "card_assumed",
        "What lies beside the piece was taken for a card of 85.60 x 53.98 mm; the scale rests on it.",
        "Say --reference card where it is one, --reference none where it is not.",
    ),
    Flag(
        "mat_scale_assumed",
        "The mat's bars were not measured: its size is taken as designed, and printers are off by up to 2 per cent.",
        "Measure both bars of the print with a rule and give what you read with --bars.",
    ),
    Flag(
        "mat_bent",
        "The mat does not lie flat: it bends by half a millimetre or more.",
        "Tape it flat on a firm table by its corners.",
    ),
    Flag(
        "mat_axes_differ",
        "By the camera the mat's millimetres differ along its two sides by more than the uncertainties allow.",
        "Measure both bars again, the bottom one first; print the mat at 100 %, not fitted to the page.",
    ),
    Flag(
        "references_disagree",
        "The mat as designed and a card beside it give sizes that differ by more than the uncertainties allow.",
        "Measure the mat's bars and give them with --bars; check that it was printed at 100 %.",
    ),
    Flag(
        "scan_assumed",
        "The picture was taken for a scan of the resolution that its file says; the scale rests on it.",
        "Say --reference scan where it is one, --reference none where it is not.",
    ),
    Flag(
        "side_assumed",
        "The photo cannot tell which side faces the camera; the front was assumed.",
        "Say which side it is with --side front or --side back.",
    ),
    Flag(
        "site_ambiguous",
        "The plan fits this photo in more than one place.",
        "Show the rim of the piece, or point at the piece's centre with --at PX,PY.",
    ),
    Flag(
        "outlier",
        "This twist disagrees with its neighbours by far more than the uncertainties allow.",
        "Look at it on the overlay: it may be a real slip, or an edge that was taken for another one.",
    ),
    Flag(
        "clipped",
        "Part of this twist is burnt out or black in the photo, so its edges may be shifted.",
        "Lower the exposure, or put more distance or a sheet of paper between the lamp and the piece.",
    ),
    Flag(
        "lens_uncertain",
        "The lens distortion could not be told from this photo; what it may do is part of the uncertainty.",
        "Step back and zoom in, and keep the piece in the middle of the picture.",
    ),
    Flag(
        "plane_from_piece",
        "The camera's view was found from the piece itself: shear and keystone of the piece itself cannot be told from "
        "the camera's.",
        "Read the figures as errors of the twists against each other, not of the whole piece's shape.",
    ),
    Flag(
        "turn_assumed",
        "This side of the piece looks nearly alike in turns of 60 degrees, and like pieces of some other plans; the "
        "turn closest to upright was taken.",
        "Photograph the piece with the plan's x direction to the right, and mark one corner for photos to come.",
    ),
    Flag(
        "size_differs",
        "By the thing of known size the piece has another size than planned; pieces of other plans can look the same.",
        "Check that the plan is this piece's (sheet size, divisions, spacing), and what gives the scale.",
    ),
    Flag(
        "sheet_side_assumed",
        "Nothing on an unfolded sheet tells its front from its back; the front was taken to face the camera.",
        "Photograph the sheet with its front up.",
    ),
    Flag(
        "sheet_turn_assumed",
        "An unfolded sheet looks alike in several turns; the one closest to upright was taken.",
        "Lay the sheet as the plan has it, its x direction to the right, and mark one corner for photos to come.",
    ),
    Flag(
        "grid_scale_assumed",
        "Nothing of known size was used: millimetres are those of the planned grid.",
        "Take errors as they are; measure the sheet's height with a rule if its true size matters.",
    ),
    Flag(
        "orientation_assumed",
        "How the piece was turned in this photo, against the other photos of it, cannot be told from its errors.",
        "Mark one corner, photograph the piece the same way up, and say so with --same-way-up.",
    ),
    Flag(
        "photo_disagrees",
        "This photo disagrees with the others of the piece by more than the uncertainties allow.",
        "Look at its overlay: another piece, one that was bent since, or light that misleads; take it again.",
    ),
    Flag(
        "tone_curve_assumed",
        "The camera's tone curve is not known; pixel values were taken as sRGB.",
        "Turn off filters and high-contrast modes, and leave the photo as the camera wrote it.",
    ),
    Flag(
        "edge_hidden",
        "One edge of this pleat lies under paper in this view, so its width cannot be seen.",
        "Photograph the piece against the light.",
    ),
    Flag(
        "edge_not_seen",
        "Too little of this edge shows in the photo to place it.",
        "Step closer or take more pixels; keep fingers, tape and shadows off the edge.",
    ),
    Flag(
        "edge_disagrees",
        "An edge of this pleat does not run where the points at its ends are, so no width is stated.",
        "Look at it on the overlay: it may be creased twice, or another line was taken for it.",
    ),
    Flag(
        "no_mountain_edge",
        "By the plan the mountain edge of this pleat is one point: it has a width there, but no angle.",
        "Nothing is wrong.",
    ),
    Flag(
        "held_not_flat",
        "The piece was said to be held flat, and yet it bends or bulges.",
        "Press it closer to the glass or tape it all round; or measure it as it is, with --held free.",
    ),
    Flag(
        "piece_bends",
        "The piece bends or bulges out of its plane by more than the figures allow for.",
        "Flatten it under glass, or stand back and zoom.",
    ),
)

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _REGISTER}


def flags_page() -> str:
    """The text of docs/flags.md."""
    rows = "\n".join(f"| `{flag.name}` | {flag.sentence} | {flag.advice} |" for flag in FLAGS.values())
    return (
        "# Quality flags\n\n"
        "Written from `inspect/foldtrue/flags.py` by `python docs/make_pages.py`; do not edit.\n\n"
        "A flag never changes a figure: it says what a figure rests on, or why there is none.\n\n"
        f"| flag | what it says | what helps |\n|---|---|---|\n{rows}\n"
    )
