"""The simulator: photos with exactly known truth, from a plan and a scene (docs/simulate.md)."""

from foldtrue.simulate.laid import Card, Lie, MatSheet, Scanner
from foldtrue.simulate.lit import Ground, Lamp, Reference, Relief, Surface, Thumb
from foldtrue.simulate.piece import TruthPoses, truth_poses
from foldtrue.simulate.practice import practice_scene
from foldtrue.simulate.render import simulate_photo
from foldtrue.simulate.scene import Camera, Errors, Light, Outlier, Paper, Scene, Sensor

__all__ = [
    "Camera",
    "Card",
    "Errors",
    "Ground",
    "Lamp",
    "Lie",
    "Light",
    "MatSheet",
    "Outlier",
    "Paper",
    "Reference",
    "Relief",
    "Scanner",
    "Scene",
    "Sensor",
    "Surface",
    "Thumb",
    "TruthPoses",
    "practice_scene",
    "simulate_photo",
    "truth_poses",
]
