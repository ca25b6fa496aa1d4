"""`python -m foldtrue`, and the `foldtrue` command."""

from __future__ import annotations

import sys

from foldtrue.cli import run


def main() -> None:
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
