"""Who sees what of an event: one function decides, and every query begins with it."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction

from apps.common.errors import Conflict, Faulty, Forbidden, Missing, Stale
from apps.events import actions, queries
from apps.events.models import Membership, Person, Token
from tests.site import Site, make_site

pytestmark = [pytest.mark.django_db, pytest.mark.store]


@pytest.fixture
def site() -> Site:
    return make_site()


def codes(site: Site, who: str) -> set[str]:
    return {department.code for department in queries.departments_of(site.again(who))}


def test_departments_by_role(site: Site) -> None:
    assert codes(site, "coordinator") == codes(site, "desk") == {"AUD", "VID", "GRD"}
    assert codes(site, "observer") == {"AUD", "VID"}
    assert codes(site, "lead") == {"AUD"}
    assert codes(site, "guard") == {"GRD"}


def test_a_department_that_opens_itself_is_named_but_not_shown(site: Site) -> None:
    actions.change_department(actor=site.coordinator, department=site.department("VID"), open_to_others=True)
    assert {row.code for row in queries.departments_named_to(site.again("lead"))} == {"AUD", "VID"}
    assert codes(site, "lead") == {"AUD"}


def test_a_stranger_and_a_wrong_address_are_answered_alike(site: Site) -> None:
    for slug in ("harbour-days", "no-such-event"):
        with pytest.raises(Missing) as answer:
            queries.actor_in(site.people["stranger"], slug)
        assert str(answer.value) == ""


def test_one_person_may_be_lead_of_two_departments_and_coordinator_elsewhere(site: Site) -> None:
    other = make_site("second-event")
    lead = site.people["lead"]
    actions.add_member(actor=site.coordinator, person=lead, role="lead", department=site.department("VID"))
    actions.add_member(actor=other.coordinator, person=lead, role="coordinator")
    assert codes(site, "lead") == {"AUD", "VID"}
    assert queries.actor_in(lead, "second-event").coordinates
    assert not queries.actor_in(lead, "harbour-days").coordinates


def test_an_observer_never_writes_even_with_a_token_that_could(site: Site) -> None:
    issued = actions.issue_token(actor=site.coordinator, person=site.people["observer"], writes=True)
    assert queries.actor_in(site.people["observer"], "harbour-days", issued.token).writes is False


def test_a_token_stays_in_its_event(site: Site) -> None:
    other = make_site("second-event")
    actions.add_member(actor=other.coordinator, person=site.people["lead"], role="observer")
    issued = actions.issue_token(actor=site.lead, person=site.people["lead"])
    with pytest.raises(Missing):
        queries.actor_in(site.people["lead"], "second-event", issued.token)


def test_only_coordinators_issue_tokens_to_others(site: Site) -> None:
    with pytest.raises(Forbidden):
        actions.issue_token(actor=site.lead, person=site.people["other"])
    with pytest.raises(Missing):
        actions.issue_token(actor=site.coordinator, person=site.people["stranger"])


def test_an_expired_token_opens_nothing(site: Site) -> None:
    client = site.client("lead")
    Token.objects.update(expiry="2020-01-01T00:00Z")
    assert client.get("/api/v1/events/harbour-days/").status_code == 401


def test_use_is_remembered(site: Site) -> None:
    client = site.client("lead")
    client.get("/api/v1/events/harbour-days/")
    assert Token.objects.get().last_used_at is not None


def test_two_who_change_the_same_zone_do_not_overwrite_each_other(site: Site) -> None:
    mine, theirs = site.zone("main"), site.zone("main")
    actions.change_zone(actor=site.coordinator, zone=mine, name="Main stage, moved")
    with pytest.raises(Stale) as stale:
        actions.change_zone(actor=site.coordinator, zone=theirs, name="Main stage, renamed")
    assert stale.value.current_version == 2
    assert site.zone("main").name == "Main stage, moved"


def test_what_the_solver_would_notice_raises_the_revision(site: Site) -> None:
    site.event.refresh_from_db()
    before = site.event.revision
    actions.change_zone(actor=site.coordinator, zone=site.zone("main"), east_m=5.0)
    site.event.refresh_from_db()
    assert site.event.revision == before + 1


def test_names_are_unique_and_faults_say_so(site: Site) -> None:
    with pytest.raises(Faulty):
        actions.add_zone(actor=site.coordinator, code="main", name="again")
    with pytest.raises(Faulty):
        actions.add_department(actor=site.coordinator, code="AUD", name="again")
    with pytest.raises(Faulty):
        actions.add_member(actor=site.coordinator, person=site.people["stranger"], role="lead")
    with pytest.raises(Conflict):
        actions.add_member(actor=site.coordinator, person=site.people["desk"], role="observer")


def test_the_database_itself_refuses_what_may_never_be(site: Site) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Membership.objects.create(event=site.event, person=site.people["stranger"], role="lead")
    with pytest.raises(IntegrityError), transaction.atomic():
        Person.objects.create(email="LEAD@harbour-days.example", name="twin")
    with pytest.raises(IntegrityError), transaction.atomic():
        site.event.departments.filter(code="GRD").update(open_to_others=True)


def test_leads_do_not_set_up_events(site: Site) -> None:
    for act in (
        lambda: actions.add_zone(actor=site.lead, code="x", name="x"),
        lambda: actions.add_department(actor=site.lead, code="X", name="x"),
        lambda: actions.add_member(actor=site.lead, person=site.people["stranger"], role="observer"),
    ):
        with pytest.raises(Forbidden):
            act()


def test_a_token_lives_as_long_as_it_was_told(site: Site) -> None:
    issued = actions.issue_token(actor=site.lead, person=site.people["lead"], expires_in=timedelta(days=2))
    assert round((issued.token.expiry - issued.token.created) / timedelta(days=1), 3) == 2
