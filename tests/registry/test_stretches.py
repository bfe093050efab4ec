"""A line that is on the air more than once: every door writes and reads its stretches, and each sees the hours between."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.common.errors import Faulty
from apps.planning import actions as planning
from apps.planning.actions import Selection
from apps.planning.snapshot import freeze
from apps.publishing import rendering
from apps.publishing.actions import publish
from apps.publishing.queries import sheet_line
from apps.registry.importing import read_csv, write_list
from apps.registry.judging import Status
from apps.registry.lines import row_of, values_of_hours
from apps.registry.models import Carrier, Registration
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
VIENNA = ZoneInfo("Europe/Vienna")
# ISO 8601 writes an interval as start/end, here in local time of the event.
EVENINGS = ["2027-06-11T18:00/2027-06-11T23:00", "2027-06-12T18:00/2027-06-13T01:00"]


@pytest.fixture
def site() -> Site:
    return make_site()


def local(day: int, hour: int) -> datetime:
    return datetime(2027, 6, day, hour, tzinfo=VIENNA)


@pytest.mark.parametrize("given_as", [EVENINGS, "; ".join(reversed(EVENINGS)), "\n".join(EVENINGS)])
def test_stretches_are_read_from_a_list_or_a_cell_and_put_in_order(site: Site, given_as) -> None:
    register(site.lead, line(stretches=given_as))
    row = Registration.objects.get()
    assert row.hours == [(local(11, 18), local(11, 23)), (local(12, 18), local(13, 1))]
    assert (row.starts_at, row.ends_at) == (local(11, 18), local(13, 1))


def test_a_list_with_stretches_reads_back_to_itself(site: Site) -> None:
    once = line("once", start="2027-06-11T10:00", end="2027-06-11T11:00")
    register(site.lead, line("evenings", stretches=EVENINGS), line("always"), once)
    content = write_list(
        row_of(row, VIENNA) for row in Registration.objects.select_related("kind", "zone", "department")
    )
    again = register(site.lead, *read_csv(content).rows)
    assert [judged.status for judged in again] == [Status.UNCHANGED] * 3


def test_new_hours_take_the_place_of_stretches(site: Site) -> None:
    register(site.lead, line(stretches=EVENINGS))
    register(site.lead, line(start="2027-06-11T10:00", end="2027-06-11T11:00"))
    assert Registration.objects.get().hours == [(local(11, 10), local(11, 11))]
    register(site.lead, line(stretches=EVENINGS))
    register(site.lead, line(contact="Ada"))
    assert len(Registration.objects.get().hours) == 2
    register(site.lead, line(all_day="yes"))
    assert Registration.objects.get().hours == []


@pytest.mark.parametrize(
    ("fields", "field", "said"),
    [
        ({"stretches": "2027-06-11T18:00"}, "stretches", "Write start/end"),
        ({"stretches": "2027-06-11T18:00/2027-06-11T17:00"}, "stretches", "ends before it starts"),
        ({"stretches": "2027-06-11/2027-06-12"}, "stretches", "time of day is missing"),
        ({"stretches": EVENINGS, "all_day": "yes"}, "all_day", "exclude each other"),
        ({"stretches": EVENINGS, "start": "2027-06-11T17:00"}, "start", "say something else"),
        ({"stretches": ["2027-06-11T18:00/2027-06-11T23:00"] * 201}, "stretches", "at most 200"),
    ],
)
def test_what_cannot_be_read_is_named(site: Site, fields, field, said) -> None:
    with pytest.raises(Faulty) as refused:
        register(site.lead, line(**fields))
    assert {fault.field for fault in refused.value.faults} == {field}
    assert said in refused.value.faults[0].message


def test_between_its_stretches_a_frequency_serves_others(site: Site) -> None:
    """Only lines whose stretches meet (with ten minutes around them) share a slot of the problem."""
    register(
        site.lead, line("evenings", stretches=EVENINGS), line("noon", start="2027-06-12T12:00", end="2027-06-12T13:00"),
        line("late", start="2027-06-12T22:00", end="2027-06-13T03:00"),
        line("friday", start="2027-06-11T22:00", end="2027-06-11T22:30"),
    )  # fmt: skip
    slots = {row["id"]: set(row["slots"]) for row in freeze(site.event).problem["carriers"]}
    evenings, noon, late, friday = slots["AUD-001"], slots["AUD-002"], slots["AUD-003"], slots["AUD-004"]
    assert evenings and noon and not evenings & noon
    assert evenings == late | friday and not late & friday


def test_a_sheet_names_every_stretch_and_the_cells_of_each(site: Site) -> None:
    register(site.lead, line(stretches=EVENINGS))
    carrier = Carrier.objects.get()
    planning.change_frequency(
        actor=site.coordinator, carrier=carrier, frequency_hz=481_000_000, reason="by hand"
    )
    planning.approve(actor=site.coordinator, selection=Selection(carriers=(carrier.code,)))
    edition = publish(actor=site.coordinator, note="first")
    sheet = sheet_line(edition.lines.get())
    assert rendering.hours(sheet, VIENNA) == "Fri 11 Jun 18:00–23:00, Sat 12 Jun 18:00 – Sun 13 Jun 01:00"
    # Six hours on a set less a fifth: 4.8 hours.
    assert rendering.batteries_of(sheet, VIENNA).endswith(
        ": fresh at Fri 18:00, Fri 22:48, Sat 18:00 and Sat 22:48"
    )
    old = edition.lines.get()
    del old.content["stretches"]
    assert rendering.hours(sheet_line(old), VIENNA) == "Fri 11 Jun 18:00 – Sun 13 Jun 01:00"


def test_the_form_shows_stretches_and_saves_the_same_again(site: Site) -> None:
    register(site.lead, line(stretches=EVENINGS))
    row, lead = Registration.objects.get(), site.browser("lead")
    address = f"/e/harbour-days/devices/{row.pk}/"
    form = lead.get(address).context["form"]
    typed = {name: form[name].value() or "" for name in form.fields}
    assert typed["stretches"].splitlines() == EVENINGS and typed["start"] == ""
    typed.pop("all_day")
    assert lead.post(address, typed).status_code == 302
    assert Registration.objects.get().hours == row.hours
    assert Registration.objects.get().version == row.version


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(1, 9)), max_size=6))
def test_joined_stretches_cover_the_same_hours_as_the_ones_given(spans) -> None:
    """Counted hour by hour; the joined ones neither touch nor overlap."""
    start = datetime(2027, 6, 11, tzinfo=UTC)
    hours = [(start + timedelta(hours=a), start + timedelta(hours=a + length)) for a, length in spans]
    row = Registration(**values_of_hours(hours))
    grid = [start + timedelta(hours=h) for h in range(80)]
    covered = [any(a <= at < b for a, b in hours) for at in grid]
    assert [any(a <= at < b for a, b in row.hours) for at in grid] == covered
    assert all(before[1] < after[0] for before, after in zip(row.hours, row.hours[1:], strict=False))
