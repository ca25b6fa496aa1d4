"""What a person says of a photo of a piece, for every command that measures one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

import click

from foldtrue.cli.parts import Command, corners_options, point
from foldtrue.references import Asked

if TYPE_CHECKING:
    from foldtrue.inspection import InspectOptions

_SIDE = click.option("--side", type=click.Choice(["front", "back"]), help="Side of the piece that faces the camera.")
_VIEW = click.option(
    "--view",
    type=click.Choice(["auto", "backlit", "front", "back"]),
    default="auto",
    show_default=True,
    help="Lit from behind (backlit), or the front or back under a lamp or by a window; auto finds out.",
)
_AT = click.option(
    "--at", callback=point, metavar="PX,PY", help="The piece's centre in the upright photo, where it cannot be told."
)
_REFERENCE = click.option(
    "--reference",
    type=click.Choice(get_args(Asked), case_sensitive=False),
    default="auto",
    show_default=True,
    help="Thing of known size in the picture: the printed mat, a scan's resolution, any card of "
    "85.60 x 53.98 mm beside the piece (blank side up), a blank sheet under it; auto looks for one.",
)
_DPI = click.option("--dpi", type=float, help="Resolution of a scan, where its file does not say it or is wrong.")
_BARS = click.option(
    "--bars",
    callback=point,
    metavar="MM,MM",
    help="Lengths of the printed mat's bars as you measured them, the one along the bottom first.",
)
_HELD = click.option(
    "--held",
    type=click.Choice(["free", "glass", "window"]),
    default="free",
    show_default=True,
    help="How the piece was held: lying or hanging free, under a pane of glass, or taped flat to a window.",
)

_NO_KEPT = click.option(
    "--no-kept-camera",
    is_flag=True,
    help="Take the lens from this photo alone, also where that of its camera was kept (foldtrue camera --keep).",
)


def photo_options(command: Command) -> Command:
    """The options; a command hands what it gets of them to `inspect_options`."""
    for option in (_NO_KEPT, _HELD, _BARS, corners_options, _DPI, _REFERENCE, _AT, _VIEW, _SIDE):
        command = option(command)
    return command


def inspect_options(*, at: Any, bars: Any, corners: Any, no_kept_camera: bool, **said: Any) -> InspectOptions:
    """What was said, checked, and the cameras that were kept."""
    from foldtrue.home import home_folder
    from foldtrue.inspection import InspectOptions
    from foldtrue.kept_camera import kept_lenses

    lenses = () if no_kept_camera else kept_lenses(home_folder())
    return InspectOptions(at_px=at, bars_mm=bars, corners_px=corners, lenses=lenses, **said)
