"""rectify_photo: where the plan lies in the photo, and whether the photo shows this plan at all."""

from __future__ import annotations

from foldtrue.handover import Nominal, Photo, Plane
from foldtrue.rectify.backlit import rectify_backlit
from foldtrue.rectify.lit import rectify_auto, rectify_lit
from foldtrue.rectify.outcome import RectifyOptions as RectifyOptions
from foldtrue.rectify.pinned import with_place


def rectify_photo(photo: Photo, nominal: Nominal, options: RectifyOptions | None = None) -> Plane:
    """Find the plan in the photo, seen as options.view says.

    Raises NotThisPiece when the picture does not show the plan, SiteAmbiguous when it fits in several places,
    PhotoTooPoor when the pitch is too few pixels.
    """
    options = with_place(options or RectifyOptions())
    if options.view == "backlit":
        return rectify_backlit(photo, nominal, options)
    if options.view == "auto":
        return rectify_auto(photo, nominal, options)
    return rectify_lit(photo, nominal, options)
