"""The example of a client as its reader would run it: another process, an ordinary HTTP library, a real server."""

import os
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from django.conf import settings

from apps.registry.models import Registration
from tests.registry.test_calendars import SERIES, calendar
from tests.site import make_site

CLIENT = Path(settings.BASE_DIR) / "fixtures" / "clients" / "schedule.py"
VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.django_db(transaction=True)
@pytest.mark.store
def test_a_schedule_becomes_lines_is_changed_and_withdrawn(live_server, tmp_path: Path) -> None:
    site = make_site()
    secret = site.client("lead")._credentials["HTTP_AUTHORIZATION"].split()[1]

    def run(*entries: str, token: str = secret) -> subprocess.CompletedProcess[str]:
        path = tmp_path / "schedule.ics"
        path.write_bytes(calendar(*entries))
        return subprocess.run(
            [sys.executable, CLIENT, live_server.url, "harbour-days", "mic", path], text=True, capture_output=True,
            env={**os.environ, "FAIRBAND_TOKEN": token}, timeout=120, check=False,
        )  # fmt: skip

    show = SERIES + "\nLOCATION:Main stage"
    done = run(show)
    assert (done.returncode, done.stdout) == (0, "new: Show\n"), done.stderr
    row = Registration.objects.get()
    assert (row.external_id, row.zone.code, row.department.code, row.state) == (
        "show",
        "main",
        "AUD",
        "accepted",
    )
    at = [datetime(2027, 6, day, hour, tzinfo=VIENNA) for day in (11, 12, 13) for hour in (20, 23)]
    assert row.hours == [(at[0], at[1]), (at[2], at[3]), (at[4], at[5])]

    # The same again changes nothing; a moved show is changed; a faulty entry is told with its remedy.
    assert run(show).stdout == "unchanged: Show\n"
    lost = "UID:lost\nSUMMARY:Lost\nLOCATION:Mian stage\nDTSTART:20270611T180000Z\nDURATION:PT1H"
    done = run(show.replace("T230000", "T223000"), lost)
    assert done.returncode == 1
    assert done.stdout.splitlines()[0] == "changed: Show"
    assert "faulty: Lost" in done.stdout and "did you mean main?" in done.stdout
    assert Registration.objects.get().version == 2

    done = run(show + "\nSTATUS:CANCELLED")
    assert (done.returncode, done.stdout) == (0, "withdrawn: Show\n"), done.stderr
    assert Registration.objects.get().state == "withdrawn"
    assert "token that is still valid" in run(show, token="x" * 64).stderr


def test_it_stays_short_enough_to_be_read() -> None:
    assert len(CLIENT.read_text(encoding="utf-8").splitlines()) < 80
