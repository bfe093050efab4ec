"""Real processes: a worker killed in the middle of a run loses nothing, and nothing is left behind by the group."""

import functools
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import requests
from django.core.files.uploadedfile import SimpleUploadedFile

from tests.service import ROOT, Service, alive, started, until

pytestmark = [pytest.mark.store, pytest.mark.slow, pytest.mark.xdist_group("service")]

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


# What takes half a minute in real life is told to take a moment.
QUICK = {
    "FAIRBAND_RUN_LEASE_S": "2", "FAIRBAND_RUN_HEARTBEAT_S": "0.2", "FAIRBAND_RUN_SWEEP_S": "0.3",
    "FAIRBAND_REPEAT_LEASE_S": "2", "FAIRBAND_RUN_WORKERS": "2",
}  # fmt: skip


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """One group for all that only kill single processes of it: it has to be whole again after each."""
    with started(tmp_path_factory.mktemp("service"), **QUICK) as running:
        yield running


def verbs(service: Service) -> list[str]:
    return [row["verb"] for row in service.call("coordinator", "GET", "journal/?page_size=500")[1]["results"]]


def lines_there(service: Service) -> int:
    return service.call("coordinator", "GET", "registrations/?page_size=1")[1]["count"]


def begun(service: Service, seconds: int) -> Callable[[], dict]:
    """A run over the crowd that has placed something; what is known of it now."""
    assert service.call("lead", "POST", "registrations/", CROWD)[0] in (200, 201)  # 200: it is there already
    status, run = service.call("coordinator", "POST", "runs/", {"seconds": seconds})
    assert (status, run["state"]) == (202, "queued")

    def now() -> dict:
        return service.call("coordinator", "GET", f"runs/{run['id']}/")[1]

    until(lambda: now()["placed"], "the run is under way")
    return now


def test_a_worker_killed_in_the_middle_of_a_run_or_of_an_inquiry_loses_nothing(service: Service) -> None:
    before = verbs(service)
    run = begun(service, seconds=6)
    first = run()
    os.kill(int(first["claimed_by"].rsplit(":", 1)[1]), signal.SIGKILL)
    until(lambda: run()["state"] == "done", "the run is done")
    second = run()
    assert (first["attempt"], second["attempt"]) == (1, 2)
    assert second["claimed_by"] != first["claimed_by"]
    status, result = service.call("coordinator", "GET", f"runs/{first['id']}/result/")
    assert status == 200
    assert len(result["assignments"]) == second["placed"] > 0
    # The other worker joined with the next seed and outlived the first; the better of both plans was kept.
    assert [search["seed"] for search in second["further"]] == [1]
    found = [second["left_out"]] + [search["left_out"] for search in second["further"] if search["placed"]]
    assert second["left_out"] == min(found)
    for verb in ("ended the run as done", "adopted the run"):
        assert verbs(service).count(verb) - before.count(verb) == 1
    assert planned(service) == result["assignments"]
    what_would_place_those_left_out(service)


def what_would_place_those_left_out(service: Service) -> None:
    """The same of whoever tries that: the next worker answers all of it."""
    status, asked = service.call("coordinator", "POST", "remedies/")
    assert status == 202

    def inquiry() -> dict:
        return service.call("coordinator", "GET", f"remedies/{asked['id']}/")[1]

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


def planned(service: Service) -> dict[str, int]:
    rows = service.call("coordinator", "GET", "plan/?page_size=500")[1]["results"]
    return {row["carrier"]: row["frequency_hz"] for row in rows if row["frequency_hz"]}


def test_a_run_is_stopped_and_keeps_what_it_had(service: Service) -> None:
    before = planned(service)
    run = begun(service, seconds=60)
    assert service.call("coordinator", "POST", f"runs/{run()['id']}/cancel/")[0] == 202
    until(lambda: run()["state"] == "cancelled", "the run is cancelled")
    assert planned(service) == before
    result = service.call("coordinator", "GET", f"runs/{run()['id']}/result/")[1]["assignments"]
    changes = service.call("coordinator", "POST", f"runs/{run()['id']}/adopt/")[1]["changes"]
    assert planned(service) == result
    assert len(changes) == sum(before.get(code) != result.get(code) for code in {*before, *result})
    assert len(result) == run()["placed"] > 0


def test_a_worker_killed_while_it_reads_a_survey_loses_nothing(service: Service) -> None:
    sweep = "".join(f"{470_000_000 + 200 * step};{-110 + step % 9}\n" for step in range(500_000))
    fields = {"zone": "main", "taken_at": "2027-06-11T18:00:00Z", "resolution_hz": 1000}
    file = SimpleUploadedFile("sweep.csv", sweep.encode())
    status, sent = service.send("coordinator", "surveys/", {**fields, "file": file})
    assert status == 202

    def survey() -> dict:
        return service.call("coordinator", "GET", f"surveys/{sent['id']}/")[1]

    first = until(lambda: (now := survey())["state"] == "reading" and now, "the survey is being read")
    os.kill(int(first["claimed_by"].rsplit(":", 1)[1]), signal.SIGKILL)
    second = until(lambda: (now := survey())["state"] == "read" and now, "the survey is read")
    assert (first["attempt"], second["attempt"], second["points"]) == (1, 2, 500_000)
    assert verbs(service).count("read the survey") == 1


def test_a_named_request_is_done_once_though_its_process_is_killed_in_the_middle(service: Service) -> None:
    rows = [
        {"label": f"row {number}", "kind": "mic", "department": "AUD", "zone": "main"}
        for number in range(1000)
    ]
    before, registered = lines_there(service), verbs(service).count("registered")
    with ThreadPoolExecutor(2) as threads:
        web = until(lambda: len(service.children()) == 4 and service.children()[0], "the web server")
        ask = functools.partial(service.call, "lead", "POST", "registrations/", rows, key="list of today")
        first = threads.submit(ask)
        until(lambda: first.done() or ask()[0] == 409, "the first is under way, and a second is told so")
        for worker in service.children(web):
            os.kill(worker, signal.SIGKILL)
        first.result()
        until(lambda: ask()[0] == 201, "the request is done")
    status, answers = ask()
    assert (status, {row["status"] for row in answers}) == (201, {"new"})
    assert lines_there(service) - before == 1000
    assert verbs(service).count("registered") - registered == 1


def test_a_worker_killed_over_a_long_list_has_saved_nothing_and_the_next_one_saves_it_once(
    service: Service,
) -> None:
    rows = "".join(f"line {n},mic,AUD,main,2\r\n" for n in range(3000))
    before = lines_there(service)
    browser = visitor(service, "coordinator")
    pages = f"{service.address}/e/harbour-days/import/"
    file = {"file": ("list.csv", f"label,kind,department,zone,quantity\r\n{rows}".encode())}
    judged = browser.post(pages, token(browser), files=file)
    worker = until(
        lambda: next(
            (pid for pid in service.children() if b"quick" in Path(f"/proc/{pid}/cmdline").read_bytes()), 0
        ),
        "the worker of the quick queue",
    )
    seen = re.search('name="seen" value="([0-9a-f]+)"', judged.text)[1]
    registered = verbs(service).count("registered")
    browser.post(judged.url, token(browser) | {"seen": seen, "do": "save"})
    progress = lambda: browser.get(f"{judged.url}progress/").text  # noqa: E731
    until(lambda: "saving 3,000 rows" in progress(), "the worker is at it")
    os.kill(worker, signal.SIGKILL)
    assert lines_there(service) - before in (0, 3000)
    until(lambda: "Saved by" in browser.get(judged.url).text, "the list is saved")
    assert lines_there(service) - before == 3000
    assert verbs(service).count("saved an uploaded list") == 1
    assert verbs(service).count("registered") - registered == 1


def test_whoever_dies_is_started_again_and_the_end_leaves_nothing_behind(service: Service) -> None:
    """The last of those that share the group, for it ends it."""
    before = until(lambda: len(service.children()) == 4 and service.children(), "four children")
    os.kill(before[0], signal.SIGKILL)
    until(
        lambda: len(service.children()) == 4 and set(service.children()) - set(before),
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
    with started(tmp_path, FAIRBAND_RUN_WORKERS="1") as service:
        group = until(lambda: len(service.children()) == 3 and service.children(), "three children")
        service.process.kill()
        service.process.wait(30)
        until(lambda: not any(map(alive, group)), "all children are gone")
