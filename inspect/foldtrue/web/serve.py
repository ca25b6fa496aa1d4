"""Start the server on this machine and open the browser on it."""

from __future__ import annotations

import socket
import sys
import threading
import webbrowser
from pathlib import Path

from foldtrue.errors import MachineLacks
from foldtrue.web.app import make_app
from foldtrue.web.guard import allowed_hosts

_HOST = "127.0.0.1"


def serve(home: Path, port: int, browser: bool) -> None:
    """Serves until stopped. port 0: any free one. Raises MachineLacks where the port is taken, UnreadableFile where
    `home` cannot be written."""
    import uvicorn

    listener = _listen(port)
    port = listener.getsockname()[1]
    address = f"http://{_HOST}:{port}/"
    app = make_app(home, allowed_hosts(port))
    print(f"foldtrue is at {address} (this machine only). Stop it with Ctrl-C.", file=sys.stderr)
    if browser:
        threading.Timer(0.5, webbrowser.open, (address,)).start()
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=3
    )
    uvicorn.Server(config).run(sockets=[listener])


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)  # or asyncio lets answers wait
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((_HOST, port))
    except OSError:
        listener.close()
        raise MachineLacks(
            f"Port {port} is taken.", "Is foldtrue running already? Else choose another with --port."
        ) from None
    listener.listen(64)
    return listener
