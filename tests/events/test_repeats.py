"""Idempotency-Key: a named request is done once, and answered alike however often it is sent.

The statuses 409 (under way) and 422 (used for something else) are those of draft-ietf-httpapi-idempotency-key-header-07,
section 2.6 (from memory).
"""

from datetime import timedelta

import pytest
from django.utils import timezone
from rest_framework.response import Response

from apps.common.errors import Conflict
from apps.events import repeats
from apps.events.models import Repeat, Token
from apps.journal.models import Entry
from apps.registry.models import Registration
from tests.site import Site, line, make_site

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/api/v1/events/harbour-days/"
KEY = {"HTTP_IDEMPOTENCY_KEY": '"8e03978e-40d5-43e8-bc93-6894a57f9324"'}


@pytest.fixture
def site() -> Site:
    return make_site()


def test_the_same_request_is_done_once_and_answered_as_before(site: Site) -> None:
    client = site.client("lead")
    rows = [line("a"), line("b", quantity=0)]
    first = client.post(f"{BASE}registrations/", rows, format="json", **KEY)
    entries = Entry.objects.count()
    Registration.objects.update(notes="changed since")
    again = client.post(f"{BASE}registrations/", rows, format="json", **KEY)
    assert (first.status_code, again.status_code) == (207, 207)
    assert again.json() == first.json()
    assert again["Content-Type"] == "application/json"
    assert (Registration.objects.count(), Entry.objects.count()) == (1, entries)
    unnamed = client.post(f"{BASE}registrations/", rows[:1], format="json")
    assert unnamed.json()[0]["status"] == "unchanged"


def test_a_file_is_named_like_any_other_request(site: Site) -> None:
    client, text = site.client("lead"), "label,kind,department,zone\na,mic,AUD,main\n"
    answers = [
        client.generic("POST", f"{BASE}registrations/", text, content_type="text/csv", **KEY)
        for _ in range(2)
    ]
    assert [(answer.status_code, answer.json()[0]["status"]) for answer in answers] == [(201, "new")] * 2
    changed = text.replace("main", "side")
    other = client.generic("POST", f"{BASE}registrations/", changed, content_type="text/csv", **KEY)
    assert other.status_code == 422


def test_where_a_job_is_found_stands_in_the_repeated_answer_too(site: Site) -> None:
    site.client("lead").post(f"{BASE}registrations/", [line()], format="json")
    client = site.client("coordinator")
    first = client.post(f"{BASE}runs/", {}, format="json", **KEY)
    again = client.post(f"{BASE}runs/", {}, format="json", **KEY)
    assert first.status_code == again.status_code == 202
    assert first["Location"] == again["Location"] == f"http://testserver{BASE}runs/1/"
    assert client.post(f"{BASE}runs/", {}, format="json").status_code == 409


def test_a_key_belongs_to_one_request_of_one_token(site: Site) -> None:
    client = site.client("lead")
    client.post(f"{BASE}registrations/", [line("a")], format="json", **KEY)
    other = client.post(f"{BASE}registrations/", [line("b")], format="json", **KEY)
    assert (other.status_code, other["Content-Type"]) == (422, "application/problem+json")
    assert other.json()["errors"][0]["field"] == "Idempotency-Key"
    assert (
        client.post(
            f"{BASE}registrations/?all_or_nothing=true", [line("a")], format="json", **KEY
        ).status_code
        == 422
    )
    stranger = site.client("coordinator").post(f"{BASE}registrations/", [line("b")], format="json", **KEY)
    assert stranger.status_code == 201


def test_a_refusal_changes_nothing_and_leaves_the_key_free(site: Site) -> None:
    client = site.client("lead")
    assert client.post(f"{BASE}registrations/", [line(quantity=0)], format="json", **KEY).status_code == 422
    assert (
        site.client("lead", writes=False)
        .post(f"{BASE}registrations/", [line()], format="json", **KEY)
        .status_code
        == 403
    )
    assert not Repeat.objects.exists()
    assert client.post(f"{BASE}registrations/", [line()], format="json", **KEY).status_code == 201


def test_while_it_is_under_way_others_wait_and_after_a_death_the_next_one_does_it(site: Site) -> None:
    client, rows = site.client("coordinator"), [{"code": "tower", "name": "Tower"}]
    client.post(f"{BASE}zones/", rows, format="json", **KEY)
    # As a process leaves it that was killed before it could commit what it did.
    site.zone("tower").delete()
    Repeat.objects.update(status=None, body=b"", lease_until=timezone.now() + timedelta(seconds=60))
    assert client.post(f"{BASE}zones/", rows, format="json", **KEY).status_code == 409
    assert not site.event.zones.filter(code="tower").exists()
    Repeat.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    done = client.post(f"{BASE}zones/", rows, format="json", **KEY)
    assert (done.status_code, site.zone("tower").name) == (201, "Tower")
    assert Repeat.objects.get().status == 201


def test_who_was_only_slow_finds_the_claim_taken_over_and_keeps_nothing(site: Site) -> None:
    site.client("lead")
    token = Token.objects.get()
    slow = repeats.claim(token=token, key="k", digest="d")
    Repeat.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    repeats.claim(token=token, key="k", digest="d")
    with pytest.raises(Conflict):
        repeats.keep(slow, _answer())
    repeats.give_up(slow)
    assert Repeat.objects.get().status is None


def _answer() -> Response:
    return Response({"done": True}, status=201)


@pytest.mark.parametrize("key", ["", " ", "ü", '"', "x" * 256, 'a"b'])
def test_a_key_that_is_none_is_refused_or_counts_as_absent(site: Site, key: str) -> None:
    answer = site.client("lead").post(
        f"{BASE}registrations/", [line()], format="json", HTTP_IDEMPOTENCY_KEY=key
    )
    assert answer.status_code == (422 if key.strip() else 201)


def test_answers_are_forgotten_after_a_day_and_with_their_token(site: Site) -> None:
    client = site.client("lead")
    client.post(f"{BASE}registrations/", [line("a")], format="json", **KEY)
    Repeat.objects.update(at=timezone.now() - timedelta(days=1, seconds=1))
    again = client.post(f"{BASE}registrations/", [line("a")], format="json", **KEY)
    assert again.json()[0]["status"] == "unchanged"
    Token.objects.all().delete()
    assert not Repeat.objects.exists()
