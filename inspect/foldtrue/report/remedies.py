"""What helps against the term that leads, and how much, wherever the term's law says how much.

Laws used, each for a variance: a height moves edges, and waves move whole twists, by z r / D, so it falls with the
square of the distance (the zoom keeping the pixels); the pixels' noise falls at least with the square of the pixels per
mm, and no faster than their cube (Cramer-Rao bound of a blurred edge, blur constant in mm or in px), and with the
number of photos; a radial lens term grows with the fourth power of the piece's size in the picture. Estimating anew
with the changed variances can only do better than these figures, which keep the estimate as it is (Gauss-Markov
theorem). For other terms no figure is given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from foldtrue.camera_place import camera_place
from foldtrue.frames import Array
from foldtrue.handover import Inspection
from foldtrue.handover_figures import BUDGET_TERMS
from foldtrue.measured import decimal_places

LEAST_GAIN = 0.9
"""A change that leaves more than this of the uncertainty is not worth a figure."""
FARTHEST_MM = 1500.0
"""Beyond that a room ends (common practice, no source)."""
_PHOTOS = 4
_KNOWN_DISTANCE = 0.1

NAMES: Mapping[str, str] = {
    "pixel_noise": "the pixels' noise",
    "paper_texture": "the paper's own clouds, fibres and old creases",
    "folds_apart": "folds that should meet and do not",
    "paper_height": "the paper's height",
    "which_edge": "doubt about which of several edges is seen",
    "unseen": "what does not show of the twists",
    "light_shift": "edges shifted by light, scatter and tone curve",
    "light_slope": "blur and shadows, which turn edges of a kind alike",
    "twist_size": "how far the pleats are closed",
    "lens": "the lens",
    "plane": "the plane by what gives the scale",
    "waves": "waves and a bulge of the paper",
}
_VIEW = "of another view (front, back or against the light)"
_ANOTHER = f"a photo {_VIEW}"
_WORDS: Mapping[str, str] = {
    "paper_texture": f"More pixels do not help; {_ANOTHER} shows other edges.",
    "folds_apart": "It is in the piece, and no photo takes it away; press the folds flat.",
    "which_edge": f"Add {_ANOTHER}, where those edges part.",
    "unseen": f"Add a photo in which it shows: {_VIEW}, or with the lamp turned a quarter round.",
    "light_shift": f"Add {_ANOTHER}, whose shifts are others.",
    "light_slope": "Take a sharper photo, under a lamp one more lit from another side: blur and shadow turn edges.",
    "plane": "Lay what gives the scale around the piece, both flat in one plane, larger and with sharper corners.",
    "twist_size": f"Close the pleats fully, or add {_ANOTHER}.",
}


@dataclass(frozen=True)
class Figure:
    """One figure of the measured twists: shares (G, N) of its 95 % uncertainties by term, in `unit`."""

    shares: Array
    unit: str

    @property
    def variances(self) -> Array:
        """(G,) mean over the twists, up to a common factor."""
        return np.asarray(np.mean(self.shares**2, 1))

    @property
    def leads(self) -> str:
        return BUDGET_TERMS[int(self.variances.argmax())]

    @property
    def share(self) -> float:
        """Of the mean variance, that of the term that leads."""
        return float(self.variances.max() / max(self.variances.sum(), 1e-300))

    def u95(self, change: Mapping[str, float] | None = None) -> float:
        """Root mean square of the twists' uncertainties, with the variances of some terms multiplied."""
        factor = np.array([(change or {}).get(name, 1.0) for name in BUDGET_TERMS])
        return float(np.sqrt(factor @ self.variances))


@dataclass(frozen=True)
class Remedy:
    """text: one or two sentences; u95_after: the figure's uncertainty then at most, None where no law tells it."""

    text: str
    u95_after: float | None = None


def remedy(inspection: Inspection, figure: Figure) -> Remedy:
    """What helps against the term that leads in this figure."""
    lawful = {
        "paper_height": _stand_back,
        "waves": _stand_back,
        "pixel_noise": _more_pixels,
        "lens": _smaller_in_picture,
    }
    if figure.leads in lawful:
        return lawful[figure.leads](inspection, figure)
    return Remedy(_WORDS[figure.leads])


def _stand_back(inspection: Inspection, figure: Figure) -> Remedy:
    text, ratio = _farther(inspection)
    free = inspection.provenance.get("options", {}).get("held", "free") == "free"
    flat = "Press the piece flat under glass, and say so with --held glass."
    far = "Take it from straight above its middle, as far away as the room allows."
    change = dict.fromkeys(("paper_height", "waves"), ratio**-2.0)
    found = _promised(text, figure, change, flat if free else far)
    both = figure.leads == "waves" and free and found.u95_after is not None
    return replace(found, text=f"{found.text} Or: {flat[0].lower()}{flat[1:]}") if both else found


def _farther(inspection: Inspection) -> tuple[str, float]:
    """Advice to stand back, and how many times the distance that is."""
    camera = camera_place(inspection.photo, inspection.fit.map)
    now = camera.distance_mm * (inspection.fit.scale or 1.0)
    ratio = max(min(2.0, FARTHEST_MM / now), 1.0)
    far = f"from about {now / 10:.0f} to {ratio * now / 10:.0f} cm"
    if camera.distance_std_mm > _KNOWN_DISTANCE * camera.distance_mm:
        far = f"to {ratio:.2g} times the distance"
    return f"Step back {far} and zoom in until the piece is as large in the picture", ratio


def _more_pixels(inspection: Inspection, figure: Figure) -> Remedy:
    larger = min(2.0, 0.95 * _room(inspection))
    if larger >= 1.2:
        text = f"Zoom in until the piece is {larger:.1f} times as large in the picture"
        return _promised(text, figure, {"pixel_noise": larger**-2.0}, "Take it with more pixels.")
    return _promised(f"Take {_PHOTOS} photos", figure, {"pixel_noise": 1 / _PHOTOS}, "Take it with more pixels.")


def _smaller_in_picture(inspection: Inspection, figure: Figure) -> Remedy:
    smaller = 0.7
    change = {"lens": smaller**4, "pixel_noise": smaller**-3.0}
    text = f"Step back until the piece, in the middle, is {smaller} times as large in the picture"
    return _promised(text, figure, change, "Keep the piece in the middle of the picture, with room around it.")


def _promised(text: str, figure: Figure, change: Mapping[str, float], otherwise: str) -> Remedy:
    now, after = figure.u95(), figure.u95(change)
    if after > LEAST_GAIN * now:
        return Remedy(otherwise)
    places = max(decimal_places(after), 0)
    return Remedy(f"{text}: about {after:.{places}f} instead of {now:.{places}f} {figure.unit}.", after)


def _room(inspection: Inspection) -> float:
    """How many times larger the piece could be in the picture."""
    height, width = inspection.photo.pixels.shape[:2]
    extent = np.ptp(inspection.fit.map.to_px(inspection.nominal.outline_mm), axis=0)
    return float(min(width / extent[0], height / extent[1]))
