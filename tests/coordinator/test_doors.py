"""The REST interface as a whole: who gets in, who learns what, and the shape of every no."""

import pytest
from django.urls import get_resolver
from rest_framework.test import APIClient

from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/api/v1/events/harbour-days/"
READS = [
    "", "zones/", "departments/", "kinds/", "registrations/", "carriers/", "runs/", "plan/", "plan/breaches/", "editions/",
    "journal/", "zones.geojson", "hours.ics",
]  # fmt: skip


@pytest.fixture
def site() -> Site:
    return make_site()


def test_every_address_asks_for_credentials() -> None:
    paths = ["events/", "openapi.json", "nowhere/", *(f"events/harbour-days/{path}" for path in READS)]
    for path in paths:
        for method in ("get", "post"):
            answer = getattr(APIClient(), method)(f"/api/v1/{path}")
            assert answer.status_code == 401, path
            assert answer["Content-Type"] == "application/problem+json"
            assert answer["WWW-Authenticate"].startswith("Token")


def test_a_stranger_cannot_tell_an_event_from_none(site: Site) -> None:
    make_site("other-event")
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=site.client("lead")._credentials["HTTP_AUTHORIZATION"])
    for path in READS:
        foreign = client.get(f"/api/v1/events/other-event/{path}")
        absent = client.get(f"/api/v1/events/no-such-event/{path}")
        assert (foreign.status_code, foreign.content) == (404, absent.content)


def test_a_token_that_reads_may_not_write_and_is_told_so(site: Site) -> None:
    answer = site.client("lead", writes=False).post(f"{BASE}registrations/", [line()], format="json")
    assert answer.status_code == 403
    assert "only reads" in answer.json()["detail"]


def test_a_token_of_one_department_reaches_no_other(site: Site) -> None:
    register(site.coordinator, line(), line("camera", department="VID"))
    rows = site.client("coordinator", department="VID").get(f"{BASE}registrations/").json()["results"]
    assert [row["department"] for row in rows] == ["VID"]


def test_rows_are_answered_from_one_and_good_ones_are_saved(site: Site) -> None:
    rows = [line("a", external_id="X1"), line("b", quantity=0), line("c", hours={"all_day": True})]
    answer = site.client("lead").post(f"{BASE}registrations/", rows, format="json")
    assert answer.status_code == 207
    assert [(row["row"], row["status"]) for row in answer.json()] == [(1, "new"), (2, "faulty"), (3, "new")]
    assert answer.json()[1]["errors"][0]["field"] == "quantity"
    assert answer.json()[1]["errors"][0]["value"] == "0"
    again = site.client("lead").post(f"{BASE}registrations/", [rows[0]], format="json")
    assert (again.status_code, again.json()[0]["status"], again.json()[0]["id"]) == (
        200,
        "unchanged",
        answer.json()[0]["id"],
    )


def test_a_file_is_taken_whole_or_not_at_all(site: Site) -> None:
    text = "label,kind,department,zone\na,mic,AUD,main\nb,mic,AUD,nowhere\n"
    client = site.client("lead")
    refused = client.generic("POST", f"{BASE}registrations/", text, content_type="text/csv")
    assert refused.status_code == 422
    assert refused.json()["errors"][0] | {"message": ""} == {
        "row": 2,
        "field": "zone",
        "value": "nowhere",
        "message": "",
    }
    taken = client.generic(
        "POST", f"{BASE}registrations/", text.replace("nowhere", "side"), content_type="text/csv"
    )
    assert taken.status_code == 201
    exported = client.get(f"{BASE}registrations/?as=csv").content
    again = client.generic("POST", f"{BASE}registrations/", exported, content_type="text/csv")
    assert again.status_code == 200, (again.json(), exported)
    assert {row["status"] for row in again.json()} == {"unchanged"}


def test_if_match_keeps_two_from_overwriting_each_other(site: Site) -> None:
    register(site.lead, line())
    client = site.client("lead")
    key = client.get(f"{BASE}registrations/").json()["results"][0]["id"]
    read = client.get(f"{BASE}registrations/{key}/")
    etag = read["ETag"]
    first = client.patch(f"{BASE}registrations/{key}/", {"notes": "one"}, format="json", HTTP_IF_MATCH=etag)
    second = client.patch(f"{BASE}registrations/{key}/", {"notes": "two"}, format="json", HTTP_IF_MATCH=etag)
    assert (first.status_code, second.status_code) == (200, 412)
    assert client.get(f"{BASE}registrations/{key}/").json()["notes"] == "one"
    unguarded = client.patch(f"{BASE}registrations/{key}/", {"notes": "three"}, format="json")
    assert unguarded.status_code == 428
    whatever = {"format": "json", "HTTP_IF_MATCH": "*"}
    renamed = client.patch(f"{BASE}registrations/{key}/", {"label": "lead vocal 1"}, **whatever)
    assert renamed.json()["label"] == "lead vocal 1"


def test_a_lead_finds_nothing_of_a_confidential_department(site: Site) -> None:
    register(
        site.guard,
        line("close protection", department="GRD", kind="repeater", zone="gate", contact="Guard One"),
    )
    client = site.client("lead")
    for path in READS:
        text = client.get(f"{BASE}{path}").content.decode()
        for secret in ("GRD", "Guest protection", "close protection", "Guard One"):
            assert secret not in text, (path, secret)


def test_lists_take_the_same_number_of_queries_with_one_row_and_with_thirty(
    site: Site, django_assert_max_num_queries
) -> None:
    client = site.client("lead")
    register(site.lead, line("first"))
    for path in ("registrations/", "carriers/", "plan/"):
        client.get(f"{BASE}{path}")
        with django_assert_max_num_queries(9):
            client.get(f"{BASE}{path}")
    register(site.lead, *(line(f"more {number}", quantity=2, spares=1) for number in range(30)))
    for path in ("registrations/", "carriers/", "plan/"):
        with django_assert_max_num_queries(9):
            assert client.get(f"{BASE}{path}").json()["count"] > 30


def test_every_address_of_the_interface_is_an_event_view_or_known_to_this_test() -> None:
    """A new address that forgets its actor would be found here."""
    from apps.events.api import EventView  # noqa: PLC0415 - only this test needs it

    patterns = next(p for p in get_resolver().url_patterns if str(p.pattern) == "api/v1/").url_patterns
    others = {"openapi", "events", None}
    for pattern in patterns:
        assert pattern.name in others or issubclass(pattern.callback.view_class, EventView), pattern
