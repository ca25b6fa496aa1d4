"""Names from outside (plans, files, titles, twists) as they may stand on a page."""

from __future__ import annotations

LONGEST = 160
"""Characters that are shown: a longer name would hide what the page is about."""


def shown(text: object, most: int = LONGEST) -> str:
    """The text without control characters and the like, its beginning where it is long."""
    plain = " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())
    return plain if len(plain) <= most else plain[: most - 1] + "…"
