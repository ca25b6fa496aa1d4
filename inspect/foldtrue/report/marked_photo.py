"""The photo with every twist as planned and as found, for a page: a picture whose twists can be pointed at, and that
needs no script."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence

from markupsafe import Markup

from foldtrue.report.picture_read import Picture, PlacedTwist, Places
from foldtrue.report.svg import Node, add, markup, outline, picture

_LINE = 1 / 1300
"""Of the longer side: the thinnest line."""


def marked_photo(photo: Picture, places: Places, said: Mapping[str, tuple[int, str]]) -> Markup:
    """said: of each twist's id its number N and its figures in words. The twist is a link named `mark-N` to `twist-N`;
    whoever makes the page shows the words while it is pointed at."""
    width, height = places.width_px, places.height_px
    unit = max(width, height) * _LINE
    root = picture(width, height, "photo", "Photo with the twists as planned and as found")
    root.set("role", "group")  # its twists can be pointed at one by one, which those of an image cannot
    href = "data:image/jpeg;base64," + base64.b64encode(photo.jpeg).decode()
    add(root, "image", href=href, width=width, height=height, preserveAspectRatio="none")
    _line(root, "planned", outline(places.outline), unit)
    size = _type_size(places)
    for twist in (twist for twist in places.twists if twist.id in said):
        _twist(root, twist, said[twist.id], places.magnify, (unit, size))
    return markup(root)


def _twist(root: Node, twist: PlacedTwist, said: tuple[int, str], magnify: float, sizes: tuple[float, float]) -> None:
    number, words = said
    unit, size = sizes
    link = add(root, "a", "mark", id=f"mark-{number}", href=f"#twist-{number}")
    add(link, "title", text=words)
    add(link, "path", "area", d=outline(twist.planned), stroke_width=7 * unit)
    if twist.found is None or twist.error is None or twist.u95_px is None:
        _line(link, "planned", outline(twist.planned), unit)
        _cross(link, twist.centre, 0.8 * size, unit)
    else:
        x, y = twist.error
        grown = [(px + (magnify - 1) * x, py + (magnify - 1) * y) for px, py in twist.found]
        for kind, shape in (("as-found", twist.found), ("enlarged", grown)):
            _line(add(link, "g", kind), "found", outline(shape), 2.6 * unit)
        _line(link, "planned", outline(twist.planned), unit)
        _error(link, twist.centre, (x * magnify, y * magnify), twist.u95_px * magnify, unit)
    add(link, "text", "name", twist.id, x=twist.centre[0], y=twist.centre[1] + _beside(twist, size), font_size=size)


def _beside(twist: PlacedTwist, size: float) -> float:
    """From a twist's middle to the base line of its name, away from where its arrow points."""
    upward = twist.error is not None and twist.error[1] < 0
    return 1.3 * size if upward else -0.6 * size


def _line(parent: Node, kind: str, path: str, width: float) -> None:
    """A line with a case of the other tone, so that it shows on any paper."""
    add(parent, "path", f"case {kind}-case", d=path, stroke_width=width * (2.8 if kind == "planned" else 1.7))
    add(parent, "path", kind, d=path, stroke_width=width)


def _error(parent: Node, start: Sequence[float], error: Sequence[float], radius: float, unit: float) -> None:
    """The arrow of the error, and the circle that holds 95 % of it."""
    x, y = start[0] + error[0], start[1] + error[1]
    path = f"M{start[0]:.2f} {start[1]:.2f}L{x:.2f} {y:.2f}"
    for kind, width in (("error-case", 5.0), ("error", 2.2)):
        add(parent, "path", kind, d=path, stroke_width=width * unit)
        add(parent, "circle", kind, cx=x, cy=y, r=max(radius, unit), stroke_width=0.6 * width * unit)
        add(parent, "circle", f"{kind} end", cx=x, cy=y, r=0.8 * width * unit, stroke_width=0)


def _cross(parent: Node, at: Sequence[float], reach: float, unit: float) -> None:
    x, y = at
    path = f"M{x - reach:.2f} {y - reach:.2f}l{2 * reach:.2f} {2 * reach:.2f}m0 {-2 * reach:.2f}l{-2 * reach:.2f} "
    _line(parent, "planned", path + f"{2 * reach:.2f}", 2 * unit)


def _type_size(places: Places) -> float:
    """A sixth of the largest twist's width, never too small to read on paper."""
    reach = max((max(p[0] for p in t.planned) - min(p[0] for p in t.planned) for t in places.twists), default=100.0)
    longest = max(places.width_px, places.height_px)
    return min(max(reach / 6, longest / 90), longest / 45)
