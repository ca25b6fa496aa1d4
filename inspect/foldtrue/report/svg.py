"""Vector pictures for a page, built as a tree, so that no name in them can bring markup of its own."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence

from markupsafe import Markup

from foldtrue.report.names import shown

Node = ET.Element
Points = Iterable[Sequence[float]]


def picture(width: float, height: float, kind: str, said: str) -> Node:
    """An empty picture of a size in its own units. kind: class in the page's style; said: what it shows, for those who
    cannot see it."""
    box = f"0 0 {number(width)} {number(height)}"
    return ET.Element("svg", {"viewBox": box, "class": kind, "role": "img", "aria-label": said})


def add(parent: Node, tag: str, kind: str = "", text: str = "", **attributes: str | float) -> Node:
    """A new element at the end of `parent`; an attribute's _ stands for -."""
    plain = {name.replace("_", "-"): v if isinstance(v, str) else number(v) for name, v in attributes.items()}
    node = ET.SubElement(parent, tag, ({"class": kind} if kind else {}) | plain)
    node.text = shown(text) or None
    return node


def number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") or "0"


def outline(points: Points) -> str:
    """Path of a closed polygon."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points) + "Z"


def markup(root: Node) -> Markup:
    """The picture as text to be put into a page as it is."""
    return Markup(ET.tostring(root, encoding="unicode"))  # ElementTree has escaped every text and attribute
