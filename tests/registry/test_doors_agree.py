"""The same forty lines, good and bad, through form, CSV, workbook and REST: the same verdicts, words and rows."""

import csv
import io
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from django.utils.html import escape

from apps.registry import actions
from apps.registry.forms import in_megahertz
from apps.registry.lines import COLUMNS, row_of
from apps.registry.models import Registration
from tests.registry.test_workbooks import cell, sheet, workbook
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/"
PLAIN: dict[str, Any] = dict.fromkeys(COLUMNS, "") | {
    "label": "lead vocals", "kind": "mic", "department": "AUD", "zone": "main", "quantity": 1, "units": 1, "spares": 0,
    "all_day": "yes", "priority": 2,
}  # fmt: skip
STANDING = {"label": "standing", "external_id": "S-1", "contact": "Ada", "notes": "by the door"}
TWICE = "2027-06-11T10:00/2027-06-11T11:00; 2027-06-11T15:00/2027-06-11T16:00"


def hours(start: str, end: str, **more: Any) -> dict[str, Any]:
    return {"all_day": "no", "start": start, "end": end, **more}


# What is sent besides PLAIN, and the verdict: a status, or the fields at fault.
LINES: list[tuple[dict[str, Any], str | set[str]]] = [
    ({}, "new"),
    ({"kind": "Microphone", "zone": "Side stage", "department": "video"}, "new"),
    (hours("2027-06-11T18:00", "2027-06-12T02:00"), "new"),
    (hours("2027-06-11T18:00+02:00", "2027-06-11T23:00+02:00"), "new"),
    ({"fixed_hz": 470_125_000}, "new"),
    ({"fixed_hz": 470_125_000, "can_change": "Between shows"}, "new"),
    ({"fixed_hz": "470,125 MHz", "can_change": "not at all"}, "new"),
    ({"low_hz": 480_000_000, "high_hz": 490_000_000, "power_mw": "12,5"}, "new"),
    ({"quantity": 4, "units": 2, "spares": 1, "priority": 9}, "new"),
    ({"settings": "pairing key=17; gain=-3"}, "new"),
    ({"label": "Gesangsbühne – ♫", "notes": "first\nsecond"}, "new"),
    ({"label": "=1+1", "contact": "+43 1 234", "external_id": "0012"}, "new"),
    ({"label": "'=1+1"}, "new"),
    ({"kind": "hopping", "quantity": 12}, "new"),
    (STANDING, "unchanged"),
    (STANDING | {"external_id": ""}, "changed"),
    (STANDING | {"label": "standing still"}, "changed"),
    (STANDING | {"contact": ""}, "changed"),
    ({"label": "sent back", "external_id": "S-2"}, "changed"),
    ({"label": "withdrawn", "external_id": "S-3"}, "changed"),
    ({"label": ""}, {"label"}),
    ({"label": "x" * 201}, {"label"}),
    ({"label": "standing", "external_id": "S-9"}, {"label"}),
    ({"kind": "trumpet"}, {"kind"}),
    ({"kind": ""}, {"kind"}),
    ({"zone": "mian"}, {"zone"}),
    ({"department": "XYZ"}, {"department"}),
    ({"quantity": "many", "priority": 12, "can_change": "perhaps"}, {"quantity", "priority", "can_change"}),
    ({"quantity": 0, "units": 501, "spares": -1}, {"quantity", "units", "spares"}),
    (hours("2027-06-11T18:00", "2027-06-11T17:00"), {"end"}),
    (hours("2027-06-11T18:00", ""), {"end"}),
    # Summer time begins in Vienna on 28 March 2027 at 02:00 (IANA time zone database).
    (hours("2027-03-28T02:30", "2027-03-28T05:00"), {"start"}),
    (hours("2027-06-11", "2027-06-12"), {"start", "end"}),
    ({"all_day": "no", "stretches": TWICE}, "new"),
    ({"all_day": "no", "stretches": TWICE.replace("T11:00", "T09:00")}, {"stretches"}),
    ({"fixed_hz": 470_110_000}, {"fixed_hz"}),
    ({"fixed_hz": 470_125_000, "quantity": 2}, {"quantity"}),
    ({"low_hz": 490_000_000, "high_hz": 480_000_000}, {"high_hz"}),
    ({"low_hz": 700_000_000, "power_mw": 500}, {"low_hz", "power_mw"}),
    ({"power_mw": "strong", "settings": "loud", "low_hz": "about 480 MHz"}, {"power_mw", "settings", "low_hz"}),
]  # fmt: skip

Verdict = tuple[str, set[tuple[str, str]]]
Door = Callable[[dict[str, Any]], Verdict]


def by_rest(site: Site) -> Door:
    client = site.client("coordinator")

    def send(row: dict[str, Any]) -> Verdict:
        given = {name: None if value == "" and name.endswith("_hz") else value for name, value in row.items()}
        answer = client.post("/api/v1/events/harbour-days/registrations/", [given], format="json").json()[0]
        return answer["status"], {(fault["field"], fault["message"]) for fault in answer["errors"]}

    return send


def by_file(browser: Client, name: str, written: Callable[[dict[str, Any]], bytes]) -> Door:
    def send(row: dict[str, Any]) -> Verdict:
        file = SimpleUploadedFile(name, written(row))
        answer = browser.post(f"{BASE}import/", {"file": file}, follow=True)
        (judged, _), *_ = answer.context["rows"]
        seen = answer.context["seen"]
        browser.post(answer.redirect_chain[-1][0], {"seen": seen, "do": "save"})
        return judged.status.value, {(fault.field, fault.message) for fault in judged.faults}

    return send


def as_csv(row: dict[str, Any]) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=";").writerows([list(row), list(row.values())])
    # The apostrophe of our own exports stands before what a spreadsheet would take for a formula.
    return out.getvalue().replace("'=", "''=").encode()


def as_workbook(row: dict[str, Any]) -> bytes:
    values = [
        cell(str(value), "n") if isinstance(value, int) else cell(escape(value).replace("&#x27;=", "''="))
        for value in row.values()
    ]
    return workbook(sheet(list(row), values))


def by_form(browser: Client) -> Door:
    def send(row: dict[str, Any]) -> Verdict:
        typed = row | {
            name: in_megahertz(row[name])
            for name in ("fixed_hz", "low_hz", "high_hz")
            if isinstance(row[name], int)
        }
        typed |= {
            "settings": typed["settings"].replace("; ", "\r\n"),
            "notes": typed["notes"].replace("\n", "\r\n"),
            "stretches": typed["stretches"].replace("; ", "\r\n"),
        }
        if typed.pop("all_day") == "yes":
            typed["all_day"] = "on"
        before = dict(Registration.objects.values_list("pk", "version"))
        # A person changes a line that is there on its own page; the other doors find it by its id, else by its label.
        own = {"external_id": row["external_id"]} if row["external_id"] else {"label": row["label"]}
        there = Registration.objects.filter(department__code=row["department"], **own).first()
        page = f"devices/{there.pk}/" if there else "devices/new/"
        answer = browser.post(BASE + page, typed | ({"version": there.version} if there else {}))
        if answer.status_code == 422:
            errors = answer.context["form"].errors
            return "faulty", {(name, text) for name, texts in errors.items() for text in texts}
        after = dict(Registration.objects.values_list("pk", "version"))
        return "new" if len(after) > len(before) else "changed" if after != before else "unchanged", set()

    return send


@pytest.fixture
def site() -> Site:
    site = make_site()
    register(
        site.lead,
        line(**STANDING),
        line("sent back", external_id="S-2"),
        line("withdrawn", external_id="S-3"),
    )
    rows = {row.label: row for row in Registration.objects.all()}
    actions.send_back(actor=site.coordinator, registration=rows["sent back"], reason="Which rack?")
    actions.withdraw(actor=site.lead, registration=rows["withdrawn"])
    return site


def stored() -> list[dict[str, Any]]:
    rows = Registration.objects.select_related("kind", "zone", "department").order_by("pk")
    return [row_of(row, ZoneInfo("Europe/Vienna")) for row in rows]


def test_forty_lines_get_the_same_verdict_at_every_door(site: Site) -> None:
    assert len(LINES) == 40
    browser = site.browser("coordinator")
    doors = {
        "rest": by_rest(site),
        "form": by_form(browser),
        "csv": by_file(browser, "list.csv", as_csv),
        "xlsx": by_file(browser, "list.xlsx", as_workbook),
    }
    wrong = []
    for given, expected in LINES:
        found = {}
        for name, send in doors.items():
            with transaction.atomic():
                status, faults = send(PLAIN | given)
                found[name] = (status, faults, stored())
                transaction.set_rollback(True)
            verdict = {field for field, _ in faults} if status == "faulty" else status
            if verdict != expected:
                wrong.append((given, name, verdict, expected, faults))
        wrong += [(given, name, found[name], found["rest"]) for name in found if found[name] != found["rest"]]
    assert wrong == []
