"""Every way a command can end: an exit code, and one line on stderr where it failed."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import click

from foldtrue.errors import FoldtrueError, MachineLacks, UnreadableFile

STOPPED = 130
_ADVICE_LIBRARIES = "On Debian: apt-get install libgl1 libglib2.0-0"


def run_command(command: click.Command, arguments: Sequence[str]) -> int:
    """Run a command line and return its exit code; a known failure is one line on stderr, never a traceback."""
    try:
        code = command.main(list(arguments) or ["--help"], prog_name="foldtrue", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except click.exceptions.UsageError as error:
        return _say(_usage_line(error), error.exit_code)
    except click.ClickException as error:
        return _say(error.format_message(), error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        return _say("Stopped.", STOPPED)
    except FoldtrueError as error:
        return _say(str(error), error.exit_code)
    except ImportError as error:
        lacks = MachineLacks(f"A part of foldtrue cannot be loaded: {error}.", _import_advice(error))
        return _say(str(lacks), lacks.exit_code)
    except MemoryError:
        return _say("There is not enough memory. Use a smaller photo.", MachineLacks.exit_code)
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        return _say(f"{place}{error.strerror or error}.", UnreadableFile.exit_code)


def _say(message: str, code: int) -> int:
    print("foldtrue: " + " ".join(message.split()), file=sys.stderr)
    return code


def _usage_line(error: click.exceptions.UsageError) -> str:
    path = error.ctx.command_path if error.ctx else "foldtrue"
    if isinstance(error, _NO_ARGUMENTS):
        return f"A command is missing. See '{path} --help'."
    return f"{error.format_message()} See '{path} --help'."


# Click 8.2 and later raise this error, whose message is the whole help page, where earlier versions printed the page.
_NO_ARGUMENTS: tuple[type[Exception], ...] = tuple(
    kind for kind in [getattr(click.exceptions, "NoArgsIsHelpError", None)] if kind is not None
)


def _import_advice(error: ImportError) -> str:
    """A missing .so is the system's, anything else Python's."""
    if ".so" in str(error):
        return _ADVICE_LIBRARIES
    own = not error.name or error.name.split(".")[0] == "foldtrue"
    return "Install foldtrue again." if own else f"pip install {error.name}"
