"""Starting and ending the group of processes where the surroundings are not kind: ports, proxies, signals at any time.

What a group does once it runs is tested in tests/coordinator/test_service.py.
"""

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.service import ROOT, alive, begun_before, until


def coordinator(folder: Path, *arguments: str, **variables: str) -> "subprocess.Popen[str]":
    """`python -m coordinator` over a data folder of its own; SQLite and the file-system queue."""
    environment = {
        key: value for key, value in os.environ.items() if key not in ("DATABASE_URL", "REDIS_URL")
    }
    return subprocess.Popen(
        [sys.executable, "-m", "coordinator", *arguments],
        cwd=ROOT,
        env=environment | {"FAIRBAND_DATA": str(folder), "PYTHONUNBUFFERED": "1"} | variables,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def group_of(folder: Path) -> list[int]:
    """Processes whose environment names the data folder, by the kernel's word."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            named = f"FAIRBAND_DATA={folder}".encode() in (entry / "environ").read_bytes().split(b"\0")
        except OSError:
            continue
        if named and alive(int(entry.name)):
            found.append(int(entry.name))
    return found


def served(process: "subprocess.Popen[str]") -> bool:
    """Wait for the line that says where it serves; False when the process ended without it."""
    return any("Serving on http://" in line for line in process.stdout)


@pytest.mark.parametrize("port", ["99999", "taken"])
def test_a_port_that_cannot_be_had_is_refused_in_one_line(tmp_path, port):
    with socket.create_server(("127.0.0.1", 0)) as other:
        if port == "taken":
            port = str(other.getsockname()[1])
        _, errors = (process := coordinator(tmp_path, "serve", "--port", port)).communicate()
    assert process.returncode == 1
    assert len(errors.splitlines()) == 1 and port in errors and "--port" in errors


def test_a_database_that_does_not_answer_is_named_without_a_traceback(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    url = f"postgresql://postgres@127.0.0.1:{port}/fairband"
    _, errors = (process := coordinator(tmp_path, "serve", "--port", "0", DATABASE_URL=url)).communicate()
    assert process.returncode == 1
    assert "database" in errors and str(port) in errors and "Traceback" not in errors


@pytest.mark.slow
def test_neither_a_proxy_nor_a_public_https_address_keeps_it_from_starting(tmp_path):
    """Behind TLS every request in clear is sent on to the public address, which the supervisor must not follow."""
    surroundings = {
        "http_proxy": "http://127.0.0.1:9",
        "FAIRBAND_ADDRESS": "https://radio.example",
        "FAIRBAND_ALLOWED_HOSTS": "radio.example",
        "FAIRBAND_SECRET_KEY": "a key for this test alone, longer than fifty characters in all",
    }
    begun_before(tmp_path)
    process = coordinator(tmp_path, "serve", "--port", "0", **surroundings)
    assert served(process)
    process.send_signal(signal.SIGTERM)
    process.communicate()
    assert process.returncode == 0
    until(lambda: not group_of(tmp_path), "nothing is left")


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_every_way_of_asking_ends_the_group_even_twice(tmp_path, number):
    begun_before(tmp_path)
    process = coordinator(tmp_path, "serve", "--port", "0")
    assert served(process)
    process.send_signal(number)
    process.send_signal(number)
    _, errors = process.communicate()
    assert (process.returncode, errors) == (0, "")
    until(lambda: not group_of(tmp_path), "nothing is left")


@pytest.mark.slow
def test_a_demo_cut_short_is_no_success_and_leaves_nothing_behind(tmp_path):
    folder = tmp_path / "out" / "data"
    process = coordinator(tmp_path, "demo", "--once", "--out", str(tmp_path / "out"))
    until(lambda: (folder / "log" / "worker-runs.log").exists(), "the workers are started")
    process.send_signal(signal.SIGTERM)
    _, errors = process.communicate()
    assert process.returncode == 130
    assert len(errors.splitlines()) == 1 and "Stopped" in errors
    assert not (tmp_path / "out" / "summary.json").exists()
    until(lambda: not group_of(folder), "nothing is left")
