"""Pages as SVG 1.1: millimetres in the file are millimetres on paper."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Sequence
from html import escape

from foldtrue.frames import Array
from foldtrue.printing.drawing import Area, Mark, Page, Picture, Stroke, Window, Words, moved
from foldtrue.printing.words import printable, width_mm

_GAP_MM = 10.0


def svg_text(pages: Sequence[Page]) -> str:
    """One SVG text, sized in mm: the pages one below the other, as a file or to be put into a web page as it is.

    Names and titles are escaped, so that a plan from a stranger cannot bring its own markup.
    """
    width = max(page.width_mm for page in pages)
    height = sum(page.height_mm for page in pages) + _GAP_MM * (len(pages) - 1)
    body: list[str] = []
    top = height
    for number, page in enumerate(pages):
        body += _page(page, number, top, height)
        top -= page.height_mm + _GAP_MM
    lines = "\n".join(body)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {height:.3f}">\n<title>{_escaped(pages[0].title)}</title>\n'
        f'<g fill="none" stroke="#000" font-family="Helvetica, Arial, sans-serif">\n{lines}\n</g>\n</svg>\n'
    )


def _page(page: Page, number: int, top: float, height: float) -> Iterable[str]:
    """The page's elements, its upper edge at `top` above the lower edge of a picture of the given height."""
    shift = (0.0, top - page.height_mm)
    for k, window in enumerate(page.windows):
        yield from _window(window, f"clip{number}-{k}", shift, height)
    for mark in page.marks:
        yield _element(moved(mark, 1.0, shift), height)


def _window(window: Window, name: str, shift: tuple[float, float], height: float) -> Iterable[str]:
    place = (window.shift[0] + shift[0], window.shift[1] + shift[1])
    if window.clip is None:
        yield f'<g class="{window.drawing.kind}">'
    else:
        x0, y0, x1, y1 = window.clip
        box = f'x="{x0 + shift[0]:.3f}" y="{height - y1 - shift[1]:.3f}" width="{x1 - x0:.3f}" height="{y1 - y0:.3f}"'
        yield f'<clipPath id="{name}"><rect {box}/></clipPath>'
        yield f'<g class="{window.drawing.kind}" clip-path="url(#{name})">'
    for mark in window.drawing.marks:
        yield _element(moved(mark, window.scale, place), height)
    yield "</g>"


def _element(mark: Mark, height: float) -> str:
    if isinstance(mark, Words):
        return _words(mark, height)
    if isinstance(mark, Picture):
        return _picture(mark, height)
    if isinstance(mark, Area):
        path = "".join(_path(ring, height) + "Z" for ring in mark.rings)
        return f'<path class="{mark.kind}" fill="{_grey(mark.grey)}" fill-rule="evenodd" stroke="none" d="{path}"/>'
    return _stroke(mark, height)


def _stroke(mark: Stroke, height: float) -> str:
    name = f' id="{_escaped(mark.name)}"' if mark.name else ""
    dashes = f' stroke-dasharray="{" ".join(f"{d:.3f}" for d in mark.dashes)}"' if mark.dashes else ""
    grey = f' stroke="{_grey(mark.grey)}"' if mark.grey else ""
    path = _path(mark.points, height) + ("Z" if mark.closed else "")
    return f'<path{name} class="{mark.kind}" stroke-width="{mark.width_mm:.3g}"{dashes}{grey} d="{path}"/>'


def _picture(mark: Picture, height: float) -> str:
    (x, y), (wide, high) = mark.at, mark.size_mm
    place = f'x="{x:.3f}" y="{height - y - high:.3f}" width="{wide:.3f}" height="{high:.3f}"'
    return f'<image {place} href="data:image/jpeg;base64,{b64encode(mark.jpeg).decode()}"/>'


def _words(mark: Words, height: float) -> str:
    text = printable(mark.text)
    x, y = mark.at
    anchor = "" if mark.anchor == "start" else f' text-anchor="{mark.anchor}"'
    # the reader's font may be wider than the one the page was laid out with
    length = f' textLength="{width_mm(text, mark.size_mm):.2f}" lengthAdjust="spacingAndGlyphs"' if text else ""
    return (
        f'<text x="{x:.3f}" y="{height - y:.3f}" font-size="{mark.size_mm:.2f}"{anchor}{length} '
        f'fill="{_grey(mark.grey)}" stroke="none">{escape(text)}</text>'
    )


def _path(points: Array, height: float) -> str:
    return "M" + "L".join(f"{x:.3f} {height - y:.3f}" for x, y in points.tolist())


def _grey(level: float) -> str:
    code = round(255 * level)
    return f"#{code:02x}{code:02x}{code:02x}"


def _escaped(text: str) -> str:
    return escape(printable(text), quote=True)
