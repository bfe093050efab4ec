"""The life of an invitation: made, sent, opened, spent; withdrawn, expired, opened by the wrong person."""

import re
from datetime import timedelta

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone

from apps.events import actions
from apps.events.models import Invitation, Membership, Person
from apps.journal.models import Entry
from tests.site import Site, make_site

pytestmark = [pytest.mark.django_db, pytest.mark.store]
PEOPLE = "/e/harbour-days/set-up/people/"


@pytest.fixture
def site() -> Site:
    return make_site()


def invited(site: Site, email: str = "new@crew.example", role: str = "lead", department: str = "AUD") -> str:
    """Invite on the page and return the path of the link that it shows."""
    given = {"email": email, "name": "Nova", "role": role}
    if department:
        given["department"] = str(site.department(department).pk)
    page = site.browser("coordinator").post(PEOPLE, given).content.decode()
    found = re.search(r'value="http://testserver(/invitation/[^"]+)"', page)
    assert found, page
    return found[1]


def test_a_newcomer_chooses_a_password_and_leads_a_department(site: Site, client: Client) -> None:
    link = invited(site)
    assert link in mail.outbox[0].body
    assert mail.outbox[0].to == ["new@crew.example"]
    page = client.get(link).content.decode()
    assert "Harbour Days" in page
    assert "lead of Audio" in page
    short = client.post(link, {"name": "Nova", "password1": "short", "password2": "short"}).content.decode()
    assert "at least 10 characters" in short
    assert 'value="Nova"' in short
    given = {"name": "Nova", "password1": "wide open shutters", "password2": "wide open shutters"}
    answer = client.post(link, given)
    assert (answer.status_code, answer["Location"]) == (302, "/e/harbour-days/")
    assert client.get("/e/harbour-days/").status_code == 200
    row = Membership.objects.get(person__email="new@crew.example")
    assert (row.role, row.department) == ("lead", site.department("AUD"))
    assert list(Entry.objects.order_by("-number").values_list("verb", flat=True)[:2]) == [
        "accepted the invitation", "invited",
    ]  # fmt: skip


def test_the_link_is_kept_nowhere(site: Site) -> None:
    key = invited(site).split("/")[-2]
    assert key not in str(list(Invitation.objects.values()))
    assert key not in str(list(Entry.objects.values()))
    assert key not in site.browser("coordinator").get(PEOPLE).content.decode()


def test_a_spent_link_opens_nothing(site: Site, client: Client) -> None:
    link = invited(site)
    client.post(link, {"name": "N", "password1": "wide open shutters", "password2": "wide open shutters"})
    again = Client().get(link)
    assert again.status_code == 410
    assert "used already" in again.content.decode()


def test_withdrawn_and_expired_links_say_so(site: Site, client: Client) -> None:
    link = invited(site)
    row = Invitation.objects.get()
    site.browser("coordinator").post(f"/e/harbour-days/set-up/invitations/{row.pk}/")
    assert "was withdrawn" in client.get(link).content.decode()
    late = invited(site, email="late@crew.example")
    Invitation.objects.filter(email="late@crew.example").update(
        expires_at=timezone.now() - timedelta(seconds=1)
    )
    given = {"name": "N", "password1": "wide open shutters", "password2": "wide open shutters"}
    answer = client.post(late, given)
    assert (answer.status_code, "has expired" in answer.content.decode()) == (410, True)
    assert not Person.objects.filter(email="late@crew.example").exists()
    assert client.get("/invitation/no-such-key/").status_code == 404


def test_a_new_invitation_for_the_same_role_ends_the_older_one(site: Site, client: Client) -> None:
    first, second = invited(site), invited(site)
    assert client.get(first).status_code == 410
    assert client.get(second).status_code == 200


def test_somebody_with_a_log_in_must_use_it(site: Site, client: Client) -> None:
    """A link must not open an account that reaches something already, whoever holds the link."""
    person = site.people["stranger"]
    person.set_password("wide open shutters")
    person.save()
    link = invited(site, email=person.email, role="observer", department="")
    assert "Log in and take part" in client.get(link).content.decode()
    given = {"name": "X", "password1": "another long word", "password2": "another long word"}
    assert "There is a log-in" in client.post(link, given).content.decode()
    person.refresh_from_db()
    assert person.check_password("wide open shutters")
    wrong = site.browser("other").post(link)
    assert "went to stranger@harbour-days.example" in wrong.content.decode()
    right = site.browser("stranger").post(link)
    assert right["Location"] == "/e/harbour-days/"
    assert Membership.objects.get(person=person).role == "observer"


def test_a_person_without_password_who_is_in_an_event_is_not_taken_over_by_a_link(
    site: Site, client: Client
) -> None:
    second = make_site("winter-games")
    made = actions.invite(actor=second.coordinator, email=site.people["guard"].email, role="observer")
    given = {"name": "X", "password1": "another long word", "password2": "another long word"}
    client.post(f"/invitation/{made.key}/", given)
    assert client.get("/e/harbour-days/").status_code == 302
    site.people["guard"].refresh_from_db()
    assert not site.people["guard"].has_usable_password()


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"email": "x@crew.example", "role": "lead"}, "Which department do they lead?"),
        ({"email": "x@crew.example", "role": "observer", "department": "AUD"}, "choose none"),
        ({"email": "nobody", "role": "observer"}, "valid email address"),
        (
            {"email": "lead@harbour-days.example", "role": "lead", "department": "AUD"},
            "in this event already",
        ),
    ],
)
def test_a_faulty_invitation_says_what_is_wrong_and_keeps_what_was_typed(
    site: Site, given: dict[str, str], says: str
) -> None:
    sent = dict(given)
    if code := sent.get("department"):
        sent["department"] = str(site.department(code).pk)
    page = site.browser("coordinator").post(PEOPLE, sent).content.decode()
    assert says in page
    assert f'value="{given["email"]}"' in page
    assert not Invitation.objects.exists()
