"""The band plan in a run: binding ranges obeyed, preferred ones kept while there is room, reasons that a lead can read.

The solver is the real one; frequencies are held against the ranges by plain comparison.
"""

import pytest

from apps.common.errors import Faulty
from apps.events.actions import change_event
from apps.events.models import Event
from apps.planning import band_plan, running, snapshot, working
from apps.planning.models import Assignment, LeftOut
from apps.planning.queries import plan_rows
from apps.registry.models import Registration
from apps.solver.problem import read_problem
from apps.spectrum import actions
from apps.spectrum.models import PlannedRange
from tests.site import Site, line, make_site, register

# A heartbeat is a thread of its own: it sees only what is committed.
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.store]
BASE = "/e/harbour-days/set-up/band-plan/"
API = "/api/v1/events/harbour-days/band-plan/"
HALF = 100_000  # half the width of the microphones of these tests


@pytest.fixture
def site() -> Site:
    return make_site()


def planned(site: Site, low_mhz: int, high_mhz: int, purpose: str, **fields: object) -> PlannedRange:
    given = {
        "label": f"{low_mhz} to {high_mhz}",
        "low_hz": low_mhz * 10**6,
        "high_hz": high_mhz * 10**6,
    } | fields
    return actions.plan_range(actor=site.coordinator, purpose=purpose, **given)


def solved(site: Site) -> dict[str, int]:
    run = running.request_run(actor=site.again("coordinator"), seconds=5)
    working.work(run.pk, "this test")
    run.refresh_from_db()
    assert run.state == "done", (run.state, run.attempt, run.claimed_by, run.stage, run.failure)
    return dict(Assignment.objects.values_list("carrier__code", "frequency_hz"))


def within(hertz: int, low_mhz: int, high_mhz: int) -> bool:
    return low_mhz * 10**6 <= hertz - HALF and hertz + HALF <= high_mhz * 10**6


def clear(hertz: int, low_mhz: int, high_mhz: int) -> bool:
    return hertz + HALF <= low_mhz * 10**6 or high_mhz * 10**6 <= hertz - HALF


def test_a_small_event_obeys_its_band_plan(site: Site) -> None:
    planned(site, 470, 478, "for late arrivals")
    planned(site, 478, 486, "offered", departments=["AUD"])
    planned(site, 494, 496, "offered", departments=["AUD"])
    planned(site, 478, 500, "kept from", departments=["VID"], zones=["main"])
    register(site.coordinator, line(quantity=6), line("cue", department="VID", quantity=3))
    register(site.coordinator, line("gate", department="VID", zone="gate", quantity=2, high_hz=490_000_000))
    placed = solved(site)
    assert len(placed) == 11
    for code, hertz in placed.items():
        assert clear(hertz, 470, 478), code
        if code.startswith("AUD"):
            assert within(hertz, 478, 486) or within(hertz, 494, 496), code
    assert all(clear(placed[f"VID-00{n}"], 478, 500) for n in (1, 2, 3))
    # At the gate the range is not kept from video.
    assert all(within(placed[f"VID-00{n}"], 478, 490) for n in (4, 5))


def test_a_preferred_range_is_kept_while_there_is_room_and_given_up_for_one_more_carrier(site: Site) -> None:
    planned(site, 470, 474, "offered", departments=["VID"], hard=False)
    planned(site, 470, 472, "for late arrivals", hard=False)
    register(
        site.coordinator, line(quantity=2, high_hz=474_000_000), line("cue", department="VID", quantity=2)
    )
    placed = solved(site)
    # Audio avoids what is kept for late arrivals; video is offered all of it and avoids the same part.
    assert all(within(hertz, 472, 474) for hertz in placed.values()), placed
    Assignment.objects.all().delete()
    register(site.coordinator, line(quantity=2, high_hz=472_000_000))
    placed = solved(site)
    assert len(placed) == 4
    assert all(within(placed[code], 470, 472) for code in ("AUD-001", "AUD-002"))


def test_carriers_of_one_kind_that_avoid_different_ranges_keep_the_rules_of_their_kind(site: Site) -> None:
    register(site.coordinator, line(), line("cue", department="VID"))
    before = snapshot.freeze(site.event).problem
    planned(site, 480, 490, "kept from", departments=["VID"], hard=False)
    after = snapshot.freeze(site.event).problem
    kinds = {row["id"]: row["kind"] for row in after["carriers"]}
    assert kinds["AUD-001"] == "mic" != kinds["VID-001"]
    read_problem(after)
    assert [row["kinds"] for row in after["products"]] == [["mic", kinds["VID-001"]]] * len(
        before["products"]
    )
    pairs = {frozenset(row["kinds"]) for row in after["separations"]}
    assert pairs == {frozenset(["mic"]), frozenset(kinds.values()), frozenset([kinds["VID-001"]])}
    (cost,) = after["noise"]
    # A carrier 200 kHz wide overlaps 480 to 490 MHz if its centre is nearer than 5.1 MHz to 485 MHz.
    assert (cost["kinds"], cost["low_hz"], cost["step_hz"]) == ([kinds["VID-001"]], 485_000_000, 10_199_999)
    # A recount asks what is broken, not what is dear.
    assert snapshot.freeze(site.event, all_movable=True).problem["carriers"][0]["kind"] == "mic"


def test_who_is_left_out_reads_why(site: Site) -> None:
    planned(site, 470, 472, "for late arrivals", reason="crews of Sunday")
    register(site.lead, line(quantity=12, high_hz=473_000_000))
    solved(site)
    assert LeftOut.objects.exists()
    row = next(row for row in plan_rows(site.lead) if row.blocked_by)
    own, first, *_ = row.blocked_by
    assert own["cause"] == "limits"  # what the lead can change itself comes first
    # 470.1 to 473 MHz in steps of 25 kHz are 117 points; up to 472.1 MHz, exclusive, 80 of them lie in the range.
    assert first["why"] == "470–472 MHz: kept for late arrivals (crews of Sunday)"
    assert first["share"] == pytest.approx(80 / 117, abs=1e-4)
    assert sum(cause["share"] for cause in row.blocked_by) == pytest.approx(1, abs=1e-3)
    assert "kept for late arrivals" in row.why
    assert "kept for late arrivals" in site.browser("lead").get("/e/harbour-days/devices/").content.decode()


def test_shares_of_the_band_plan_and_of_the_solver_make_one_whole() -> None:
    kept = [{"cause": "band plan", "why": "kept", "share": 0.75}]
    assert band_plan.with_causes([{"cause": "tuning", "share": 1.0}], [{**kept[0], "share": 1.0}]) == [
        {"cause": "band plan", "why": "kept", "share": 1.0}
    ]
    assert (
        band_plan.with_causes([{"cause": "blocked", "blocked": "TV", "share": 1.0}], kept)[1]["share"] == 0.25
    )


def test_a_line_that_the_band_plan_leaves_nothing_waits_with_the_reason(site: Site) -> None:
    planned(site, 470, 478, "for late arrivals")
    register(site.lead, line(high_hz=477_000_000), line("fixed", fixed_hz=471_000_000))
    for row in Registration.objects.all():
        assert (row.state, row.not_permitted) == ("submitted", "")
        assert row.reason == (
            "The band plan leaves nothing of what it asks for: 470–478 MHz: kept for late arrivals."
        )
    page = (
        site.browser("lead")
        .get(f"/e/harbour-days/devices/{Registration.objects.first().pk}/")
        .content.decode()
    )  # type: ignore[union-attr]
    typed = {"label": "new", "kind": "mic", "zone": "main", "quantity": "1", "low_hz": "475", "all_day": "on"}
    beside = site.browser("lead").post("/e/harbour-days/devices/help/", typed).content.decode()
    assert "470–478 MHz: kept for late arrivals" in beside and "478.1–607.9 MHz" in beside
    assert "kept for late arrivals" in page
    register(site.lead, line(high_hz=490_000_000))
    assert Registration.objects.get(label="lead vocals").state == "accepted"


def test_late_arrivals_are_let_in(site: Site) -> None:
    planned(site, 470, 478, "for late arrivals")
    register(site.lead, line(high_hz=490_000_000))
    change_event(actor=site.coordinator, event=site.event, registration_closes_at="2026-01-01T00:00Z")
    Registration.objects.update(created_at="2025-12-31T00:00Z")
    register(site.again("coordinator"), line("late crew", quantity=3, high_hz=477_000_000))
    placed = solved(site)
    assert clear(placed["AUD-001"], 470, 478)
    assert all(within(placed[f"AUD-00{n}"], 470, 477) for n in (2, 3, 4))


def test_pages_and_machines_change_the_band_plan(site: Site) -> None:
    boss = site.browser("coordinator")
    assert "No range is planned" in boss.get(BASE).content.decode()
    given = {
        "label": "low end", "low_hz": "470", "high_hz": "478.5", "purpose": "for late arrivals", "hard": "on",
        "zones": ["main"], "kinds": ["mic"],
    }  # fmt: skip
    wrong = boss.post(BASE, given | {"high_hz": "460"}).content.decode()
    assert "must end above its start" in wrong and 'value="low end"' in wrong
    revision = Event.objects.get().revision
    assert boss.post(BASE, given)["Location"] == BASE
    row = PlannedRange.objects.get()
    assert (row.high_hz, row.hard, row.zones, row.departments) == (478_500_000, True, ["main"], [])
    assert Event.objects.get().revision > revision
    assert "There is a range of that name" in boss.post(BASE, given).content.decode()
    at = f"{BASE}{row.pk}/"
    assert boss.post(at, given | {"version": "1", "hard": ""})["Location"] == BASE
    assert "○ preferred" in boss.get(BASE).content.decode()
    assert "Somebody else changed this" in boss.post(at, given | {"version": "1"}).content.decode()
    machine = site.client("coordinator")
    body = {"label": "video", "low_hz": 480_000_000, "high_hz": 490_000_000, "purpose": "offered"}
    refused = machine.post(API, body | {"kinds": ["kite"], "departments": ["VID", "XYZ"]}, format="json")
    assert refused.status_code == 422
    assert sorted(fault["field"] for fault in refused.json()["errors"]) == ["departments", "kinds"]
    made = machine.post(API, body | {"departments": ["VID"]}, format="json")
    assert made.status_code == 201 and made["ETag"] == '"1"'
    one = f"{API}{made.json()['id']}/"
    assert machine.patch(one, {"high_hz": 1}, format="json", HTTP_IF_MATCH="*").status_code == 422
    assert machine.patch(one, {"high_hz": 1}, format="json").status_code == 428
    assert machine.patch(one, {"hard": False}, format="json", HTTP_IF_MATCH='"1"').json()["version"] == 2
    assert machine.delete(one, HTTP_IF_MATCH='"1"').status_code == 412
    assert machine.delete(one, HTTP_IF_MATCH="*").status_code == 204
    assert site.client("lead").get(API).json() == []
    assert site.client("desk").post(API, body, format="json").status_code == 403
    assert site.browser("lead").get(BASE).status_code == 403
    assert boss.post(at, {"remove": "1"})["Location"] == BASE
    assert not PlannedRange.objects.exists()


def test_nobody_can_be_named_who_is_not_there(site: Site) -> None:
    with pytest.raises(Faulty):
        planned(site, 470, 478, "kept from", zones=["moon"])
