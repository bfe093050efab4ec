"""Logging in and out, strangers, missing rights: the doors that every page shares."""

import re

import pytest
from django.core import mail
from django.core.cache import cache
from django.test import Client

from apps.events import actions
from apps.events.letters import LETTERS
from tests.site import Site, make_site

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests


@pytest.fixture
def site() -> Site:
    return make_site()


def browser(site: Site, who: str) -> Client:
    client = Client()
    client.force_login(site.people[who], backend="django.contrib.auth.backends.ModelBackend")
    return client


def test_who_is_not_logged_in_is_asked_to_and_comes_back_to_where_they_wanted(
    client: Client, site: Site
) -> None:
    answer = client.get(f"/e/{site.event.slug}/")
    assert (answer.status_code, answer["Location"]) == (302, f"/login/?next=/e/{site.event.slug}/")
    lead = site.people["lead"]
    lead.set_password("wide open shutters")
    lead.save()
    given = {"username": lead.email.upper(), "password": "wide open shutters"}
    answer = client.post(answer["Location"], given | {"next": f"/e/{site.event.slug}/"})
    assert (answer.status_code, answer["Location"]) == (302, f"/e/{site.event.slug}/")
    assert "Harbour Days" in client.get("/").content.decode()
    assert client.get("/logout/").status_code == 405
    assert client.post("/logout/")["Location"] == "/login/"
    assert client.get("/").status_code == 302


def test_a_wrong_password_says_so_and_keeps_the_address(client: Client, site: Site) -> None:
    page = client.post(
        "/login/", {"username": "lead@harbour-days.example", "password": "no"}
    ).content.decode()
    assert "do not belong together" in page
    assert 'value="lead@harbour-days.example"' in page


def test_after_eight_wrong_passwords_the_door_is_closed_for_a_while(client: Client, site: Site) -> None:
    given = {"username": "lead@harbour-days.example", "password": "no"}
    codes = [client.post("/login/", given).status_code for _ in range(8)]
    assert codes[:7] == [200] * 7
    assert codes[7] == 429
    assert "quarter of an hour" in client.post("/login/", given).content.decode()


def test_a_stranger_cannot_tell_an_event_from_none(site: Site) -> None:
    client = browser(site, "stranger")
    real, none = client.get(f"/e/{site.event.slug}/"), client.get("/e/nothing-here/")
    assert (real.status_code, none.status_code) == (404, 404)
    pages = [
        re.sub(r"[A-Za-z0-9]{64}", "", page.content.decode()) for page in (real, none)
    ]  # less their form keys
    assert pages[0] == pages[1]
    assert "Harbour" not in pages[0]
    assert "not part of any event" in client.get("/").content.decode()


def test_somebody_in_two_events_sees_both_with_their_roles(site: Site) -> None:
    second = make_site("winter-games")

    actions.add_member(actor=second.coordinator, person=site.people["lead"], role="observer")
    page = browser(site, "lead").get("/").content.decode()
    assert "lead of Audio" in page
    assert "observer" in page
    assert "/e/winter-games/" in page


def test_a_forgotten_password_is_replaced_by_a_link(client: Client, site: Site) -> None:
    lead = site.people["lead"]
    lead.set_password("wide open shutters")
    lead.save()
    for email in (lead.email, "nobody@harbour-days.example"):
        page = client.post("/password/forgotten/", {"email": email}, follow=True).content.decode()
        assert "If there is a log-in for that address" in page
    assert [letter.to for letter in mail.outbox] == [[lead.email]]
    found = re.search(r"http://testserver(/password/\S+)", mail.outbox[0].body)
    assert found
    answer = client.get(found[1])
    given = {"new_password1": "shutters open wide", "new_password2": "shutters open wide"}
    assert client.post(answer["Location"], given)["Location"] == "/login/"
    lead.refresh_from_db()
    assert lead.check_password("shutters open wide")
    assert "no longer opens anything" in Client().get(found[1]).content.decode()


def test_letters_to_one_address_are_not_sent_without_end(client: Client, site: Site) -> None:
    lead = site.people["lead"]
    lead.set_password("wide open shutters")
    lead.save()
    cache.clear()
    for _ in range(LETTERS + 3):
        page = client.post("/password/forgotten/", {"email": lead.email}, follow=True).content.decode()
        assert "If there is a log-in for that address" in page
    assert len(mail.outbox) == LETTERS
    cache.clear()
