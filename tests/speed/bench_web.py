"""How fast pages answer, alone and while a photo is measured: medians over a record of 1,000 pieces, as a table.

    .venv/bin/python tests/speed/bench_web.py [--times N]

The server runs as a person starts it, in a process of its own, and keeps measuring photos one after the other.
"""

from __future__ import annotations

import argparse
import re
import statistics
import sys
import tempfile
import time
from pathlib import Path

import httpx2

sys.path.insert(0, str(Path(__file__).parents[1]))
from recorded import thousand_pieces
from served import ROOT, Served

SAMPLE = ROOT / "sample_images" / "window-panel"
PAGES = (
    "/",
    "/plan?plan={plan}",
    "/photo?plan={plan}&stage=piece",
    "{job}/state",
    "/shelf",
    "/shelf?words=gift&page=3",
    "/shelf/500",
    "/shelf/500/remove",
    "/progress?person=heron&plan=plan 1 (invented)",
    "/progress",
    "/settings",
)
LIMIT_MS = 200


def send(client: httpx2.Client, token: str, plan: str) -> str:
    """Address of a new job of the sample photo."""
    fields = {"token": token, "plan": plan, "stage": "piece", "view": "backlit"}
    with (SAMPLE / "photo.jpg").open("rb") as photo:
        answer = client.post("/photo", data=fields, files={"photo": ("photo.jpg", photo, "image/jpeg")})
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def answer_ms(client: httpx2.Client, place: str) -> float:
    start = time.perf_counter()
    assert client.get(place).status_code == 200, place
    return 1000 * (time.perf_counter() - start)


def is_open(client: httpx2.Client, job: str) -> bool:
    return client.get(f"{job}/state").json()["state"] in ("waiting", "running")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=15)
    times = parser.parse_args().times
    with tempfile.TemporaryDirectory() as folder:
        thousand_pieces(Path(folder) / "record.db")
        server = Served(Path(folder))
        try:
            headers = {"origin": server.address}
            with httpx2.Client(base_url=server.address, headers=headers, timeout=60) as client:
                return table(client, times)
        finally:
            server.stop()


def table(client: httpx2.Client, times: int) -> int:
    """Prints it; 1 where a median is above the limit."""
    start = client.get("/").text
    token, plan = (re.search(f, start)[1] for f in (r'name="token" value="(\w+)"', r'<option value="(\w+)"'))
    job = send(client, token, plan)
    while is_open(client, job):
        time.sleep(0.2)
    places = [place.format(plan=plan, job=job) for place in PAGES]
    first = {place: answer_ms(client, place) for place in places}
    alone = {place: statistics.median(answer_ms(client, place) for _ in range(times)) for place in places}
    busy: dict[str, list[float]] = {place: [] for place in places}
    for _ in range(times):
        if not is_open(client, job):
            job = send(client, token, plan)
        for place in places:
            busy[place].append(answer_ms(client, place))
    print("| page, median in ms | first visit | alone | while a photo is measured |\n|---|---|---|---|")
    for place in places:
        print(f"| `{place}` | {first[place]:.0f} | {alone[place]:.0f} | {statistics.median(busy[place]):.0f} |")
    return int(any(statistics.median(each) >= LIMIT_MS for each in busy.values()))


if __name__ == "__main__":
    sys.exit(main())
