"""Real processes: a worker killed in the middle of a run loses nothing, and nothing is left behind by the group."""

import functools
import os
import re
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import requests
from django.core.files.uploadedfile import SimpleUploadedFile

from tests.service import ROOT, Service, alive, started, until

pytestmark = [pytest.mark.store, pytest.mark.slow]

# More microphones than their range holds: the search has something to do until its time is up.
CROWD = [
    {
        "label": "crowd",
        "kind": "mic",
        "department": "AUD",
        "zone": "main",
        "quantity": 45,
        "low_hz": 470000000,
        "high_hz": 482000000,
    }
]


def run_of(service: Service) -> dict:
    return service.call("coordinator", "GET", "runs/1/")[1]


def test_a_worker_killed_in_the_middle_of_a_run_or_of_an_inquiry_loses_nothing(tmp_path) -> None:
    quick = {"FAIRBAND_RUN_LEASE_S": "2", "FAIRBAND_RUN_HEARTBEAT_S": "0.2", "FAIRBAND_RUN_SWEEP_S": "0.3"}
    with started(tmp_path, **quick) as service:
        assert service.call("lead", "POST", "registrations/", CROWD)[0] == 201
        status, run = service.call("coordinator", "POST", "runs/", {"seconds": 6})
        assert (status, run["state"]) == (202, "queued")
        until(lambda: run_of(service)["placed"], "the run is under way")
        first = run_of(service)
        os.kill(int(first["claimed_by"].rsplit(":", 1)[1]), signal.SIGKILL)
        until(lambda: run_of(service)["state"] == "done", "the run is done")
        second = run_of(service)
        assert (first["attempt"], second["attempt"]) == (1, 2)
        assert second["claimed_by"] != first["claimed_by"]
        status, result = service.call("coordinator", "GET", "runs/1/result/")
        assert status == 200
        assert len(result["assignments"]) == second["placed"] > 0
        entries = service.call("coordinator", "GET", "journal/?page_size=500")[1]["results"]
        assert [entry["verb"] for entry in entries].count("ended the run as done") == 1
        assert [entry["verb"] for entry in entries].count("adopted the run") == 1
        plan = service.call("coordinator", "GET", "plan/?page_size=500")[1]["results"]
        assert {row["carrier"]: row["frequency_hz"] for row in plan if row["frequency_hz"]} == result[
            "assignments"
        ]
        what_would_place_those_left_out(service)


def what_would_place_those_left_out(service: Service) -> None:
    """The same of whoever tries that: the next worker answers all of it."""
    assert service.call("coordinator", "POST", "remedies/")[0] == 202

    def inquiry() -> dict:
        return service.call("coordinator", "GET", "remedies/1/")[1]

    first = until(lambda: (now := inquiry())["state"] == "running" and now, "the changes are being tried")
    os.kill(int(first["claimed_by"].rsplit(":", 1)[1]), signal.SIGKILL)
    second = until(lambda: (now := inquiry())["state"] == "done" and now, "every change was tried")
    assert (first["attempt"], second["attempt"]) == (1, 2)
    assert (second["tried"], second["stale"]) == (second["total"], False)
    assert second["claimed_by"] != first["claimed_by"]
    assert {code for cure in second["cures"] for code in cure["places"]} <= set(second["left_out"])


def visitor(service: Service, who: str) -> requests.Session:
    """A person's browser, as far as forms go: logged in, and with the token against forged posts at hand."""
    session = requests.Session()
    session.trust_env = False  # a proxy that the environment names has no part in this machine
    address = f"{service.address}/login/"
    session.get(address)
    given = {"username": f"{who}@harbour-days.example", "password": "a password for tests"}
    assert session.post(address, given | token(session), headers={"Referer": address}).ok
    return session


def token(session: requests.Session) -> dict[str, str]:
    return {"csrfmiddlewaretoken": session.cookies["csrftoken"]}


def test_a_worker_killed_over_a_long_list_has_saved_nothing_and_the_next_one_saves_it_once(tmp_path) -> None:
    quick = {"FAIRBAND_RUN_LEASE_S": "2", "FAIRBAND_RUN_SWEEP_S": "0.3"}
    rows = "".join(f"line {n},mic,AUD,main,2\r\n" for n in range(3000))
    with started(tmp_path, **quick) as service:
        browser = visitor(service, "coordinator")
        pages = f"{service.address}/e/harbour-days/import/"
        file = {"file": ("list.csv", f"label,kind,department,zone,quantity\r\n{rows}".encode())}
        judged = browser.post(pages, token(browser), files=file)
        worker = next(
            pid for pid in service.children() if b"quick" in Path(f"/proc/{pid}/cmdline").read_bytes()
        )
        seen = re.search('name="seen" value="([0-9a-f]+)"', judged.text)[1]
        browser.post(judged.url, token(browser) | {"seen": seen, "do": "save"})
        progress = lambda: browser.get(f"{judged.url}progress/").text  # noqa: E731
        until(lambda: "saving 3,000 rows" in progress(), "the worker is at it")
        os.kill(worker, signal.SIGKILL)
        assert service.call("coordinator", "GET", "registrations/?page_size=1")[1]["count"] in (0, 3000)
        until(lambda: "Saved by" in browser.get(judged.url).text, "the list is saved")
        assert service.call("coordinator", "GET", "registrations/?page_size=1")[1]["count"] == 3000
        verbs = [
            entry["verb"]
            for entry in service.call("coordinator", "GET", "journal/?page_size=500")[1]["results"]
        ]
        assert verbs.count("saved an uploaded list") == verbs.count("registered") == 1


def test_a_worker_killed_while_it_reads_a_survey_loses_nothing(tmp_path) -> None:
    quick = {"FAIRBAND_RUN_LEASE_S": "2", "FAIRBAND_RUN_SWEEP_S": "0.3"}
    sweep = "".join(f"{470_000_000 + 200 * step};{-110 + step % 9}\n" for step in range(500_000))
    with started(tmp_path, **quick) as service:
        fields = {"zone": "main", "taken_at": "2027-06-11T18:00:00Z", "resolution_hz": 1000}
        file = SimpleUploadedFile("sweep.csv", sweep.encode())
        assert service.send("coordinator", "surveys/", {**fields, "file": file})[0] == 202

        def survey() -> dict:
            return service.call("coordinator", "GET", "surveys/1/")[1]

        first = until(lambda: (now := survey())["state"] == "reading" and now, "the survey is being read")
        os.kill(int(first["claimed_by"].rsplit(":", 1)[1]), signal.SIGKILL)
        second = until(lambda: (now := survey())["state"] == "read" and now, "the survey is read")
        assert (first["attempt"], second["attempt"], second["points"]) == (1, 2, 500_000)
        entries = service.call("coordinator", "GET", "journal/?page_size=500")[1]["results"]
        assert [entry["verb"] for entry in entries].count("read the survey") == 1


def test_a_run_is_stopped_and_keeps_what_it_had(tmp_path) -> None:
    with started(tmp_path, FAIRBAND_RUN_HEARTBEAT_S="0.2") as service:
        service.call("lead", "POST", "registrations/", CROWD)
        service.call("coordinator", "POST", "runs/", {"seconds": 60})
        until(lambda: run_of(service)["placed"], "the run is under way")
        assert service.call("coordinator", "POST", "runs/1/cancel/")[0] == 202
        until(lambda: run_of(service)["state"] == "cancelled", "the run is cancelled")
        assert service.call("coordinator", "GET", "plan/?state=proposed")[1]["count"] == 0
        changes = service.call("coordinator", "POST", "runs/1/adopt/")[1]["changes"]
        assert len(changes) == run_of(service)["placed"] > 0


def test_a_named_request_is_done_once_though_its_process_is_killed_in_the_middle(tmp_path) -> None:
    rows = [
        {"label": f"row {number}", "kind": "mic", "department": "AUD", "zone": "main"}
        for number in range(1000)
    ]
    with started(tmp_path, FAIRBAND_REPEAT_LEASE_S="2") as service, ThreadPoolExecutor(2) as threads:
        web = until(lambda: len(service.children()) == 3 and service.children()[0], "the web server")
        ask = functools.partial(service.call, "lead", "POST", "registrations/", rows, key="list of today")
        first = threads.submit(ask)
        until(lambda: first.done() or ask()[0] == 409, "the first is under way, and a second is told so")
        for worker in service.children(web):
            os.kill(worker, signal.SIGKILL)
        first.result()
        until(lambda: ask()[0] == 201, "the request is done")
        status, answers = ask()
        assert (status, {row["status"] for row in answers}) == (201, {"new"})
        assert service.call("lead", "GET", "registrations/?page_size=1")[1]["count"] == 1000
        entries = service.call("lead", "GET", "journal/?verb=registered")[1]
        assert entries["count"] == 1


def test_whoever_dies_is_started_again_and_the_end_leaves_nothing_behind(tmp_path) -> None:
    with started(tmp_path) as service:
        before = until(lambda: len(service.children()) == 3 and service.children(), "three children")
        os.kill(before[0], signal.SIGKILL)
        until(
            lambda: len(service.children()) == 3 and set(service.children()) - set(before),
            "one was started again",
        )
        until(lambda: service.call("lead", "GET", "plan/")[0] == 200, "it answers again")
        group = service.children()
        again = subprocess.run(
            [sys.executable, "-m", "coordinator", "serve", "--port", "0"],
            cwd=ROOT, env=service.environment, capture_output=True, text=True,
        )  # fmt: skip
        assert again.returncode != 0 and "served already" in again.stderr
        service.process.send_signal(signal.SIGTERM)
        service.process.wait(30)
        until(lambda: not any(map(alive, group)), "all children are gone")


def test_a_killed_supervisor_leaves_nothing_behind(tmp_path) -> None:
    with started(tmp_path) as service:
        group = until(lambda: len(service.children()) == 3 and service.children(), "three children")
        service.process.kill()
        service.process.wait(30)
        until(lambda: not any(map(alive, group)), "all children are gone")
