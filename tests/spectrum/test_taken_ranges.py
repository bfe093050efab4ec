"""A range that others use in some zones or at some hours keeps out those alone, in plan, help and interface."""

from datetime import UTC, datetime

import pytest

from apps.common.errors import Faulty, Stale
from apps.planning.snapshot import freeze
from apps.registry.guidance import guidance
from apps.solver import read_problem, solve, verify
from apps.spectrum import actions
from apps.spectrum.models import Occupied
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db

DAY = datetime(2027, 6, 12, tzinfo=UTC)
TEN, NOON, TWO = DAY.replace(hour=10), DAY.replace(hour=12), DAY.replace(hour=14)


@pytest.fixture
def site() -> Site:
    return make_site()


def taken(site: Site, **fields: object) -> Occupied:
    return actions.mark_occupied(
        actor=site.coordinator, label="parade", low_hz=499_000_000, high_hz=501_000_000, **fields
    )  # fmt: skip


def narrow(label: str, **fields: object) -> dict:
    """A microphone that tunes nine points, all of them in the taken range."""
    return line(label, low_hz=500_000_000, high_hz=500_200_000, spares=0, **fields)


def left_out(site: Site) -> dict[str, str]:
    """{label of a line that got nothing: the range that took it}, solved and recounted."""
    problem = read_problem(freeze(site.event).problem)
    result = solve(problem)
    assert not verify(problem, result.assignments).breaches
    labels = {
        carrier.code: carrier.registration.label
        for carrier in site.event.carriers.select_related("registration")
    }
    return {labels[row["id"]]: row["blocked_by"][0]["blocked"] for row in result.document()["unplaced"]}


def test_only_those_of_the_zone_are_kept_out(site: Site) -> None:
    register(site.lead, narrow("here"), narrow("far off", zone="gate"))
    assert left_out(site) == {}
    row = taken(site, zones=["main"])
    assert left_out(site) == {"here": "parade"}
    actions.change_occupied(actor=site.coordinator, occupied=row, zones=["gate", "side"])
    assert left_out(site) == {"far off": "parade"}
    actions.change_occupied(actor=site.coordinator, occupied=row, zones=[])
    assert left_out(site) == {"here": "parade", "far off": "parade"}


def test_a_range_in_a_zone_where_nothing_is_binds_nobody(site: Site) -> None:
    site.event.zones.filter(code="side").delete()
    register(site.lead, narrow("here"))
    taken(site, zones=["gate"])
    assert left_out(site) == {}


def test_only_those_on_the_air_at_its_hours_are_kept_out(site: Site) -> None:
    """AUD shares time, VID does not: VID's devices are taken to be on always, whatever hours they gave."""
    at_ten = {"start": TEN.isoformat(), "end": NOON.isoformat()}
    at_noon = {"start": NOON.replace(hour=13).isoformat(), "end": TWO.isoformat()}
    register(site.coordinator, narrow("before", **at_ten), narrow("during", **at_noon, zone="gate"))
    register(site.coordinator, narrow("always on", department="VID", zone="side", **at_ten))
    taken(site, starts_at=NOON.replace(hour=13), ends_at=TWO)
    assert left_out(site) == {"during": "parade", "always on": "parade"}


def test_the_help_beside_the_form_names_what_reaches_the_line(site: Site) -> None:
    taken(site, zones=["main"], starts_at=NOON, ends_at=TWO)

    def told(**fields: object) -> list[str]:
        typed = {"kind": "mic", "department": "AUD", "label": "new", "quantity": "1", **fields}
        return [row.label for row in guidance(site.lead, typed).taken]

    assert told(zone="main") == ["parade"] and told(zone="gate") == [] and told() == ["parade"]
    assert told(zone="main", start=TEN.isoformat(), end=NOON.isoformat()) == []
    assert told(zone="main", start=TEN.isoformat(), end=TWO.isoformat()) == ["parade"]


def test_the_form_takes_zones_and_hours(site: Site) -> None:
    boss, address = site.browser("coordinator"), "/e/harbour-days/set-up/surroundings/"
    given = {
        "occupied-label": "parade", "occupied-low_hz": "499", "occupied-high_hz": "501", "occupied-zones": ["main", "side"],
        "occupied-starts_at": "2027-06-12T14:00", "occupied-ends_at": "2027-06-12T16:00", "occupied": "1",
    }  # fmt: skip
    assert boss.post(address, given).status_code == 302
    row = Occupied.objects.get()
    assert row.zones == ["main", "side"] and row.starts_at == NOON  # Vienna is two hours ahead in June
    assert "main, side, 12 Jun 14:00 to 12 Jun 16:00" in boss.get(address).content.decode()
    page = boss.post(address, given | {"occupied-label": "other", "occupied-ends_at": ""}).content.decode()
    assert "Give both, from and until" in page


def test_faults_name_their_field_and_the_remedy(site: Site) -> None:
    with pytest.raises(Faulty) as refused:
        taken(site, zones=["moon"], starts_at=TWO, ends_at=NOON)
    said = {fault.field: fault.message for fault in refused.value.faults}
    assert "there are gate, main, side" in said["zones"] and "not after the start" in said["ends_at"]


def test_machines_read_and_write_them_under_their_version(site: Site) -> None:
    client, address = site.client("coordinator"), "/api/v1/events/harbour-days/taken-ranges/"
    given = {"label": "parade", "low_hz": 499_000_000, "high_hz": 501_000_000, "zones": ["main"]}
    made = client.post(address, given, format="json")
    assert made.status_code == 201 and made.json()["zones"] == ["main"] and made.json()["starts_at"] is None
    one = f"{address}{made.json()['id']}/"
    wrong = client.patch(one, {"zones": ["moon"]}, format="json", headers={"If-Match": '"1"'})
    assert wrong.status_code == 422
    assert client.patch(one, {"zones": []}, format="json", headers={"If-Match": '"1"'}).json()["version"] == 2
    assert client.delete(one, headers={"If-Match": '"1"'}).status_code == 412
    assert site.client("lead").get(address).json() == []
    assert site.client("lead").post(address, given, format="json").status_code == 403
    assert client.delete(one, headers={"If-Match": '"2"'}).status_code == 204


def test_two_coordinators_do_not_overwrite_each_other(site: Site) -> None:
    row = taken(site)
    actions.change_occupied(actor=site.coordinator, occupied=row, version=1, zones=["main"])
    with pytest.raises(Stale):
        actions.free_occupied(actor=site.coordinator, occupied=row, version=1)
