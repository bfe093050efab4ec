"""What the commands write: a run in the solver's own format, an event as files that go in again."""

import csv
import io
import json
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from apps.planning import running, working
from apps.registry.models import Registration
from apps.registry.states import RegistrationState
from apps.solver import read_problem
from apps.solver.verify import verify
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.store]


@pytest.fixture
def site() -> Site:
    site = make_site()
    register(site.lead, line(quantity=2, notes="left rack; «top»"), line("=formula", zone="side"))
    register(site.guard, line("close protection", department="GRD", zone="gate"))
    working.work(running.request_run(actor=site.again("coordinator"), seconds=5).pk, "this test")
    return site


def test_a_run_is_written_as_the_solver_reads_and_verifies_it(site: Site, tmp_path: Path) -> None:
    call_command("export_run", "1", out=str(tmp_path))
    problem = json.loads((tmp_path / "problem.json").read_text(encoding="utf-8"))
    result = json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
    assert set(result["assignments"]) == {"AUD-001", "AUD-002", "AUD-003", "GRD-001"}
    assert not verify(read_problem(problem), result["assignments"]).breaches


def test_an_event_is_written_whole_and_its_list_goes_in_again(site: Site, tmp_path: Path) -> None:
    call_command("export_event", "harbour-days", out=str(tmp_path))
    event = json.loads((tmp_path / "event.json").read_text(encoding="utf-8"))
    assert {row["code"] for row in event["departments"]} == {"AUD", "VID", "GRD"}
    assert {row["code"] for row in event["zones"]} == {"main", "side", "gate"}
    plan = {row["carrier"]: row for row in json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))}
    for row in site.event.assignments.select_related("carrier"):
        assert plan[row.carrier.code]["frequency_hz"] == row.frequency_hz
    table = (tmp_path / "registrations.csv").read_bytes()
    rows = list(csv.DictReader(io.StringIO(table.decode("utf-8-sig"))))
    assert {row["department"] for row in rows} == {"AUD", "GRD"}
    answer = site.client("coordinator").generic(
        "POST", "/api/v1/events/harbour-days/registrations/", table, content_type="text/csv"
    )
    assert answer.status_code == 200, answer.json()
    assert {row["status"] for row in answer.json()} == {"unchanged"}
    assert not Registration.objects.exclude(state=RegistrationState.ACCEPTED).exists()


def test_what_is_not_there_is_said(site: Site, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="no event nowhere"):
        call_command("export_event", "nowhere", out=str(tmp_path))
    with pytest.raises(CommandError, match="no such run"):
        call_command("export_run", "7", out=str(tmp_path))
    running.request_run(actor=site.again("coordinator"), seconds=5)
    with pytest.raises(CommandError, match="no result yet; it is queued"):
        call_command("export_run", "2", out=str(tmp_path))
    other = make_site("other-days")
    register(other.lead, line())
    running.request_run(actor=other.coordinator, seconds=5)
    for command in ("export_run", "explain_run"):
        with pytest.raises(CommandError, match="give --event"):
            call_command(command, "1", **({"out": str(tmp_path)} if command == "export_run" else {}))
    call_command("export_run", "1", event="harbour-days", out=str(tmp_path))


@pytest.mark.parametrize("command", ["export_run", "export_event", "explain_run"])
def test_whoever_runs_a_command_is_told_that_it_holds_every_department(command: str, capsys) -> None:
    """They ask nobody to log in, so they are for whoever may read the database anyway."""
    with pytest.raises(SystemExit):
        call_command(command, "--help")
    assert "confidential" in capsys.readouterr().out
