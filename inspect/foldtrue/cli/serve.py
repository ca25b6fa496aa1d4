"""foldtrue serve: the whole job in a browser on this machine."""

from __future__ import annotations

import click


@click.command()
@click.option("--port", type=click.IntRange(0, 65535), default=8736, show_default=True, help="0 takes any free one.")
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
def serve(port: int, no_browser: bool) -> None:
    """Open a page on this machine on which the whole job is done.

    Nothing leaves the machine, and nobody else can connect.
    """
    from foldtrue.home import home_folder
    from foldtrue.web.serve import serve as serve_pages

    serve_pages(home_folder(), port, not no_browser)
