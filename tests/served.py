"""A server as a person starts it, in a process and with a folder of its own, that can be stopped and started again."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
QUIET = (
    "--no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)
"""How Chromium is started, so that it does nothing but show pages."""


class Served:
    """home: the person's folder. address: without a slash at the end, the same after a restart."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self._port = 0
        self.start()

    def start(self) -> None:
        words = [sys.executable, "-m", "foldtrue", "serve", "--no-browser", "--port", str(self._port)]
        said = {**os.environ, "FOLDTRUE_HOME": str(self.home), "PYTHONPATH": str(ROOT / "inspect")}
        self._process = subprocess.Popen(words, env=said, stderr=subprocess.PIPE, text=True)
        assert self._process.stderr is not None
        line = self._process.stderr.readline()
        found = re.search(r"(http://127\.0\.0\.1:(\d+))/", line)
        assert found, line
        self.address, self._port = found[1], int(found[2])

    @contextlib.contextmanager
    def measuring_held(self) -> Iterator[None]:
        """The server's own processes stand still, so that what is being measured stays so; afterwards they are ended,
        and with them what they were at."""
        pid = self._process.pid
        children = [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
        for child in children:
            os.kill(child, signal.SIGSTOP)
        yield
        for child in children:
            os.kill(child, signal.SIGKILL)

    def stop(self, how: int = signal.SIGTERM) -> None:
        self._process.send_signal(how)
        self._process.wait(20)
        assert self._process.stderr is not None
        self._process.stderr.close()
