"""Real processes: a receiver that is down for a while gets every message, in order, though a worker is killed meanwhile."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest
import requests

from tests.service import ROOT, Service, started, until
from tests.site import line

pytestmark = [pytest.mark.store, pytest.mark.slow]
QUICK = {
    "FAIRBAND_POST_SWEEP_S": "0.2", "FAIRBAND_POST_LEASE_S": "2", "FAIRBAND_POST_WAITS_S": "0.2",
    "FAIRBAND_WEBHOOK_NETWORKS": "127.0.0.0/8", "FAIRBAND_NOTICE_GATHER_S": "0",
}  # fmt: skip
LABELS = [f"mic {number:02d}" for number in range(8)]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


class Pages(requests.Session):
    """Somebody at a browser, without one."""

    def __init__(self, service: Service, who: str) -> None:
        super().__init__()
        self.trust_env = False  # no proxy between here and here
        self.base = service.address
        self.open("/login/", username=f"{who}@harbour-days.example", password="a password for tests")

    def open(self, path: str, **typed: Any) -> str:
        if typed:
            self.get(self.base + path)
            token = self.cookies["csrftoken"]
            answer = self.post(self.base + path, typed, headers={"X-CSRFToken": token, "Referer": self.base})
        else:
            answer = self.get(self.base + path)
        assert answer.status_code == 200, (path, answer.status_code, answer.text)
        return answer.text


def lines_of(file: Path) -> list[dict[str, Any]]:
    return [json.loads(text) for text in file.read_text().splitlines()] if file.exists() else []


def test_a_receiver_that_was_down_still_receives_everything_in_order(tmp_path: Path) -> None:
    port, file = free_port(), tmp_path / "received"
    with started(tmp_path / "data", **QUICK) as service:
        coordinator = Pages(service, "coordinator")
        page = coordinator.open(
            "/e/harbour-days/webhooks/", label="tool", address=f"http://127.0.0.1:{port}/in",
            topics=["registration.accepted", "registration.sent_back"],
        )  # fmt: skip
        secret = re.search(r"whsec_[A-Za-z0-9+/=]+", page)
        address = re.search(r"/e/harbour-days/webhooks/\d+/", page)
        assert secret and address
        rows = [line(label, external_id=label) for label in LABELS]
        registered = service.call("lead", "POST", "registrations/", rows)[1]
        until(lambda: "Not reached" in coordinator.open(address[0]), "it was tried while nobody listened")
        coordinator.open(
            "/e/harbour-days/decide/", do="send back", row="AUD-001:0", confirmed="1", reason="which channel?",
            lines=" ".join(f"{row['id']}:1" for row in registered),
        )  # fmt: skip
        receiver = subprocess.Popen(
            [sys.executable, "-m", "tests.receiver", str(port), secret[0], str(file)], cwd=ROOT, stdout=subprocess.PIPE
        )  # fmt: skip
        try:
            until(lambda: lines_of(file), "the first message has come")
            os.kill(service.children()[-1], signal.SIGKILL)  # the worker of the quick queue, amid its work
            until(
                lambda: len({row.get("key") for row in lines_of(file)}) >= 2 * len(LABELS),
                "all messages have come",
            )
        finally:
            receiver.kill()
            receiver.wait()
            receiver.stdout.close()
        got = lines_of(file)
        assert not [row for row in got if "refused" in row], "each was verified by the reference library"
        keys = [row["key"] for row in got]
        assert len(set(keys)) == 2 * len(LABELS)
        entries: dict[str, list[int]] = defaultdict(list)
        for key in dict.fromkeys(keys):
            data = next(row["data"] for row in got if row["key"] == key)
            entries[data["registration"]["label"]].append(data["entry"])
        assert sorted(entries) == LABELS
        assert all(len(found) == 2 and found == sorted(found) for found in entries.values()), entries
