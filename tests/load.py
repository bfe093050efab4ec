"""How long people and programs wait when an event holds 5,000 lines, each figure against its baseline in the same run.

    python -m tests.load [--lines 5000] [--seconds 8]

The service as a user starts it, on a temporary folder. A list is sent through the page and saved by a worker; then the
first page of the devices and of the interface's list are asked for by `wrk` (Debian's package of that name) over two
connections, and in turn a bare Django view that answers with the very same bytes.
"""

import argparse
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import requests

from tests.service import ROOT, started, until

E = "/e/harbour-days"
PERCENTILES = """
done = function(summary, latency, requests)
  print(string.format("p50 %.1f ms, p95 %.1f ms, %d requests",
    latency:percentile(50) / 1000, latency:percentile(95) / 1000, summary.requests))
end
"""
BARE = """
from pathlib import Path
from django.conf import settings
settings.configure(ALLOWED_HOSTS=["*"], ROOT_URLCONF=__name__, SECRET_KEY="for a measurement")
import django
django.setup()
from django.core.wsgi import get_wsgi_application
from django.http import HttpResponse
from django.urls import path
held = {name: (Path(__file__).parent / name).read_bytes() for name in ("page", "list")}
urlpatterns = [path("<str:name>", lambda request, name: HttpResponse(held[name]))]
application = get_wsgi_application()
"""


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.load", description="Measure a full event.")
    parser.add_argument("--lines", type=int, default=5000)
    parser.add_argument("--seconds", type=int, default=8)
    given = parser.parse_args(arguments)
    if not shutil.which("wrk"):
        print("wrk is not here; apt install wrk.", file=sys.stderr)
        return 2
    with (
        tempfile.TemporaryDirectory(prefix="fairband-load-") as name,
        started(Path(name) / "data") as service,
    ):
        folder = Path(name)
        (folder / "percentiles.lua").write_text(PERCENTILES)
        visitor = logged_in(service.address)
        saving(visitor, service.address, given.lines)
        cookies = "; ".join(f"{key}={value}" for key, value in visitor.cookies.items())
        doors = {
            "page": (f"{service.address}{E}/devices/", f"Cookie: {cookies}"),
            "list": (
                f"{service.address}/api/v1/events/harbour-days/registrations/",
                f"Authorization: Token {service.tokens['coordinator']}",
            ),
        }
        for door, (address, header) in doors.items():
            key, _, value = header.partition(": ")
            (folder / door).write_bytes(requests.get(address, headers={key: value}, timeout=60).content)
        (folder / "bare.py").write_text(BARE)
        door_of_it = socket.create_server(("127.0.0.1", 0))
        bound = f"http://127.0.0.1:{door_of_it.getsockname()[1]}"
        command = [
            sys.executable,
            "-m",
            "gunicorn",
            "bare:application",
            "--bind",
            f"fd://{door_of_it.fileno()}",
        ]
        threads = ["--workers", "2", "--threads", "2", "--log-level", "error"]
        bare = subprocess.Popen([*command, *threads], cwd=folder, pass_fds=[door_of_it.fileno()])
        try:
            until(lambda: answers(f"{bound}/page"), "the bare view answers")
            for door, (address, header) in doors.items():
                size = (folder / door).stat().st_size
                print(f"{door}, {size} bytes: {asked(folder, given.seconds, address, header)}")
                print(f"  bare: {asked(folder, given.seconds, f'{bound}/{door}', '')}")
        finally:
            bare.terminate()
            bare.wait()
    return 0


def logged_in(address: str) -> requests.Session:
    visitor = requests.Session()
    visitor.trust_env = False
    visitor.get(f"{address}/login/")
    given = {"username": "coordinator@harbour-days.example", "password": "a password for tests"}
    post(visitor, f"{address}/login/", given)
    return visitor


def post(visitor: requests.Session, address: str, given: dict[str, str], **more: object) -> requests.Response:
    token = {"csrfmiddlewaretoken": visitor.cookies["csrftoken"]}
    return visitor.post(address, given | token, headers={"Referer": address}, timeout=120, **more)  # type: ignore[arg-type]


def saving(visitor: requests.Session, address: str, lines: int) -> None:
    """Send a list through the page and wait until a worker has saved it."""
    rows = [f"radio {number},repeater,GRD,gate" for number in range(lines)]
    content = "\n".join(["label,kind,department,zone", *rows]).encode()
    began = time.monotonic()
    judged = post(visitor, f"{address}{E}/import/", {}, files={"file": ("list.csv", content)})
    seen = re.search(r'name="seen" value="([^"]+)"', judged.text)
    assert seen, "the list was not taken"
    told = time.monotonic()
    post(visitor, judged.url, {"do": "save", "seen": seen[1]})
    until(lambda: "Saved by" in visitor.get(judged.url).text, "the list is saved")
    print(f"{lines} lines: judged in {told - began:.1f} s, saved in {time.monotonic() - told:.1f} s")


def answers(address: str) -> bool:
    try:
        return requests.get(address, timeout=5).ok
    except requests.ConnectionError:
        return False


def asked(folder: Path, seconds: int, address: str, header: str) -> str:
    command = ["wrk", "-t1", "-c2", f"-d{seconds}s", "-s", str(folder / "percentiles.lua")]
    done = subprocess.run(
        [*command, *(["-H", header] if header else []), address],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    return done.stdout.strip().splitlines()[-1]


if __name__ == "__main__":
    sys.exit(main())
