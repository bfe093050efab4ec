"""Registering: what the three doors share. Each line of input is judged, then written with its carriers and units."""

import pytest

from apps.common.errors import Conflict, Faulty, Forbidden
from apps.journal.models import Entry
from apps.journal.queries import first_broken_link
from apps.registry import actions
from apps.registry.judging import Status
from apps.registry.models import Carrier, Registration, Unit
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]


@pytest.fixture
def site() -> Site:
    return make_site()


def faults_of(site: Site, *rows: dict) -> dict[tuple[int, str], str]:
    with pytest.raises(Faulty) as refused:
        register(site.lead, *rows)
    assert Registration.objects.count() == 0
    return {(fault.row, fault.field): fault.message for fault in refused.value.faults}


def test_a_line_becomes_carriers_units_and_one_journal_entry(site: Site) -> None:
    before = Entry.objects.count()
    register(site.lead, line(quantity=3, units=2, spares=1))
    carriers = list(Carrier.objects.order_by("code"))
    assert [carrier.code for carrier in carriers] == ["AUD-001", "AUD-002", "AUD-003", "AUD-004"]
    assert [carrier.spare_of and carrier.spare_of.code for carrier in carriers] == [
        None,
        None,
        None,
        "AUD-001",
    ]
    assert Unit.objects.count() == 8
    entry = Entry.objects.last()
    assert Entry.objects.count() == before + 1
    assert entry.changes["lead vocals"]["quantity"] == [None, 3]
    assert first_broken_link(site.event.slug) is None


def test_event_revision_rises_with_every_registration(site: Site) -> None:
    before = site.event.revision
    register(site.lead, line())
    site.event.refresh_from_db()
    assert site.event.revision > before


def test_the_same_list_twice_changes_nothing(site: Site) -> None:
    rows = [line(quantity=2), line("backing vocals", external_id="B-1")]
    register(site.lead, *rows)
    entries = Entry.objects.count()
    again = register(site.lead, *rows)
    assert [judged.status for judged in again] == [Status.UNCHANGED, Status.UNCHANGED]
    assert Carrier.objects.count() == 3
    assert Entry.objects.count() == entries


def test_fewer_carriers_withdraws_the_highest_and_never_reuses_a_number(site: Site) -> None:
    register(site.lead, line(quantity=3))
    register(site.lead, line(quantity=1))
    register(site.lead, line(quantity=2))
    standing = Carrier.objects.filter(withdrawn=False).values_list("code", flat=True)
    assert sorted(standing) == ["AUD-001", "AUD-004"]


def test_a_held_carrier_is_not_withdrawn(site: Site) -> None:
    register(site.lead, line(quantity=2))
    actions.hold(carriers=[Carrier.objects.get(code="AUD-002").pk], held=True)
    register(site.lead, line(quantity=1))
    assert list(Carrier.objects.filter(withdrawn=False).values_list("code", flat=True)) == ["AUD-002"]
    actions.hold(carriers=[Carrier.objects.get(code="AUD-002").pk], held=True)
    register(site.lead, line(quantity=2))
    actions.hold(carriers=Carrier.objects.values_list("pk", flat=True), held=True)
    with pytest.raises(Conflict):
        register(site.lead, line(quantity=1))


def test_a_kind_of_two_roles_makes_two_carriers_a_set(site: Site) -> None:
    register(site.lead, line("site radio", kind="repeater", quantity=2))
    roles = Carrier.objects.order_by("code").values_list("role__code", "position")
    assert list(roles) == [("in", 1), ("out", 1), ("in", 2), ("out", 2)]


def test_a_kind_that_is_not_assigned_is_counted_but_gets_no_carrier(site: Site) -> None:
    register(site.lead, line("crew intercom", kind="hopping", quantity=4))
    assert Registration.objects.get().quantity == 4
    assert Carrier.objects.count() == 0


def test_all_faults_of_all_rows_at_once_and_nothing_saved(site: Site) -> None:
    found = faults_of(
        site,
        line(quantity="many", zone="mian"),
        line("b", start="2027-06-11T20:00", end="2027-06-11T18:00"),
        line("c", fixed_hz=470_110_000),
        line("d", power_mw=500),
        line("e", kind="mik"),
        line("f", priority=12, can_change="perhaps"),
        {"label": "g", "department": "AUD"},
        line("h", department="VID"),
        line("i", colour="red"),
        line("a"),
        line("a"),
    )
    assert "whole number" in found[1, "quantity"]
    assert "did you mean main" in found[1, "zone"]
    assert "not after the start" in found[2, "end"]
    assert "in steps of 25 kHz, nearest" in found[3, "fixed_hz"]
    assert "10, 50 mW" in found[4, "power_mw"]
    assert "did you mean mic" in found[5, "kind"]
    assert {(6, "priority"), (6, "can_change"), (7, "kind"), (7, "zone"), (8, "department")} <= set(found)
    assert "no such field" in found[9, "colour"]
    assert "Row 10" in found[11, "label"]


def test_a_foreign_department_looks_like_one_that_is_not_there(site: Site) -> None:
    real = faults_of(site, line(department="GRD"))[1, "department"]
    invented = faults_of(site, line(department="XYZ"))[1, "department"]
    assert real.replace("GRD", "…") == invented.replace("XYZ", "…")


def test_hours_are_local_times_of_the_event(site: Site) -> None:
    register(site.lead, line(start="2027-06-11T18:00", end="2027-06-11T23:30"))
    registration = Registration.objects.get()
    assert registration.starts_at.isoformat() == "2027-06-11T16:00:00+00:00"
    assert not registration.all_day


def test_an_hour_that_the_clocks_skip_is_refused(site: Site) -> None:
    # Summer time begins in Vienna on 28 March 2027 at 02:00 (IANA time zone database).
    found = faults_of(site, line(start="2027-03-28T02:30", end="2027-03-28T05:00"))
    assert "clocks" in found[1, "start"]


@pytest.mark.parametrize(
    ("given", "hertz"),
    [
        ("470125000", 470_125_000),
        ("470.125 MHz", 470_125_000),
        ("470,125MHz", 470_125_000),
        (470_125_000, 470_125_000),
    ],
)
def test_frequencies_are_read_exactly(site: Site, given: object, hertz: int) -> None:
    register(site.lead, line(fixed_hz=given))
    assert Registration.objects.get().fixed_hz == hertz
    assert Registration.objects.get().can_change == "no"


@pytest.mark.parametrize("given", ["470.125", "470.1250001 MHz", 470.125, True, "about 470", 0, "-1"])
def test_what_is_no_whole_hertz_is_refused(site: Site, given: object) -> None:
    assert (1, "fixed_hz") in faults_of(site, line(fixed_hz=given))


def test_not_permitted_is_recorded_and_marked_not_refused(site: Site) -> None:
    # 50 mW conducted into an antenna of 10 dBi radiates more than the 50 mW e.r.p. that the CEPT rules allow
    # microphones in 470-694 MHz (ERC/REC 70-03 Annex 10, through the national tables).
    role = site.event.kinds.get(code="mic").roles.get()
    role.radio = {"antenna_gain_dbi": 30}
    role.save()
    register(site.lead, line())
    registration = Registration.objects.get()
    assert registration.state == "submitted"
    assert registration.not_permitted
    with pytest.raises(Forbidden):
        actions.accept(actor=site.coordinator, registration=registration)


def test_only_coordinators_send_back_and_the_reason_stands_in_the_row(site: Site) -> None:
    register(site.lead, line())
    registration = Registration.objects.get()
    with pytest.raises(Forbidden):
        actions.send_back(actor=site.lead, registration=registration, reason="no")
    actions.send_back(actor=site.coordinator, registration=registration, reason="Which receiver rack?")
    registration.refresh_from_db()
    assert (registration.state, registration.reason) == ("sent back", "Which receiver rack?")
    register(site.lead, line(notes="rack B"))
    registration.refresh_from_db()
    assert (registration.state, registration.reason) == ("accepted", "")


def test_withdrawing_takes_the_carriers_with_it(site: Site) -> None:
    register(site.lead, line(quantity=2))
    actions.withdraw(actor=site.lead, registration=Registration.objects.get())
    assert Carrier.objects.filter(withdrawn=False).count() == 0


def test_observers_and_others_may_not(site: Site) -> None:
    with pytest.raises(Forbidden):
        register(site.observer, line())
    with pytest.raises(Faulty):
        register(site.other, line())
    with pytest.raises(Forbidden):
        register(site.desk, line())


def test_good_rows_are_saved_where_that_was_asked_for(site: Site) -> None:
    judged = actions.register(
        actor=site.lead, rows=[line("good"), line("bad", quantity=0)], all_or_nothing=False
    )
    assert [row.status for row in judged] == [Status.NEW, Status.FAULTY]
    assert Registration.objects.get().label == "good"


def test_a_stale_row_is_refused_and_the_other_change_stays(site: Site) -> None:
    register(site.lead, line(notes="one"))
    register(site.lead, line(notes="two", version=1))
    with pytest.raises(Faulty) as refused:
        register(site.lead, line(notes="three", version=1))
    assert refused.value.faults[0].field == "version"
    assert Registration.objects.get().notes == "two"


def test_query_count_does_not_grow_with_the_rows(site: Site, django_assert_max_num_queries) -> None:
    with django_assert_max_num_queries(45):
        register(site.lead, *(line(f"line {number}", quantity=2) for number in range(1)))
    with django_assert_max_num_queries(45):
        register(site.lead, *(line(f"more {number}", quantity=2) for number in range(30)))
