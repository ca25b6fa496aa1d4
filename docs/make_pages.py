"""Write the generated pages: docs/cli.md from the commands' own help, docs/flags.md from the register of flags."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from foldtrue.cli import foldtrue
from foldtrue.flags import flags_page

DOCS = Path(__file__).parent


def cli_page() -> str:
    """Every command with its help and its options, from the commands themselves (not from click's own layout, which
    changes from version to version)."""
    head = "# Commands\n\nWritten from the commands' own help by `python docs/make_pages.py`; do not edit.\n"
    return head + "".join(_sections(foldtrue, "foldtrue"))


def _sections(command: click.Command, path: str) -> Iterator[str]:
    arguments = [param.metavar or param.name.upper() for param in command.params if isinstance(param, click.Argument)]
    text = " ".join((command.help or "").split())
    yield f"\n## {' '.join([path, *arguments])}\n\n{text}\n"
    options = [param for param in command.params if isinstance(param, click.Option) and param.opts != ["--version"]]
    if options:
        rows = "".join(f"| {' | '.join(_option(option))} |\n" for option in options)
        yield f"\n| option | value | meaning |\n|---|---|---|\n{rows}"
    if isinstance(command, click.Group):
        for name, child in sorted(command.commands.items()):
            yield from _sections(child, f"{path} {name}")


def _option(option: click.Option) -> tuple[str, str, str]:
    kind = option.type
    value = ", ".join(map(str, kind.choices)) if isinstance(kind, click.Choice) else option.metavar or kind.name
    notes = ["required"] if option.required else [f"default {option.default}"] if option.show_default else []
    return f"`{option.opts[0]}`", value, " ".join([option.help or "", *(f"({note})" for note in notes)]).strip()


PAGES = {"cli.md": cli_page, "flags.md": flags_page}


if __name__ == "__main__":
    for name, page in PAGES.items():
        (DOCS / name).write_text(page(), "utf-8")
