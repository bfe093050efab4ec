"""A new event from an old one: the same on other days, nothing decided, and the old plan as a wish."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from apps.common.choice import Choice
from apps.common.errors import Faulty, Forbidden
from apps.events.models import Event
from apps.events.queries import actor_in
from apps.journal.queries import first_broken_link
from apps.planning import actions as planning
from apps.planning import documents, running
from apps.planning.actions import Selection
from apps.planning.models import Assignment, RunDocument
from apps.planning.renewing import Renewed, renew
from apps.planning.snapshot import freeze
from apps.registry import actions as registry
from apps.registry.models import Carrier, Registration
from apps.solver import read_problem, solve
from apps.spectrum.actions import add_outsider, mark_channels, mark_occupied, set_known_loss
from tests.registry.test_pages import text
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
VIENNA = ZoneInfo("Europe/Vienna")
KEY = {"pairing key": "7"}
EVENINGS = ["2027-06-11T18:00/2027-06-11T23:00", "2027-06-12T18:00/2027-06-13T01:00"]


@pytest.fixture
def site() -> Site:
    """Three lines with places in the plan: one approved, one only proposed, one spare; and one that is withdrawn."""
    site = make_site(
        latitude_deg=48.2, longitude_deg=16.37, registration_closes_at=datetime(2027, 3, 1, 12, tzinfo=VIENNA)
    )
    register(
        site.coordinator, line("vocals", quantity=2, spares=1, stretches=EVENINGS, external_id="V-1", settings=KEY),
        line("crane", department="VID", start="2027-06-12T10:00", end="2027-06-12T18:00"), line("agents", department="GRD"),
        line("gone"),
    )  # fmt: skip
    registry.withdraw(actor=site.lead, registration=Registration.objects.get(label="gone"))
    for code, hertz in (
        ("AUD-001", 481_000_000),
        ("AUD-002", 483_000_000),
        ("AUD-003", 520_000_000),
        ("VID-001", 507_425_000),
    ):
        carrier = Carrier.objects.get(code=code)
        planning.change_frequency(
            actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="by hand"
        )
    planning.approve(actor=site.coordinator, selection=Selection(carriers=("AUD-001", "AUD-002", "AUD-003")))
    mark_channels(
        actor=site.coordinator, choice=Choice({"europe-uhf/33": 0}), state="occupied", source="register",
        known_on=date(2027, 5, 1),
    )  # fmt: skip
    mark_channels(
        actor=site.coordinator, choice=Choice({"europe-uhf/34": 0}), state="free", source="listened",
        known_on=date(2027, 5, 2),
    )  # fmt: skip
    mark_occupied(
        actor=site.coordinator, label="channel 31", low_hz=550_000_000, high_hz=558_000_000, source="seen"
    )
    add_outsider(
        actor=site.coordinator,
        label="theatre",
        zone=site.zone("gate"),
        frequency_hz=601_000_000,
        bandwidth_hz=200_000,
    )
    set_known_loss(
        actor=site.coordinator,
        zones=(site.zone("main"), site.zone("gate")),
        loss_db=97,
        note="measured in May",
    )
    site.event.zones.filter(code="gate").update(rack_m=7, outline=[[[0, 0], [9, 0], [9, 9]]])
    return site


def again(site: Site, **more) -> Renewed:
    given = {"slug": "harbour-days-28", "name": "Harbour Days 28", "starts_on": date(2028, 6, 9), **more}
    return renew(actor=site.coordinator, person=site.people["coordinator"], **given)


def test_everything_but_what_was_decided_comes_along_on_other_days(site: Site) -> None:
    made = again(site)
    new = made.actor.event
    assert (made.lines, made.wishes, made.left_behind) == (3, 4, [])
    assert (new.starts_on, new.ends_on, new.timezone) == (
        date(2028, 6, 9),
        date(2028, 6, 11),
        "Europe/Vienna",
    )
    # 364 days after noon of 1 March 2027 it is noon of 28 February 2028.
    assert new.registration_closes_at == datetime(2028, 2, 28, 12, tzinfo=VIENNA)
    assert (new.latitude_deg, new.longitude_deg) == (48.2, 16.37)
    rows = {row.label: row for row in Registration.objects.filter(event=new)}
    assert set(rows) == {"vocals", "crane", "agents"}
    assert rows["vocals"].hours == [
        (datetime(2028, 6, 9, 18, tzinfo=VIENNA), datetime(2028, 6, 9, 23, tzinfo=VIENNA)),
        (datetime(2028, 6, 10, 18, tzinfo=VIENNA), datetime(2028, 6, 11, 1, tzinfo=VIENNA)),
    ]
    assert rows["crane"].starts_at == datetime(2028, 6, 10, 10, tzinfo=VIENNA)
    assert (rows["vocals"].external_id, rows["vocals"].settings, rows["agents"].all_day) == (
        "V-1",
        {"pairing key": "7"},
        True,
    )
    assert new.departments.get(code="GRD").confidential and new.departments.get(code="AUD").shares_time
    old_mic, new_mic = site.event.kinds.get(code="mic"), new.kinds.get(code="mic")
    assert (new_mic.settings, new_mic.settings_at_one_end) == (["pairing key"], ["low cut"])
    assert new_mic.pk != old_mic.pk and new_mic.roles.get().tuning == old_mic.roles.get().tuning
    assert new.outsiders.get().sure is False and "look again" in new.outsiders.get().source
    assert new.occupied.get(channel=None).source == "seen; as of Harbour Days, look again"
    channels = [(row.name, row.occupied, row.source, row.known_on) for row in new.television_channels.all()]
    assert channels == [
        ("33", True, "register; as of Harbour Days, look again", date(2027, 5, 1)),
        ("34", False, "listened; as of Harbour Days, look again", date(2027, 5, 2)),
    ]
    assert new.occupied.get(label="television channel 33").low_hz == 566_000_000
    known = new.known_losses.get()
    assert ({known.one.event, known.other.event}, known.loss_db, known.note) == ({new}, 97, "measured in May")
    gate = new.zones.get(code="gate")
    assert (gate.east_m, gate.rack_m, len(gate.outline[0])) == (2000, 7, 3)
    # Nothing was decided there, and nothing changed here.
    assert (
        not Assignment.objects.filter(event=new).exists()
        and not new.editions.exists()
        and not new.runs.exists()
    )
    assert Registration.objects.filter(event=site.event).count() == 4
    assert first_broken_link("harbour-days-28") is None


def test_hours_keep_their_local_time_when_the_clocks_are_others(site: Site) -> None:
    made = again(site, starts_on=date(2028, 1, 14))
    row = Registration.objects.get(event=made.actor.event, label="crane")
    assert row.starts_at and row.starts_at.astimezone(VIENNA).hour == 10


def test_a_run_of_the_new_event_stays_where_the_old_plan_was(site: Site) -> None:
    new = again(site).actor
    wishes = {
        row["id"]: row.get("previous_hz")
        for row in freeze(new.event).problem["carriers"]
        if row["kind"] != "outsider"
    }
    assert wishes == {
        "AUD-001": 481_000_000, "AUD-002": 483_000_000, "AUD-003": 520_000_000, "VID-001": 507_425_000, "GRD-001": None,
    }  # fmt: skip
    run = running.claim(running.request_run(actor=new, seconds=5).pk, "test")
    assert run
    result = solve(read_problem(documents.read(run, RunDocument.Role.PROBLEM)), seconds=5, seed=0).document()
    placed = result["assignments"]
    assert {code: placed[code] for code in wishes if wishes[code]} == {
        code: hz for code, hz in wishes.items() if hz
    }


def test_a_frequency_that_a_line_brings_along_counts_more_than_where_it_was(site: Site) -> None:
    new = again(site).actor
    row = Registration.objects.get(event=new.event, label="crane")
    registry.change(actor=new, registration=row, values={"fixed_hz": 560_100_000, "can_change": "no"})
    (carrier,) = (row for row in freeze(new.event).problem["carriers"] if row["id"] == "VID-001")
    assert carrier["fixed_hz"] == 560_100_000 and "previous_hz" not in carrier


def test_people_come_along_in_their_roles_or_not(site: Site) -> None:
    assert again(site).actor.event.memberships.count() == site.event.memberships.count()
    lead = actor_in(site.people["lead"], "harbour-days-28")
    assert [row.code for row in lead.event.departments.filter(pk__in=lead.departments or ())] == ["AUD"]
    alone = again(site, slug="alone", people=False, surroundings=False, lines=False).actor.event
    assert [member.role for member in alone.memberships.all()] == ["coordinator"]
    assert not alone.registrations.exists() and not alone.occupied.exists()


def test_a_line_that_is_faulty_by_now_stays_behind_with_its_reason(site: Site) -> None:
    Registration.objects.filter(label="crane").update(low_hz=900_000_000, high_hz=910_000_000)
    made = again(site)
    assert made.lines == 2
    ((label, fault),) = made.left_behind
    assert label == "VID: crane" and "tunes nothing in this range" in fault.message


def test_only_who_coordinates_the_old_event_makes_the_new_one(site: Site) -> None:
    with pytest.raises(Forbidden):
        renew(
            actor=site.lead, person=site.people["lead"], slug="mine", name="Mine", starts_on=date(2028, 6, 9)
        )
    with pytest.raises(Faulty):
        again(site, slug="harbour-days")
    assert Event.objects.count() == 1


def test_the_page_proposes_the_same_weekdays_and_says_what_came_along(site: Site) -> None:
    boss, address = site.browser("coordinator"), "/e/harbour-days/set-up/next/"
    page = text(boss.get(address))
    assert 'value="2028-06-09"' in page
    given = {
        "name": "Harbour Days 28",
        "slug": "hd28",
        "starts_on": "2028-06-09",
        "lines": "on",
        "plan": "on",
    }
    refused = boss.post(address, given | {"slug": "harbour-days"})
    assert refused.status_code == 422 and "This address is taken" in text(refused)
    answer = boss.post(address, given, follow=True)
    assert answer.redirect_chain[-1][0] == "/e/hd28/" and "3 lines came along, 4 carriers" in text(answer)
    assert site.browser("lead").get(address).status_code == 403
    assert site.browser("stranger").post(address, given).status_code == 404
    row = Registration.objects.get(event__slug="hd28", label="crane")
    assert "earlier: 507.425" in text(boss.get(f"/e/hd28/devices/{row.pk}/"))
