"""ABOUT.md of one picture: what it is, how it was made, what to keep in mind."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cases import Case

SEEN = {"front": "from the front", "back": "from the back", "backlit": "against the light"}
FILES = """| file | what |
|---|---|
| `photo.jpg` | the photo |
| `plan.json` | the plan |
| `truth.json` | where every twist lies in the rendered mesh, no alignment removed; foldtrue does not read it |"""
CAUTIONS = {
    "backlit": "How light dims from layer to layer is that of one made-up paper.",
    "front": "Edges show by their shadows and shading only; unused grid creases run across the piece.",
    "back": "From behind, the twists' own outlines are hidden; `truth.json` is the mesh's all the same.",
}


def about(name: str, case: Case) -> str:
    """The text. Everything in it comes from the case."""
    piece, layout, camera = case.piece, case.piece.layout, case.camera
    loose = " and ".join(sorted(piece.errors.loose, key=lambda t: int(t[1:])))
    paragraphs = [
        f"# {name.replace('-', ' ').capitalize()} (invented)",
        "A piece that was never folded, from an invented small studio that folds backlit window panels, "
        f"seen {SEEN[case.view]}, {case.about}.",
        f"Hexagon of {layout.height_mm:g} mm, point-to-point grid of {layout.divisions}, "
        f"pitch {layout.pitch_mm:.4g} mm, triangle twists at spacing {layout.spacing}, {layout.rings} rings. "
        f"Planted as loose: {loose}. "
        f"{camera.width_px} x {camera.height_px} pixels, {camera.focal_35mm:g} mm in 35 mm terms, "
        f"{camera.distance_mm:g} mm away, tilted by {camera.tilt_deg:g} deg"
        f"{', stored turned with an orientation tag' if case.develop.orientation != 1 else ''}.",
        FILES,
        f"Made by `python sample_images/render/make.py {name}`: path tracing ({case.samples} paths a pixel) of a mesh "
        "of the folded sheet with thickness. foldtrue's own folding and picture model have no part in it. Seeds: "
        f"{piece.seed} (piece), {case.seed} (picture). How, and the fields of `truth.json`: `../README.md`.",
        f"To keep in mind: {CAUTIONS[case.view]} Heights of up to a millimetre displace what is seen by some "
        "hundredths of a millimetre, which no alignment takes out. The camera has no "
        "lens distortion and unlimited depth of field.",
        "No real piece, person or maker is shown. Licence: as the project's.",
    ]
    return "\n\n".join(paragraphs) + "\n"
