"""A list from its being sent to its being saved: the good rows alone, there and back again, long ones by a worker."""

import json
import re
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from django.conf import settings as project
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from apps.common.errors import Conflict
from apps.events.models import Event, Membership, Person
from apps.journal.models import Entry
from apps.registry import actions, uploads
from apps.registry.importing import read_list
from apps.registry.lines import row_of
from apps.registry.models import Carrier, Registration, Unit, Upload
from apps.registry.states import UploadState
from coordinator import demonstration
from tests.registry.test_workbooks import sheet, workbook
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/"
HEADER = "label,kind,zone,quantity,version\r\n"


@pytest.fixture
def site() -> Site:
    return make_site()


def send(browser: Client, content: bytes | str, name: str = "list.csv", base: str = BASE) -> HttpResponse:
    raw = content if isinstance(content, bytes) else content.encode()
    return browser.post(f"{base}import/", {"file": SimpleUploadedFile(name, raw)}, follow=True)


def answer_to(browser: Client, answer: HttpResponse, do: str) -> HttpResponse:
    """Press a button of the page on which the list was judged."""
    given = {"do": do, "seen": answer.context["seen"]}
    return browser.post(answer.redirect_chain[-1][0], given, follow=True)


def text(answer: HttpResponse) -> str:
    return answer.content.decode()


# -- the good rows alone --------------------------------------------------------------------


def test_good_rows_are_saved_only_when_that_is_asked_for_and_the_others_come_back_to_be_mended(
    site: Site,
) -> None:
    register(site.lead, line("old", quantity=1))
    lead = site.browser("lead")
    rows = "old,mic,main,3,1\r\nfresh,mic,side,1,\r\nbad,trumpet,main,x,\r\nworse,mic,mian,1,\r\n"
    judged = send(lead, HEADER + rows)
    assert "Save 2 good rows, leave 2 out" in text(judged)
    refused = answer_to(lead, judged, "save")
    assert "Not a whole number" in text(refused) and Registration.objects.count() == 1
    done = answer_to(lead, judged, "save good rows")
    assert "1 new, 1 changed, 0 unchanged, 2 left out" in text(done)
    assert sorted(Registration.objects.values_list("label", "quantity")) == [("fresh", 1), ("old", 3)]
    # Only what was left out comes back, although «old» stands at another version by now than its row says.
    kept = lead.get(f"{done.redirect_chain[-1][0]}file/?as=faulty")
    table = read_list(kept.content)
    assert [(row["label"], bool(row["reason"])) for row in table.rows] == [("bad", True), ("worse", True)]
    mended = kept.content.decode().replace("trumpet", "mic").replace(",x,", ",2,").replace("mian", "main")
    assert "2 new" in text(answer_to(lead, send(lead, mended), "save"))
    assert Registration.objects.count() == 4


def test_rows_of_a_workbook_come_back_as_a_workbook_and_the_list_as_it_came(site: Site) -> None:
    lead = site.browser("lead")
    content = workbook(sheet(["label", "kind", "zone"], ["a", "mic", "main"], ["b", "mik", "main"]))
    judged = send(lead, content, "Liste für heute.xlsx")
    assert "read from the sheet «List»" in text(judged)
    done = answer_to(lead, judged, "save good rows")
    address = done.redirect_chain[-1][0]
    kept = lead.get(f"{address}file/?as=faulty")
    assert read_list(kept.content).rows == [
        {
            "label": "b",
            "kind": "mik",
            "zone": "main",
            "reason": "kind: There is no kind «mik»; did you mean mic?",
        }
    ]
    assert "spreadsheetml" in kept["Content-Type"] and kept["Content-Disposition"].endswith('mend.xlsx"')
    as_it_came = lead.get(f"{address}file/")
    assert as_it_came.content == content and "filename*=utf-8''Liste" in as_it_came["Content-Disposition"]


def test_what_was_read_in_a_workbook_is_read_once(site: Site) -> None:
    lead = site.browser("lead")
    judged = send(lead, workbook(sheet(["label", "kind", "zone"], ["a", "mic", "main"])))
    Upload.objects.update(content=b"")  # what is unpacked again would fail
    assert "All 1 row can be taken" in text(lead.get(judged.redirect_chain[-1][0]))


def test_a_column_that_is_not_there_is_left_alone_and_an_empty_cell_empties(site: Site) -> None:
    register(site.lead, line("old", contact="Ada", notes="by the door", quantity=3))
    lead = site.browser("lead")
    answer_to(lead, send(lead, "label,notes,power_mw\r\nold,,10\r\n"), "save")
    row = Registration.objects.get()
    assert (row.contact, row.notes, row.power_mw, row.quantity) == ("Ada", "", 10, 3)


def test_decimal_commas_are_said(site: Site) -> None:
    lead = site.browser("lead")
    page = text(send(lead, "label;kind;zone;power_mw;fixed_hz\r\na;mic;main;12,5;470,125 MHz\r\n"))
    assert "separated by semicolon, with decimal commas" in page and "All 1 row can be taken" in page


def test_an_empty_list_says_so(site: Site) -> None:
    lead = site.browser("lead")
    for name in ("template.csv", "template.xlsx"):
        assert "holds no rows" in text(send(lead, lead.get(f"{BASE}import/{name}").content))


def test_an_unknown_deed_and_a_list_called_off_change_nothing(site: Site, settings) -> None:
    settings.IMPORT_AT_ONCE_ROWS = 1
    lead = site.browser("lead")
    judged = send(lead, HEADER + "a,mic,main,1,\r\nb,mic,main,1,\r\n")
    assert "Choose what to do" in text(answer_to(lead, judged, "burn"))
    assert "Waiting for a worker" in text(answer_to(lead, judged, "save"))
    assert "Called off" in text(lead.post(judged.redirect_chain[-1][0], {"do": "call off"}, follow=True))
    uploads.carry_out(Upload.objects.get().pk)
    assert Registration.objects.count() == 0 and Upload.objects.get().state == UploadState.KEPT


# -- there and back again -------------------------------------------------------------------


def demo(slug: str) -> Event:
    content = json.loads((Path(project.BASE_DIR) / "fixtures/demo/event.json").read_text(encoding="utf-8"))
    persons = {row["email"]: Person.objects.filter(email=row["email"]).first() for row in content["people"]}
    for row in content["people"]:
        persons[row["email"]] = persons[row["email"]] or demonstration._person(row, "a password for tests")
    first = next(row["email"] for row in content["people"] if row["role"] == "coordinator")
    demonstration._make_event(content | {"slug": slug}, persons, persons[first])
    return Event.objects.get(slug=slug)


def coordinator_of(event: Event) -> Client:
    browser = Client()
    person = Membership.objects.filter(event=event, role="coordinator").first().person
    browser.force_login(person, backend="django.contrib.auth.backends.ModelBackend")
    return browser


def test_the_demo_exported_and_imported_into_an_empty_event_is_the_same_event() -> None:
    first = demo("first")
    browser = coordinator_of(first)
    for path in sorted((Path(project.BASE_DIR) / "fixtures/demo/registrations").iterdir()):
        if path.suffix == ".csv":
            rows = read_list(path.read_bytes()).rows
        else:
            rows = json.loads(path.read_text(encoding="utf-8"))
        actions.register(actor=uploads._asker(Upload(event=first, saved_by=person_of(first))), rows=rows)
    exported = browser.get("/e/first/devices/export.csv").content
    count = first.registrations.count()
    assert count > 100
    for form in ("csv", "xlsx"):
        copy = demo(f"copy-{form}")
        file = browser.get(f"/e/first/devices/export.{form}").content
        judged = send(browser, file, f"list.{form}", f"/e/copy-{form}/")
        assert f"{count} new" in text(answer_to(browser, judged, "save"))
        assert browser.get(f"/e/copy-{form}/devices/export.csv").content == exported
        zone = ZoneInfo(first.timezone)
        assert [row_of(row, zone) for row in listed(copy)] == [row_of(row, zone) for row in listed(first)]
        # Numbers are given in the order in which lines come; all else of the carriers is the same.
        asked = (
            "registration__label",
            "role__code",
            "position",
            "spare_of__position",
            "registration__department__code",
        )
        assert sorted(copy.carriers.values_list(*asked), key=str) == sorted(
            first.carriers.values_list(*asked), key=str
        )
        # And where it came from, it changes nothing.
        assert "there is nothing to save" in text(send(browser, file, f"list.{form}", "/e/first/"))


def person_of(event: Event) -> str:
    return Membership.objects.filter(event=event, role="coordinator").first().person.email


def listed(event: Event) -> list[Registration]:
    rows = event.registrations.select_related("kind", "zone", "department")
    return list(rows.order_by("department__code", "label"))


def test_lines_that_rest_stay_at_rest_when_an_export_comes_back_and_move_when_their_row_changes(
    site: Site,
) -> None:
    register(site.lead, line("one"), line("two", external_id="T-2"))
    one, two = Registration.objects.order_by("label")
    actions.send_back(actor=site.coordinator, registration=one, reason="Which rack?")
    actions.withdraw(actor=site.lead, registration=two)
    client = site.client("lead")
    address = "/api/v1/events/harbour-days/registrations/"
    exported = client.get(f"{address}?as=xlsx").content
    withdrawn = client.get(f"{address}?as=csv&state=withdrawn").content

    def post(content: bytes) -> list[str]:
        workbooks = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
        media = workbooks if content.startswith(b"PK") else "text/csv"
        answer = client.generic("POST", address, content, content_type=media)
        return [row["status"] for row in answer.json()]

    assert post(exported) == post(withdrawn) == ["unchanged"]
    assert set(Registration.objects.values_list("state", flat=True)) == {"sent back", "withdrawn"}
    rows = [["label", "kind", "department", "zone", "state"], ["one", "mic", "AUD", "side", "sent back"]]
    assert post(workbook(sheet(*rows))) == ["changed"]
    assert Registration.objects.get(label="one").state == "accepted"


# -- long lists -----------------------------------------------------------------------------


def long_list(rows: int, changed: str = "") -> str:
    head = "external_id,label,kind,department,zone,quantity,spares,contact,notes\r\n"
    return head + "".join(
        f"X-{n},line {n},mic,{('AUD', 'VID')[n % 2]},main,1,{int(n % 10 == 0)},Ada,note {n}{changed}\r\n"
        for n in range(rows)
    )


def queued(site: Site, content: str) -> Upload:
    boss = site.browser("coordinator")
    page = text(answer_to(boss, send(boss, content), "save"))
    assert "All of it is saved or nothing" in page
    return Upload.objects.latest("pk")


def test_five_thousand_lines_are_saved_by_a_worker_and_the_pages_ask_no_more_than_for_one(
    site: Site, settings
) -> None:
    boss, machine = site.browser("coordinator"), site.client("coordinator")
    pages = [
        (boss, f"{BASE}devices/"), (boss, f"{BASE}devices/?text=line&page=2"), (boss, f"{BASE}import/"),
        (machine, "/api/v1/events/harbour-days/registrations/"),
        (machine, "/api/v1/events/harbour-days/registrations/?page_size=5000"),
        (machine, "/api/v1/events/harbour-days/carriers/"), (machine, "/api/v1/events/harbour-days/plan/"),
    ]  # fmt: skip
    register(site.coordinator, *(line(f"line of one page {n}", spares=1) for n in range(2)))

    def asked() -> list[int]:
        counts = []
        for client, path in pages:
            client.get(path)
            with CaptureQueriesContext(connection) as counted:
                assert client.get(path).status_code == 200, path
            counts.append(len(counted))
        return counts

    few = asked()
    upload = queued(site, long_list(5000))
    with CaptureQueriesContext(connection) as counted:
        uploads.carry_out(upload.pk)
    upload.refresh_from_db()
    assert (upload.state, upload.outcome["new"], upload.share) == (UploadState.SAVED, 5000, 1)
    noted = [float(share) for query in counted for share in re.findall(r'"share" = (0\.\d+)', query["sql"])]
    assert noted == sorted(noted) and len(noted) >= 7 and noted[-1] == 0.5
    assert (Registration.objects.count(), Carrier.objects.count(), Unit.objects.count()) == (5002, 5504, 5504)
    assert asked() == few
    journal = boss.get(f"{BASE}journal/")
    assert (
        "2496 more" in text(journal) and "and 2396 more" in text(journal) and len(journal.content) < 500_000
    )


def test_whoever_died_over_a_list_loses_it_to_the_next_and_it_is_saved_once(site: Site, settings) -> None:
    settings.IMPORT_AT_ONCE_ROWS = 1
    upload = queued(site, long_list(3))
    dead = uploads.WORK.claim(upload.pk)
    assert dead and uploads.WORK.claim(upload.pk) is None
    uploads.sweep()
    assert Upload.objects.get().state == UploadState.SAVING  # its lease has not run out
    Upload.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    uploads.sweep()
    assert Upload.objects.get().state == UploadState.QUEUED
    uploads.carry_out(upload.pk)
    assert (Upload.objects.get().state, Upload.objects.get().attempt) == (UploadState.SAVED, 2)
    # The first one wakes up again: nothing of what it does counts any more.
    rows = uploads.rows_of(dead, uploads.table_of(dead))
    with pytest.raises(Conflict):
        uploads.save_upload(
            actor=site.coordinator, upload=dead, rows=rows, seen=upload.seen, attempt=dead.attempt
        )
    with pytest.raises(Conflict):
        uploads._note(dead, "judging", 0.3)
    assert Registration.objects.count() == 3
    assert Entry.objects.filter(verb="saved an uploaded list").count() == 1


def test_a_list_over_which_every_worker_dies_is_given_back_with_the_reason(site: Site, settings) -> None:
    settings.IMPORT_AT_ONCE_ROWS, settings.RUN_ATTEMPTS = 1, 2
    upload = queued(site, long_list(3))
    for _ in range(2):
        assert uploads.WORK.claim(upload.pk)
        Upload.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
        uploads.sweep()
    page = text(site.browser("coordinator").get(f"{BASE}import/{upload.pk}/"))
    assert "2 workers in a row died over this list" in page and "Save 3 rows" in page


def test_a_worker_that_finds_other_rows_than_were_shown_saves_nothing_and_says_why(
    site: Site, settings
) -> None:
    settings.IMPORT_AT_ONCE_ROWS = 1
    upload = queued(site, long_list(3))
    register(site.lead, line("line 0", external_id="X-0"))
    uploads.carry_out(upload.pk)
    page = text(site.browser("coordinator").get(f"{BASE}import/{upload.pk}/"))
    assert "Not saved:" in page and "would now do something else" in page and "1 changed" in page
    assert Registration.objects.count() == 1
    progress = site.browser("coordinator").get(f"{BASE}import/{upload.pk}/progress/")
    assert progress["HX-Refresh"] == "true"


def test_whoever_may_no_more_register_when_the_worker_comes_is_refused(site: Site, settings) -> None:
    settings.IMPORT_AT_ONCE_ROWS = 1
    lead = site.browser("lead")
    head = "label,kind,zone\r\n"
    answer_to(lead, send(lead, f"{head}a,mic,main\r\nb,mic,main\r\n"), "save")
    Membership.objects.filter(person=site.people["lead"]).delete()
    uploads.carry_out(Upload.objects.get().pk)
    assert Registration.objects.count() == 0
    assert "may not register here any more" in Upload.objects.get().refusal
