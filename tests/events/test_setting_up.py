"""Setting an event up on pages: who may, versions, the last coordinator, tokens of one's own."""

import re

import pytest

from apps.events import actions as events
from apps.events.models import Department, Event, Membership, Token, Zone
from apps.journal.models import Entry
from apps.registry import actions as registry
from apps.registry.catalogue import catalogue
from apps.spectrum import actions as spectrum
from apps.spectrum.models import Occupied, Outsider
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
BASE = "/e/harbour-days/"
SET_UP = [
    "",
    "zones/",
    "zones/main/",
    "departments/",
    "departments/AUD/",
    "kinds/",
    "surroundings/",
    "people/",
]
EVENT = {
    "name": "Harbour Days", "site": "Old quay", "starts_on": "2027-06-11", "ends_on": "2027-06-13",
    "timezone": "Europe/Vienna", "ruleset": "cept", "registration_closes_at": "2027-05-01T18:00", "accepts_automatically": "on",
    "surroundings": "open", "fade_db": "20",
}  # fmt: skip
ZONE = {
    "name": "Main stage", "words": "", "east_m": "12.5", "north_m": "0", "antenna_height_m": "3", "own_distance_m": "20",
    "rack_m": "3", "walls": "traditional", "noise_rise_db": "0",
}  # fmt: skip


@pytest.fixture
def site() -> Site:
    return make_site()


def version_on(page: str) -> str:
    found = re.search(r'name="version" value="(\d+)"', page)
    assert found
    return found[1]


@pytest.mark.parametrize("path", ["devices/new/", "set-up/permissions/new/", "set-up/surroundings/"])
def test_pickers_of_hours_open_at_the_days_of_the_event_and_refuse_nothing_by_themselves(
    site: Site, path: str
) -> None:
    page = site.browser("coordinator").get(BASE + path).content.decode()
    pickers = [field for field in re.findall(r"<input[^>]+>", page) if "datetime-local" in field]
    bounded = [field for field in pickers if 'name="until"' not in field]
    assert bounded
    for field in bounded:
        assert 'min="2027-06-11T00:00"' in field, field
        assert 'max="2027-06-14T12:00"' in field, field
    for form in re.findall(r"<form.+?</form>", page, re.DOTALL):
        assert "datetime-local" not in form or "novalidate" in form.split(">")[0], form[:200]


@pytest.mark.parametrize("path", SET_UP)
@pytest.mark.parametrize(
    ("who", "status"),
    [("coordinator", 200), ("lead", 403), ("desk", 403), ("observer", 403), ("stranger", 404)],
)
def test_only_coordinators_set_up(site: Site, path: str, who: str, status: int) -> None:
    answer = site.browser(who).get(f"{BASE}set-up/{path}")
    assert answer.status_code == status
    if status == 403:
        assert "Only a coordinator of the event may do this." in answer.content.decode()
    assert site.browser(who).post(f"{BASE}set-up/{path}").status_code in (status, 200)


def test_the_deadline_is_typed_and_shown_in_the_events_own_time(site: Site) -> None:
    browser = site.browser("coordinator")
    page = browser.get(f"{BASE}set-up/").content.decode()
    answer = browser.post(f"{BASE}set-up/", EVENT | {"version": version_on(page)})
    assert answer.status_code == 302
    event = Event.objects.get()
    # Central European Summer Time is two hours ahead of UTC on 1 May.
    assert f"{event.registration_closes_at:%Y-%m-%d %H:%M %Z}" == "2027-05-01 16:00 UTC"
    assert event.revision > site.event.revision
    assert 'value="2027-05-01T18:00"' in browser.get(f"{BASE}set-up/").content.decode()


def test_the_ruleset_stays_once_something_was_judged_by_it(site: Site) -> None:
    register(site.lead, line())
    browser = site.browser("coordinator")
    page = browser.post(f"{BASE}set-up/", EVENT | {"version": "1", "ruleset": "us"}).content.decode()
    assert "can no longer change" in page
    assert Event.objects.get().ruleset == "cept"


def test_two_who_change_the_same_zone_see_both_values_and_lose_nothing(site: Site) -> None:
    browser = site.browser("coordinator")
    seen = version_on(browser.get(f"{BASE}set-up/zones/main/").content.decode())
    first = browser.post(f"{BASE}set-up/zones/main/", ZONE | {"version": seen})
    second = browser.post(f"{BASE}set-up/zones/main/", ZONE | {"version": seen, "east_m": "99"})
    assert first.status_code == 302
    page = second.content.decode()
    assert "Somebody else changed this" in page
    assert "<td>12.5</td><td>99.0</td>" in page
    assert 'value="99"' in page
    assert Zone.objects.get(code="main").east_m == 12.5
    again = browser.post(f"{BASE}set-up/zones/main/", ZONE | {"version": version_on(page), "east_m": "99"})
    assert again.status_code == 302
    assert Zone.objects.get(code="main").east_m == 99


def test_zones_and_departments_are_added_and_a_code_is_given_once(site: Site) -> None:
    browser = site.browser("coordinator")
    assert browser.post(f"{BASE}set-up/zones/", ZONE | {"code": "roof", "name": "Roof"}).status_code == 302
    page = browser.post(
        f"{BASE}set-up/zones/", ZONE | {"code": "roof", "name": "Second roof"}
    ).content.decode()
    assert "There is a zone of that code already." in page
    assert 'value="Second roof"' in page
    both = {"code": "SEC", "name": "Security", "confidential": "on", "open_to_others": "on"}
    assert "choose one" in browser.post(f"{BASE}set-up/departments/", both).content.decode()
    del both["open_to_others"]
    assert browser.post(f"{BASE}set-up/departments/", both).status_code == 302
    assert Department.objects.get(code="SEC").confidential


def test_an_event_keeps_a_coordinator(site: Site) -> None:
    browser = site.browser("coordinator")
    row = Membership.objects.get(person=site.people["coordinator"])
    answer = browser.post(f"{BASE}set-up/people/{row.pk}/", {"remove": "1"}, follow=True)
    assert "last coordinator" in answer.content.decode()
    answer = browser.post(f"{BASE}set-up/people/{row.pk}/", {"role": "observer", "version": "1"})
    assert "last coordinator" in answer.content.decode()
    assert Membership.objects.get(pk=row.pk).role == "coordinator"


def test_whose_role_ends_is_out_at_once_with_their_tokens(site: Site) -> None:
    machine, browser = site.client("lead"), site.browser("lead")
    assert machine.get("/api/v1/events/harbour-days/").status_code == 200
    row = Membership.objects.get(person=site.people["lead"])
    given = {"remove": "1", "reason": "left the crew"}
    assert site.browser("coordinator").post(f"{BASE}set-up/people/{row.pk}/", given).status_code == 302
    assert browser.get(BASE).status_code == 404
    assert machine.get("/api/v1/events/harbour-days/").status_code == 401
    assert Entry.objects.order_by("-number").first().reason == "left the crew"


def test_a_changed_role_counts_from_the_next_click(site: Site) -> None:
    row = Membership.objects.get(person=site.people["lead"])
    given = {"role": "lead", "department": str(site.department("VID").pk), "version": "1"}
    assert site.browser("coordinator").post(f"{BASE}set-up/people/{row.pk}/", given).status_code == 302
    assert site.again("lead").departments == {site.department("VID").pk}


def test_surroundings_are_typed_in_megahertz_and_stored_exact(site: Site) -> None:
    browser = site.browser("coordinator")
    given = {
        "occupied-label": "channel 33",
        "occupied-low_hz": "566",
        "occupied-high_hz": "574,000001",
        "occupied": "1",
    }
    assert browser.post(f"{BASE}set-up/surroundings/", given).status_code == 302
    row = Occupied.objects.get()
    assert (row.low_hz, row.high_hz) == (566_000_000, 574_000_001)
    wrong = given | {"occupied-label": "upside down", "occupied-high_hz": "500"}
    page = browser.post(f"{BASE}set-up/surroundings/", wrong).content.decode()
    assert "must end above its start" in page
    assert 'value="upside down"' in page
    given = {
        "outsider-label": "theatre", "outsider-zone": str(site.zone("side").pk), "outsider-frequency_hz": "480.0125",
        "outsider-bandwidth_hz": "0.2", "outsider-level_db": "-10", "outsider-sure": "on", "outsider": "1",
    }  # fmt: skip
    assert browser.post(f"{BASE}set-up/surroundings/", given).status_code == 302
    outsider = Outsider.objects.get()
    assert (outsider.frequency_hz, outsider.bandwidth_hz) == (480_012_500, 200_000)
    page = browser.get(f"{BASE}set-up/surroundings/outsiders/{outsider.pk}/").content.decode()
    assert 'value="480.0125"' in page
    assert (
        browser.post(f"{BASE}set-up/surroundings/outsiders/{outsider.pk}/", {"remove": "1"}).status_code
        == 302
    )
    assert browser.post(f"{BASE}set-up/surroundings/occupied/{row.pk}/", {"remove": "1"}).status_code == 302
    assert not Outsider.objects.exists()
    assert not Occupied.objects.exists()


def test_kinds_are_copied_from_the_catalogue(site: Site) -> None:
    browser = site.browser("coordinator")
    page = browser.get(f"{BASE}set-up/kinds/").content.decode()
    code = re.findall(r'name="kinds" value="([^"]+)"', page)[0]
    assert browser.post(f"{BASE}set-up/kinds/", {"kinds": code}).status_code == 302
    assert site.event.kinds.filter(code=code).exists()
    assert "has no such kind" in browser.post(f"{BASE}set-up/kinds/", {"kinds": "none-such"}).content.decode()


def test_who_coordinates_may_create_an_event_and_others_may_not(site: Site) -> None:
    given = {
        "name": "Winter Games", "slug": "winter-games", "starts_on": "2028-01-10", "ends_on": "2028-01-20",
        "timezone": "Europe/Oslo", "ruleset": "cept",
    }  # fmt: skip
    browser = site.browser("coordinator")
    page = browser.post("/events/new/", given | {"ends_on": "2028-01-01"}).content.decode()
    assert "ends before it starts" in page
    assert (
        "address is taken" in browser.post("/events/new/", given | {"slug": "harbour-days"}).content.decode()
    )
    assert browser.post("/events/new/", given)["Location"] == "/e/winter-games/set-up/zones/"
    assert site.browser("lead").post("/events/new/", given).status_code == 403
    assert "Create an event" not in site.browser("lead").get("/").content.decode()


def test_a_token_is_shown_once_and_works_until_it_is_revoked(site: Site) -> None:
    browser = site.browser("lead")
    page = browser.post(f"{BASE}tokens/", {"label": "spreadsheet", "days": "30"}).content.decode()
    found = re.search(r'id="secret" readonly value="([^"]+)"', page)
    assert found
    machine = {"HTTP_AUTHORIZATION": f"Token {found[1]}"}
    assert browser.get("/api/v1/events/harbour-days/", **machine).status_code == 200
    again = browser.get(f"{BASE}tokens/").content.decode()
    assert found[1] not in again
    assert "just now" in again
    token = Token.objects.get()
    assert not token.writes
    assert site.browser("other").post(f"{BASE}tokens/{token.token_key}/").status_code == 404
    assert browser.post(f"{BASE}tokens/{token.token_key}/").status_code == 302
    assert browser.get("/api/v1/events/harbour-days/", **machine).status_code == 401


def test_a_lead_issues_for_the_own_department_and_a_coordinator_sees_and_revokes_all(site: Site) -> None:
    lead, coordinator = site.browser("lead"), site.browser("coordinator")
    audio = site.department("AUD")
    page = lead.get(f"{BASE}tokens/").content.decode()
    assert f'<option value="{audio.pk}" selected>' in page
    description = re.search(r'href="(/api/[^"]+)"', page)
    assert description and lead.get(description[1]).status_code == 200
    lead.post(f"{BASE}tokens/", {"label": "labels", "days": "2", "department": str(audio.pk), "writes": "on"})
    token = Token.objects.get()
    assert (token.department, token.writes) == (audio, True)
    page = coordinator.get(f"{BASE}tokens/").content.decode()
    assert "labels" in page and "Lead" in page and "never" in page and "valid" in page
    Token.objects.update(expiry="2020-01-01T00:00Z")
    assert "expired" in lead.get(f"{BASE}tokens/").content.decode()
    assert coordinator.post(f"{BASE}tokens/{token.token_key}/").status_code == 302
    assert not Token.objects.exists()


def test_a_token_shows_what_it_may_and_ends_itself(site: Site) -> None:
    client = site.client("lead", department="AUD", writes=False)
    shown = client.get("/api/v1/events/harbour-days/token/").json()
    assert (shown["department"], shown["writes"]) == ("AUD", False)
    assert shown["expires_at"] and shown["last_used_at"]
    assert client.delete("/api/v1/events/harbour-days/token/").status_code == 204
    assert client.get("/api/v1/events/harbour-days/token/").status_code == 401


def test_a_token_reaches_no_further_than_its_owner(site: Site) -> None:
    video = str(site.department("VID").pk)
    given = {"label": "x", "days": "30", "department": video}
    page = site.browser("lead").post(f"{BASE}tokens/", given).content.decode()
    assert "not one of the available choices" in page
    observer = site.browser("observer")
    assert observer.post(f"{BASE}tokens/", {"label": "x", "days": "30", "writes": "on"}).status_code == 200
    assert list(Token.objects.values_list("user__email", "writes")) == [
        ("observer@harbour-days.example", False)
    ]
    assert "observer" not in site.browser("lead").get(f"{BASE}tokens/").content.decode().replace(
        "Pages of", ""
    )


def test_what_was_added_by_mistake_goes_and_what_is_used_stays(site: Site) -> None:
    register(site.lead, line())
    browser = site.browser("coordinator")
    for path, why in (
        ("zones/main/", "Zone main is in use"),
        ("departments/AUD/", "Department AUD is in use"),
    ):
        answer = browser.post(f"{BASE}set-up/{path}", {"remove": "1"}, follow=True)
        assert why in answer.content.decode()
    for path in ("zones/side/", "departments/VID/"):
        assert browser.post(f"{BASE}set-up/{path}", {"remove": "1"}).status_code == 302
    assert set(Zone.objects.values_list("code", flat=True)) == {"main", "gate"}
    assert set(Department.objects.values_list("code", flat=True)) == {"AUD", "GRD"}
    assert site.browser("other").get(BASE).status_code == 404


def test_lists_take_the_same_number_of_queries_with_few_rows_and_with_thirty(
    site: Site, django_assert_max_num_queries
) -> None:
    browser, coordinator = site.browser("coordinator"), site.coordinator
    paths = ["/", *(f"{BASE}{path}" for path in (
        "set-up/", "set-up/zones/", "set-up/departments/", "set-up/people/", "set-up/kinds/", "set-up/surroundings/", "tokens/",
    ))]  # fmt: skip
    spectrum.mark_occupied(actor=coordinator, label="0", low_hz=1, high_hz=2)
    spectrum.add_outsider(
        actor=coordinator, label="0", zone=site.zone("main"), frequency_hz=480_000_000, bandwidth_hz=1
    )
    events.invite(actor=coordinator, email="first@crew.example", role="observer")
    few = {}
    for path in paths:
        browser.get(path)
        with django_assert_max_num_queries(14) as counted:
            browser.get(path)
        few[path] = len(counted)
    for number in range(1, 31):
        zone = events.add_zone(actor=coordinator, code=f"z{number}", name=f"Zone {number}")
        department = events.add_department(actor=coordinator, code=f"D{number}", name=f"Department {number}")
        person = events.create_person(email=f"p{number}@crew.example", name=f"Person {number}")
        events.add_member(actor=coordinator, person=person, role="lead", department=department)
        events.invite(actor=coordinator, email=f"i{number}@crew.example", role="lead", department=department)
        events.issue_token(actor=coordinator, person=person, department=department)
        spectrum.mark_occupied(actor=coordinator, label=str(number), low_hz=number, high_hz=number + 1)
        spectrum.add_outsider(
            actor=coordinator, label=str(number), zone=zone, frequency_hz=480_000_000, bandwidth_hz=1
        )
    registry.copy_kinds(actor=coordinator, codes=list(catalogue())[:20])
    for path in paths:
        with django_assert_max_num_queries(few[path]):
            assert browser.get(path).status_code == 200, path
