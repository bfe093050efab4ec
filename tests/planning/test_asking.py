"""What the pages say of where a carrier could go, and of what would place those left out."""

import html
import re
from typing import Any

import pytest
from django.http import HttpResponse

from apps.journal.models import Entry
from apps.planning import actions, asking, curing, inquiring, verdicts
from apps.planning.models import Inquiry, LeftOut, Run
from apps.registry.models import Carrier, Kind, Registration
from apps.spectrum import actions as spectrum
from tests.planning.test_pages import ended_run
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/"


@pytest.fixture
def site() -> Site:
    return make_site()


def text(answer: HttpResponse) -> str:
    return html.unescape(answer.content.decode())


def place(site: Site, code: str, hertz: int) -> None:
    carrier = Carrier.objects.get(code=code)
    actions.change_frequency(actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="by ear")


def test_what_is_said_to_be_free_breaks_no_rule(site: Site) -> None:
    register(site.lead, line(quantity=3))
    for code, at in (("AUD-001", 500_100_000), ("AUD-002", 501_100_000), ("AUD-003", 503_000_000)):
        place(site, code, at)
    found = asking.free_near(site.event, "AUD-003", 501_200_000)
    assert found is not None and len(found) == asking.NEAREST
    for row in found:
        counted = verdicts.recount(site.event, changed={"AUD-003": row.hertz})
        assert not [breach for breach in counted.breaches if "AUD-003" in breach.carriers], row


def test_a_try_that_breaks_rules_offers_what_is_free_to_pick_from(site: Site) -> None:
    register(site.lead, line(quantity=2))
    place(site, "AUD-001", 500_100_000)
    place(site, "AUD-002", 505_100_000)
    boss, address = site.browser("coordinator"), f"{BASE}review/AUD-002/"
    given = {"frequency_hz": "500.125", "reason": "", "version": "1", "shown": "", "do": "look"}
    page = text(boss.post(address, given))
    assert "It would break" in page and "Free near 500.125 MHz" in page and "costs" in page
    assert "by the model there" in page
    assert "As it is saved now, at 505.100 MHz" in page
    picked = re.search(r'name="pick" value="(\d+)"', page)
    assert picked
    after = text(boss.post(address, {**given, "do": "", "pick": picked[1]}))
    assert "It would break no rule" in after and 'name="do" value="save"' in after


def test_with_an_empty_field_it_looks_about_the_present_frequency_or_the_middle(site: Site) -> None:
    register(site.lead, line(quantity=2, low_hz=500_000_000, high_hz=520_000_000))
    place(site, "AUD-001", 505_100_000)
    given = {"frequency_hz": " ", "reason": "", "version": "1", "shown": "", "do": "free"}
    boss = site.browser("coordinator")
    answer = boss.post(f"{BASE}review/AUD-001/", given)
    assert answer.status_code == 200 and "Free near 505.100 MHz" in text(answer)
    answer = boss.post(f"{BASE}review/AUD-002/", given | {"version": "0"})
    assert answer.status_code == 200 and "Free near 510.000 MHz" in text(answer)
    assert boss.post(f"{BASE}review/AUD-002/", given | {"do": "look"}).status_code == 422


def test_an_impossible_frequency_is_answered_with_the_step_and_the_nearest_possible(site: Site) -> None:
    # The kind tunes from 470.1 MHz in steps of 25 kHz, so 500.110 lies between two of its points.
    register(site.lead, line())
    place(site, "AUD-001", 480_100_000)
    given = {"frequency_hz": "500.110", "reason": "", "version": "1", "shown": "", "do": "look"}
    page = text(site.browser("coordinator").post(f"{BASE}review/AUD-001/", given))
    assert "It tunes in steps of 25 kHz" in page
    assert "500.100 MHz" in page and "500.125 MHz" in page
    reach = asking.reach_of(site.event, "AUD-001", 500_125_000)
    assert reach is not None and reach.possible and reach.step_hz == 25_000


def narrow(site: Site) -> None:
    """A microphone that tunes 1 MHz only, two of which are wanted while the other half of it is occupied."""
    role = Kind.objects.get(event=site.event, code="mic").roles.get()
    role.tuning = [{"low_hz": 500_000_000, "high_hz": 501_000_000, "step_hz": 25_000}]
    role.save()
    register(site.lead, line(quantity=2))
    spectrum.mark_occupied(
        actor=site.coordinator,
        label="channel 24",
        low_hz=500_300_000,
        high_hz=501_200_000,
    )
    place(site, "AUD-001", 500_100_000)
    leave_out(site, "AUD-002", {"cause": "blocked", "blocked": "channel 24", "share": 1.0})


def leave_out(site: Site, code: str, cause: dict[str, Any]) -> None:
    run = Run.objects.create(
        event=site.event, number=1, state="done", seconds=1, revision=1, requested_by="c"
    )
    LeftOut.objects.create(
        event=site.event, carrier=Carrier.objects.get(code=code), run=run, blocked_by=[cause]
    )


@pytest.fixture(autouse=True)
def no_beat(settings) -> None:
    settings.RUN_HEARTBEAT_S = 600  # its thread would not see what this test has not committed


def ask(site: Site) -> Inquiry:
    """A coordinator presses the button of the page, and a worker answers."""
    assert site.browser("coordinator").post(f"{BASE}remedies/", {"do": "ask"}).status_code == 302
    inquiry = Inquiry.objects.first()
    assert inquiry
    curing.work(inquiry.pk, "test")
    inquiry.refresh_from_db()
    return inquiry


def test_who_is_left_out_is_led_to_what_would_place_them(site: Site) -> None:
    narrow(site)
    boss = site.browser("coordinator")
    task = next(task for task in boss.get(BASE).context["tasks"] if "found no room" in task.text)
    assert "Find out" in text(boss.get(task.address))
    inquiry = ask(site)
    assert (inquiry.state, inquiry.whole, inquiry.left_out, inquiry.has_room) == (
        "done",
        True,
        ["AUD-002"],
        [],
    )
    page = text(boss.get(task.address))
    assert "Open the occupied range 500.3–501.2 MHz (channel 24)" in page and "AUD-002" in page
    assert "1 of 1" in page and "every change was tried" in page
    assert site.browser("lead").get(task.address).status_code == 403
    assert site.browser("lead").post(task.address).status_code == 403
    # Nothing has been asked of a plan that changed since; the old answer says so.
    place(site, "AUD-001", 500_125_000)
    page = text(boss.get(task.address))
    assert "The event changed since this was asked" in page and "Ask again" in page


def test_who_has_room_by_now_needs_no_remedy_and_is_not_counted_among_those_without(site: Site) -> None:
    narrow(site)
    register(site.lead, line("choir"))
    cause = {"cause": "separation", "carrier": "AUD-001", "share": 1.0}
    run = Run.objects.get()
    carrier = Carrier.objects.get(code="AUD-003")
    role = Kind.objects.get(event=site.event, code="mic").roles.get()
    role.tuning = [*role.tuning, {"low_hz": 520_000_000, "high_hz": 521_000_000, "step_hz": 25_000}]
    role.save()
    # The choir may use the second range, whoever was left out before may not.
    Registration.objects.exclude(pk=carrier.registration_id).update(high_hz=501_000_000)
    LeftOut.objects.create(event=site.event, carrier=carrier, run=run, blocked_by=[cause])
    inquiry = ask(site)
    assert (inquiry.left_out, inquiry.has_room) == (["AUD-002", "AUD-003"], ["AUD-003"])
    assert inquiry.cures and all(cure["places"] == ["AUD-002"] for cure in inquiry.cures)
    answer = site.browser("coordinator").get(f"{BASE}remedies/")
    assert "AUD-003 has room by now" in text(answer) and "1 of 1" in text(answer)
    said = answer.context["answer"]
    groups = (said.has_room, said.helped, said.stuck, said.not_asked)
    told = [[code for group in found for code in group.codes] for found in groups]
    assert told == [["AUD-003"], ["AUD-002"], [], []]


def test_a_line_that_limits_itself_is_told_to_widen_and_a_neighbour_to_move_unless_locked(site: Site) -> None:
    """The kind asks for 350 kHz between neighbours: amid 500.0 to 500.6 MHz one leaves no room for another, at an end it does."""
    register(site.lead, line(quantity=2, low_hz=500_000_000, high_hz=500_600_000))
    place(site, "AUD-001", 500_300_000)
    leave_out(site, "AUD-002", {"cause": "separation", "carrier": "AUD-001", "share": 1.0})
    first, second, *_ = (cure["words"] for cure in ask(site).cures)
    assert first == (
        "Let «AUD: lead vocals» use more than 500–500.6 MHz: all that its kind tunes and that is permitted here"
    )
    assert second.startswith("Let AUD-001 move from 500.3 to ")
    Registration.objects.update(notes="rented,\ntunes no more")
    assert ask(site).cures[0]["words"] == f"{first} (its note says: «rented, tunes no more»)"
    page = text(site.browser("coordinator").get(f"{BASE}remedies/"))
    line_page = f"{BASE}devices/{Registration.objects.get().pk}/#id_low_hz"
    assert f'href="{line_page}"' in page and "Run 1</a> left 1 carrier out" in page
    chosen = actions.Selection(carriers=("AUD-001",))
    actions.approve(actor=site.coordinator, selection=chosen)
    actions.lock(actor=site.coordinator, selection=chosen)
    assert not any("move from" in cure["words"] for cure in ask(site).cures)
    page = text(site.browser("coordinator").get(f"{BASE}remedies/"))
    assert page.index("Everybody who has a frequency is locked") < page.index("left 1 carrier out"), (
        "it decides the answer"
    )
    assert ">Ask again</button>" in page
    out = text(site.browser("coordinator").get(f"{BASE}review/AUD-002/"))
    assert f'href="{BASE}remedies/">What would place it' in out and ">A frequency by hand<" in out
    assert "remedies/" not in text(site.browser("lead").get(f"{BASE}review/AUD-002/"))


def test_one_of_lower_priority_may_be_taken_away_unless_locked(site: Site) -> None:
    """Three points of the raster 300 kHz wide, and the kind asks for 350 kHz: one place for two."""
    narrow_range = {"low_hz": 500_000_000, "high_hz": 500_300_000}
    register(
        site.lead, line("choir", priority=5, **narrow_range), line("soloist", priority=1, **narrow_range)
    )
    place(site, "AUD-001", 500_100_000)
    leave_out(site, "AUD-002", {"cause": "separation", "carrier": "AUD-001", "share": 1.0})
    taken = "Take the frequency of AUD-001 away: its priority is lower"
    assert taken in [cure["words"] for cure in ask(site).cures]
    chosen = actions.Selection(carriers=("AUD-001",))
    actions.approve(actor=site.coordinator, selection=chosen)
    assert taken in [cure["words"] for cure in ask(site).cures], "an agreement is no promise yet"
    actions.lock(actor=site.coordinator, selection=chosen)
    inquiry = ask(site)
    assert inquiry.whole
    assert taken not in [cure["words"] for cure in inquiry.cures]


def test_where_everybody_has_room_nothing_is_tried_and_nobody_is_without_a_cure(site: Site) -> None:
    register(site.lead, line(quantity=2))
    place(site, "AUD-001", 500_100_000)
    leave_out(site, "AUD-002", {"cause": "separation", "carrier": "AUD-001", "share": 1.0})
    inquiry = ask(site)
    assert inquiry.has_room == ["AUD-002"] and inquiry.whole and not inquiry.cures
    page = text(site.browser("coordinator").get(f"{BASE}remedies/"))
    assert "AUD-002 has room by now" in page and "No single change" not in page
    assert "No room as the plan stands" not in page


def test_what_was_stopped_is_gone_on_with_and_says_the_same_as_one_that_was_not(site: Site, settings) -> None:
    narrow(site)
    whole = ask(site)
    assert whole.total and whole.total > 2
    settings.INQUIRY_SECONDS = 0
    Inquiry.objects.all().delete()
    assert ask(site).tried == 0
    settings.INQUIRY_SECONDS = 60
    boss = site.browser("coordinator")
    # As a worker leaves it that died after the second change; its lease has run out.
    boss.post(f"{BASE}remedies/", {"do": "ask"})
    half = inquiring.claim(Inquiry.objects.filter(state="queued").get().pk, "dies")
    assert (
        half
        and inquiring.keep_alive(
            half, tried=2, total=whole.total, left_out=["AUD-002"], has_room=[], cures=whole.cures
        )
        is False
    )
    page = text(boss.get(f"{BASE}remedies/progress/"))
    assert f"2</span> of {whole.total} changes tried" in page
    Inquiry.objects.filter(pk=half.pk).update(lease_until=half.created_at)
    inquiring.sweep()
    curing.work(half.pk, "lives")
    assert inquiring.keep_alive(half) is None and not inquiring.finish(half)
    again = Inquiry.objects.get(pk=half.pk)
    assert (again.state, again.attempt, again.claimed_by) == ("done", 2, "lives")
    assert (again.tried, again.cures) == (whole.tried, whole.cures)


def test_it_is_stopped_and_only_one_is_asked_at_a_time(site: Site) -> None:
    narrow(site)
    boss, api = site.browser("coordinator"), site.client("coordinator")
    asked = api.post("/api/v1/events/harbour-days/remedies/")
    assert asked.status_code == 202 and asked["Location"].endswith("/remedies/1/")
    assert api.post("/api/v1/events/harbour-days/remedies/").status_code == 409
    assert "waiting for a worker" in text(boss.get(f"{BASE}remedies/"))
    boss.post(f"{BASE}remedies/", {"do": "stop"})
    assert api.get(asked["Location"]).json()["state"] == "cancelled"
    assert boss.get(f"{BASE}remedies/progress/")["HX-Refresh"] == "true"
    assert site.client("lead").get(asked["Location"]).status_code == 404


def test_a_lead_reads_whom_to_ask(site: Site) -> None:
    narrow(site)
    page = text(site.browser("lead").get(f"{BASE}devices/"))
    assert "Ask the coordinators: Coordinator, " in page
    assert 'href="mailto:coordinator@harbour-days.example"' in page


def test_after_adopting_a_run_the_rows_that_changed_show(site: Site) -> None:
    register(site.lead, line(quantity=2))
    place(site, "AUD-001", 500_100_000)
    run = ended_run(site)
    assert run.adopted_at is None
    boss = site.browser("coordinator")
    seen = re.search(r'name="seen" value="([^"]*)"', text(boss.get(f"{BASE}runs/{run.number}/")))
    assert seen
    answer = boss.post(f"{BASE}runs/{run.number}/", {"do": "adopt", "seen": seen[1]})
    assert answer["Location"] == f"{BASE}review/?run={run.number}"
    changed = set(Entry.objects.get(verb="adopted the run").changes)
    rows = boss.get(answer["Location"]).context["page"]
    assert {row.row.carrier.code for row in rows} == changed
