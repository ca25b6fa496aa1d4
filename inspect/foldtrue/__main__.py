"""`python -m foldtrue`, and the `foldtrue` command."""

from __future__ import annotations

import os
import sys

from foldtrue.cli import run


def main() -> None:
    code = run(sys.argv[1:])
    try:
        sys.stdout.flush()
    except OSError:  # run() has said so; what is left in the buffer must not fail again while Python shuts down
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)


if __name__ == "__main__":
    main()
