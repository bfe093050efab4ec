"""The journal: appended inside the act's own transaction, numbered without a gap, each entry chained to the one before."""

import pytest
from django.db import transaction

from apps.journal import actions
from apps.journal.models import Entry
from apps.journal.queries import entries, first_broken_link
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]


@pytest.fixture
def site() -> Site:
    return make_site()


def test_numbers_have_no_gap_and_the_chain_holds(site: Site) -> None:
    register(site.lead, line())
    numbers = list(Entry.objects.order_by("number").values_list("number", flat=True))
    assert numbers == list(range(1, len(numbers) + 1))
    assert first_broken_link(site.event.slug) is None


@pytest.mark.parametrize("change", [{"reason": "another"}, {"actor_name": "Somebody Else"}, {"changes": {}}])
def test_a_change_of_an_entry_is_found(site: Site, change: dict) -> None:
    register(site.lead, line())
    last = entries(site.event.slug).first()
    Entry.objects.filter(pk=last.pk).update(**change)
    assert first_broken_link(site.event.slug) == last.number


def test_a_missing_entry_is_found(site: Site) -> None:
    third = Entry.objects.get(event=site.event.slug, number=3)
    third.delete()
    assert first_broken_link(site.event.slug) == 3


def test_act_and_entry_stand_or_fall_together(site: Site) -> None:
    before = Entry.objects.count()
    with pytest.raises(RuntimeError, match="on purpose"), transaction.atomic():
        register(site.lead, line())
        raise RuntimeError("on purpose")
    assert Entry.objects.count() == before
    register(site.lead, line())
    assert first_broken_link(site.event.slug) is None


def test_events_have_chains_of_their_own(site: Site) -> None:
    make_site("second-event")
    assert first_broken_link("second-event") is None
    assert Entry.objects.filter(event="second-event", number=1).count() == 1


@pytest.mark.django_db(transaction=True)
def test_outside_a_transaction_there_is_no_entry() -> None:
    site = make_site("third-event")
    with pytest.raises(RuntimeError, match="transaction"):
        actions.record(actor=site.coordinator, event="third-event", verb="x", subject="y")
