"""Reports of trouble: who files, who reads, who answers, by page and by interface, and what the journal tells of it."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from apps.common.errors import Conflict, Faulty, Forbidden, Stale
from apps.events import actions as events
from apps.journal.models import Entry
from apps.onsite import actions
from apps.onsite.models import Report
from apps.onsite.queries import carrier_named, reports_of
from apps.planning import actions as planning
from apps.planning.actions import Selection
from apps.registry.models import Carrier
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db
PAGE = "/e/harbour-days/reports/"
DOOR = "/api/v1/events/harbour-days/reports/"


@pytest.fixture
def site() -> Site:
    site = make_site()
    register(
        site.coordinator,
        line("Lead vocals"),
        line("crane", department="VID"),
        line("agents", department="GRD"),
    )
    return site


def about(site: Site, department: str, **more: object) -> Report:
    carrier = Carrier.objects.get(code=f"{department}-001")
    return actions.file_report(
        actor=site.desk, trouble="interference", words="clicks since noon", carrier=carrier, **more
    )


def test_each_reads_what_concerns_them(site: Site) -> None:
    for code in ("AUD", "VID", "GRD"):
        about(site, code)
    actions.file_report(
        actor=site.other, trouble="unplanned emission", words="a carrier", zone=site.zone("gate")
    )
    seen = {
        who: sorted(reports_of(site.again(who)).values_list("number", flat=True))
        for who in ("coordinator", "desk", "lead", "other", "guard", "observer")
    }
    assert seen == {
        "coordinator": [1, 2, 3, 4], "desk": [1, 2, 3, 4], "lead": [1], "other": [2, 4], "guard": [3], "observer": [1, 2],
    }  # fmt: skip


def test_filed_on_a_page_told_to_coordinators_and_answered(site: Site) -> None:
    desk, coordinator = site.browser("desk"), site.browser("coordinator")
    form = {"trouble": "interference", "carrier": " aud-001 ", "words": "clicks since noon"}
    answer = desk.post(PAGE, form)
    assert (answer.status_code, answer["Location"]) == (302, f"{PAGE}1/")
    assert "1 report of trouble waits for an answer" in coordinator.get("/e/harbour-days/").content.decode()
    assert (
        coordinator.post(f"{PAGE}1/", {"version": "1", "answer": "the rack was moved back"}).status_code
        == 302
    )
    report = Report.objects.get()
    assert (report.state, report.answer, report.department, report.zone) == (
        "answered", "the rack was moved back", site.department("AUD"), site.zone("main"),
    )  # fmt: skip
    assert "the rack was moved back" in site.browser("lead").get(f"{PAGE}1/").content.decode()
    told = Entry.objects.filter(event=site.event.slug, verb__endswith="a report").values_list(
        "department", "verb", "reason"
    )
    assert sorted(told) == [
        ("AUD", "answered a report", "the rack was moved back"), ("AUD", "filed a report", "clicks since noon"),
    ]  # fmt: skip


def test_a_coordinator_is_on_it_before_there_is_an_answer(site: Site) -> None:
    report = about(site, "AUD")
    coordinator, desk = site.browser("coordinator"), site.browser("desk")
    home = "/e/harbour-days/"
    assert "nobody is on it yet" in coordinator.get(home).content.decode()
    assert coordinator.post(f"{PAGE}1/", {"version": "1", "do": "take"}).status_code == 302
    report.refresh_from_db()
    assert (report.state, report.taken_name, report.version) == ("open", "Coordinator", 2)
    for path in (PAGE, f"{PAGE}1/"):
        assert '<span aria-hidden="true">◐</span> taken by Coordinator' in desk.get(path).content.decode()
    for who in ("desk", "lead"):
        page = site.browser(who).get(home).content.decode()
        assert "Coordinator is on it" in page and f'href="{PAGE}1/"' in page
        assert page.index("What you should know") < page.index("Coordinator is on it"), (
            "theirs to know, not to do"
        )
        assert (
            "waits for a coordinator" in page
            and "btn-primary" not in page[page.index("What you should know") :]
        )
    assert "of trouble" not in site.browser("other").get(home).content.decode()
    assert "Coordinator is on it" in coordinator.get(home).content.decode()
    assert "I am on it" not in coordinator.get(f"{PAGE}1/").content.decode()
    with pytest.raises(Conflict):
        actions.take_report(actor=site.coordinator, report=report)
    with pytest.raises(Forbidden):
        actions.take_report(actor=site.desk, report=report)
    with pytest.raises(Stale):
        actions.answer_report(actor=site.coordinator, report=report, answer="x", version=1)
    actions.answer_report(actor=site.coordinator, report=report, answer="the rack was moved back")
    assert "is on it" not in desk.get(f"{PAGE}1/").content.decode()
    assert "has an answer: «the rack was moved back»" in desk.get(home).content.decode()
    Report.objects.update(answered_at=timezone.now() - timedelta(days=2))
    assert "of trouble" not in desk.get(home).content.decode()
    with pytest.raises(Conflict):
        actions.take_report(actor=site.coordinator, report=report)


def test_who_comes_to_read_reads_first_and_who_comes_to_write_writes_first(site: Site) -> None:
    def form_first(query: str = "") -> bool:
        page = site.browser("desk").get(PAGE + query).content.decode()
        return page.index('id="new"') < page.index('id="told"')

    assert form_first()
    about(site, "AUD")
    assert not form_first()
    assert form_first("?carrier=AUD-001")
    faulty = site.browser("desk").post(PAGE, {"words": "noise"}).content.decode()
    assert faulty.index('id="new"') < faulty.index('id="told"')


def test_whom_to_call_is_named_where_one_should_call(site: Site) -> None:
    events.change_event(actor=site.coordinator, event=site.event, contact_on_site="desk, or 555 0100")
    about(site, "AUD")
    for path in (PAGE, f"{PAGE}1/"):
        page = site.browser("lead").get(path).content.decode()
        assert 'desk, or <a href="tel:5550100">555 0100</a>' in page


def test_only_what_the_page_of_the_device_shows_is_promised(site: Site) -> None:
    about(site, "AUD")
    carrier, boss = Carrier.objects.get(code="AUD-001"), site.browser("coordinator")

    def promised() -> bool:
        return "what is free" in boss.get(f"{PAGE}1/").content.decode()

    assert promised()
    planning.change_frequency(
        actor=site.coordinator, carrier=carrier, frequency_hz=480_100_000, reason="by ear"
    )
    assert promised()
    for act in (planning.approve, planning.lock):
        act(actor=site.coordinator, selection=Selection(carriers=("AUD-001",)))
    assert not promised()


def test_machines_take_it_on_too(site: Site) -> None:
    about(site, "AUD")
    client = site.client("coordinator")
    assert client.post(f"{DOOR}1/take/").status_code == 428
    taken = client.post(f"{DOOR}1/take/", headers={"if-match": '"1"'})
    assert (taken.status_code, taken.data["taken_by"], taken.data["state"]) == (200, "Coordinator", "open")
    assert client.post(f"{DOOR}1/take/", headers={"if-match": "*"}).status_code == 409
    assert site.client("desk").post(f"{DOOR}1/take/", headers={"if-match": "*"}).status_code == 403
    shown = site.client("lead").get(f"{DOOR}1/").data
    assert shown["taken_by"] == "Coordinator" and shown["taken_at"]


@pytest.mark.parametrize("said", ["AUD-001", " aud-001/1 ", "aud 1", "Aud-1", "AUD001"])
def test_a_device_is_known_by_what_stands_on_it_and_by_what_people_write(site: Site, said: str) -> None:
    carrier = carrier_named(site.desk, said)
    assert carrier is not None and carrier.code == "AUD-001"
    assert carrier_named(site.other, said) is None


@pytest.mark.parametrize(
    ("form", "field"),
    [
        ({"words": "noise"}, "carrier"),
        ({"words": "noise", "carrier": "VID-001"}, "carrier"),
        ({"carrier": "AUD-001"}, "words"),
        ({"carrier": "AUD-001", "words": "x", "trouble": "war"}, "trouble"),
        ({"words": "x", "frequency_hz": "fm"}, "frequency_hz"),
    ],
)
def test_what_cannot_be_looked_into_is_refused_and_kept(site: Site, form: dict[str, str], field: str) -> None:
    answer = site.browser("lead").post(PAGE, {"trouble": "other"} | form)
    assert answer.status_code == 422
    assert field in answer.context["form"].errors
    assert all(value in answer.content.decode() for key, value in form.items() if key != "trouble")
    assert not Report.objects.exists()


def test_who_may_not(site: Site) -> None:
    with pytest.raises(Forbidden):
        actions.file_report(actor=site.observer, trouble="other", words="x", zone=site.zone("main"))
    with pytest.raises(Faulty):
        actions.file_report(actor=site.lead, trouble="other", words="x")
    report = about(site, "AUD")
    with pytest.raises(Forbidden):
        actions.answer_report(actor=site.lead, report=report, answer="it is fine")
    with pytest.raises(Stale):
        actions.answer_report(actor=site.coordinator, report=report, answer="x", version=7)
    actions.answer_report(actor=site.coordinator, report=report, answer="x")
    with pytest.raises(Conflict):
        actions.answer_report(actor=site.coordinator, report=report, answer="y")


def test_machines_file_and_answer(site: Site) -> None:
    desk, coordinator = site.client("desk"), site.client("coordinator")
    given = {"trouble": "no signal", "carrier": "AUD-001", "words": "silence"}
    made = desk.post(DOOR, given, format="json")
    assert (made.status_code, made.json()["department"], made["ETag"]) == (201, "AUD", '"1"')
    unknown = desk.post(DOOR, given | {"carrier": "AUD-900"}, format="json")
    assert (unknown.status_code, [each["field"] for each in unknown.json()["errors"]]) == (422, ["carrier"])
    address = f"{DOOR}1/answer/"
    assert coordinator.post(address, {"answer": "battery"}, format="json").status_code == 428
    done = coordinator.post(address, {"answer": "battery"}, format="json", HTTP_IF_MATCH='"1"')
    assert (done.status_code, done.json()["state"]) == (200, "answered")
    assert [row["number"] for row in desk.get(f"{DOOR}?state=answered").json()["results"]] == [1]
    assert desk.get(f"{DOOR}?state=open").json()["results"] == []


@pytest.mark.parametrize("path", [PAGE, DOOR])
def test_as_many_queries_for_one_as_for_thirty(site: Site, path: str) -> None:

    browser = site.client("desk") if path is DOOR else site.browser("desk")
    counts = []
    for number in (1, 29):
        for _ in range(number):
            about(site, "AUD")
        browser.get(path)
        with CaptureQueriesContext(connection) as asked:
            browser.get(path)
        counts.append(len(asked))
    assert counts[0] == counts[1]
