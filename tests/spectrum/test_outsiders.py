"""Transmissions of others: place, level, hours, source, sure or suspected; fixed carriers of a run."""

from datetime import UTC, datetime

import pytest

from apps.planning import snapshot
from apps.solver.problem import read_problem
from apps.spectrum.actions import add_outsider
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
API = "/api/v1/events/harbour-days/outsiders/"
ROW = {
    "label": "theatre next door", "zone": "main", "frequency_hz": 474_000_000, "bandwidth_hz": 200_000,
    "source": "heard on Friday", "sure": False,
}  # fmt: skip


@pytest.fixture
def site() -> Site:
    return make_site()


def test_hours_of_an_outsider_free_its_frequency_for_who_shares_time(site: Site) -> None:
    evening = {"start": "2027-06-11T18:00", "end": "2027-06-11T20:00"}
    night = {"start": "2027-06-11T22:00", "end": "2027-06-11T23:00"}
    register(
        site.coordinator,
        line("early", **evening),
        line("late", **night),
        line("cue", department="VID", **night),
    )
    add_outsider(
        actor=site.coordinator, label="theatre", zone=site.zone("main"), frequency_hz=474_000_000, bandwidth_hz=200_000,
        starts_at=datetime(2027, 6, 11, 17, 30, tzinfo=UTC), ends_at=datetime(2027, 6, 11, 19, tzinfo=UTC),
    )  # fmt: skip
    site.event.refresh_from_db()
    problem = snapshot.freeze(site.event).problem
    read_problem(problem)
    on = {row["id"]: set(row.get("slots", problem["slots"])) for row in problem["carriers"]}
    # Audio shares time: on the air together with the theatre in the evening, not at night. Video does not share.
    assert on["OUT-001"] & on["AUD-001"] and not on["OUT-001"] & on["AUD-002"]
    assert on["OUT-001"] < on["VID-001"] == set(problem["slots"])


def test_one_without_hours_is_always_on(site: Site) -> None:
    register(site.lead, line(start="2027-06-11T18:00", end="2027-06-11T20:00"))
    add_outsider(
        actor=site.coordinator, label="studio", zone=site.zone("main"), frequency_hz=474_000_000, bandwidth_hz=200_000
    )  # fmt: skip
    problem = snapshot.freeze(site.event).problem
    assert "slots" not in problem["carriers"][-1] and problem["carriers"][-1]["id"] == "OUT-001"


def test_machines_enter_change_and_remove_them(site: Site) -> None:
    client = site.client("coordinator")
    made = client.post(API, ROW, format="json")
    assert (made.status_code, made.json()["code"], made["ETag"]) == (201, "OUT-001", '"1"')
    wrong = ROW | {"starts_at": "2027-06-11T20:00Z", "ends_at": "2027-06-11T18:00Z"}
    refused = client.post(API, wrong, format="json")
    assert [(e["field"], "not after" in e["message"]) for e in refused.json()["errors"]] == [
        ("ends_at", True)
    ]
    assert client.post(API, ROW | {"zone": "moon"}, format="json").json()["errors"][0]["field"] == "zone"
    assert client.post(API, ROW | {"level_db": 3}, format="json").json()["errors"][0]["field"] == "level_db"
    one = f"{API}OUT-001/"
    assert client.patch(one, {"sure": True}, format="json").status_code == 428
    half = client.patch(one, {"starts_at": "2027-06-11T18:00Z"}, format="json", HTTP_IF_MATCH='"1"')
    assert half.json()["errors"][0]["field"] == "ends_at"
    hours = {"starts_at": "2027-06-11T18:00Z", "ends_at": "2027-06-11T20:00Z", "zone": "side"}
    changed = client.patch(one, hours, format="json", HTTP_IF_MATCH='"1"')
    assert (changed.json()["zone"], changed["ETag"]) == ("side", '"2"')
    assert client.delete(one, HTTP_IF_MATCH='"1"').status_code == 412
    assert [row["sure"] for row in site.client("desk").get(API).json()] == [False]
    assert site.client("lead").get(API).json() == []
    assert site.client("lead").post(API, ROW, format="json").status_code == 403
    assert client.delete(one, HTTP_IF_MATCH="*").status_code == 204


def test_hours_are_typed_and_shown_in_the_events_own_time(site: Site) -> None:
    boss, address = site.browser("coordinator"), "/e/harbour-days/set-up/surroundings/"
    given = {
        "outsider-label": "theatre", "outsider-zone": site.zone("main").pk, "outsider-frequency_hz": "474",
        "outsider-bandwidth_hz": "0.2", "outsider-level_db": "0", "outsider-starts_at": "2027-06-11T19:30", "outsider": "1",
    }  # fmt: skip
    assert "Give both, from and until" in boss.post(address, given).content.decode()
    assert boss.post(address, given | {"outsider-ends_at": "2027-06-11T21:00"})["Location"] == address
    row = site.event.outsiders.get()
    # Central European Summer Time is two hours ahead of UTC.
    assert f"{row.starts_at:%H:%M %Z}" == "17:30 UTC"
    assert "11 Jun 19:30 to 11 Jun 21:00" in boss.get(address).content.decode()
