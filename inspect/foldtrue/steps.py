"""The steps of a measuring, as they are called while they run (inspection.py::Clock)."""

STEP_WORDS = {
    "draw": "drawing a practice photo",
    "plan": "folding the plan",
    "photo": "reading the photo",
    "rectify": "finding the piece",
    "detect": "measuring edges",
    "fit": "comparing with the plan",
    "scale": "looking for a thing of known size",
    "pool": "comparing the photos",
    "report": "writing the result",
}
