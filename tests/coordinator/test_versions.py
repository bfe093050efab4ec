"""ETag and If-Match on everything that can be edited: RFC 9110 section 13.1.1 (412), RFC 6585 section 3 (428)."""

from typing import Any

import pytest

from apps.planning import actions as planning
from apps.registry.models import Carrier, Registration
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/api/v1/events/harbour-days/"


@pytest.fixture
def site() -> Site:
    site = make_site()
    register(site.coordinator, line())
    planning.change_frequency(
        actor=site.coordinator, carrier=Carrier.objects.get(), frequency_hz=481_000_000, reason="seen"
    )
    return site


def editable() -> list[tuple[str, dict[str, Any], bool]]:
    """Address, a change, and whether it can be taken away while it is in use."""
    return [
        ("", {"name": "Harbour Nights"}, False),
        ("zones/gate/", {"name": "East gate"}, True),
        ("departments/VID/", {"name": "Pictures"}, True),
        ("kinds/hopping/", {"name": "Hopping headset"}, True),
        ("registrations/{}/", {"notes": "twice"}, True),
        ("plan/AUD-001/", {"frequency_hz": 482_000_000, "reason": "clearer"}, False),
    ]


@pytest.mark.parametrize(("path", "change", "goes"), editable(), ids=lambda value: str(value)[:20])
def test_an_edit_says_which_version_it_is_for(
    site: Site, path: str, change: dict[str, Any], goes: bool
) -> None:
    client, address = site.client("coordinator"), BASE + path.format(Registration.objects.get().pk)
    tag = client.get(address)["ETag"]
    methods = [client.patch, client.delete] if goes else [client.patch]
    for edit in methods:
        unguarded = edit(address, change, format="json")
        assert (unguarded.status_code, unguarded["Content-Type"]) == (428, "application/problem+json")
        stale = edit(address, change, format="json", HTTP_IF_MATCH='"999"')
        assert (stale.status_code, stale.json()["current_version"]) == (412, int(tag.strip('"')))
    assert client.get(address)["ETag"] == tag
    done = client.patch(address, change, format="json", HTTP_IF_MATCH=tag)
    assert done.status_code == 200, done.json()
    assert done.json() | change == done.json()
    assert done["ETag"] != tag
    assert client.patch(address, change, format="json", HTTP_IF_MATCH=tag).status_code == 412
    assert (
        client.patch(address, change, format="json", HTTP_IF_MATCH=f'"7", {done["ETag"]}').status_code == 200
    )
    assert client.patch(address, change, format="json", HTTP_IF_MATCH="*").status_code == 200
    if goes:
        assert client.delete(address, HTTP_IF_MATCH="*").status_code == 204


@pytest.mark.parametrize("path", ["zones/main/", "departments/AUD/", "kinds/mic/"])
def test_what_is_in_use_stays(site: Site, path: str) -> None:
    answer = site.client("coordinator").delete(BASE + path, HTTP_IF_MATCH="*")
    assert answer.status_code == 409
    assert "in use" in answer.json()["detail"]


@pytest.mark.parametrize("path", ["zones/", "departments/", "kinds/"])
def test_a_lead_sets_nothing_up(site: Site, path: str) -> None:
    client, row = site.client("lead"), {"code": "new", "name": "new"}
    assert client.post(BASE + path, [row], format="json").status_code == 403
    code = client.get(BASE + path).json()[0]["code"]
    assert (
        client.patch(f"{BASE}{path}{code}/", {"name": "x"}, format="json", HTTP_IF_MATCH="*").status_code
        == 403
    )
    assert client.delete(f"{BASE}{path}{code}/", HTTP_IF_MATCH="*").status_code == 403


def test_rows_of_zones_are_answered_one_by_one(site: Site) -> None:
    client = site.client("coordinator")
    rows = [
        {"code": "tower", "name": "Tower", "east_m": -40.5, "indoor": True},
        {"code": "main", "name": "Main stage"},
        {"code": "side", "name": "Side stage, moved", "version": 1},
        {"code": "gate", "name": "Gate", "east_m": "nan"},
        {"code": "roof", "nmae": "Roof"},
        {"code": "gate", "version": 7},
        "tower",
    ]
    answer = client.post(f"{BASE}zones/", rows, format="json")
    said = [(row["row"], row["status"], [error["field"] for error in row["errors"]]) for row in answer.json()]
    assert answer.status_code == 207
    assert said == [
        (1, "new", []), (2, "unchanged", []), (3, "changed", []), (4, "faulty", ["east_m"]), (5, "faulty", ["nmae"]),
        (6, "faulty", ["version"]), (7, "faulty", [""]),
    ]  # fmt: skip
    assert "name" in answer.json()[4]["errors"][0]["message"]
    assert client.get(f"{BASE}zones/tower/").json()["east_m"] == -40.5
    whole = client.post(f"{BASE}zones/?all_or_nothing=true", rows, format="json")
    assert (whole.status_code, len(whole.json()["errors"])) == (422, 5)
    assert [error["row"] for error in whole.json()["errors"]] == [3, 4, 5, 6, 7]


def test_a_department_is_not_confidential_and_open_at_once(site: Site) -> None:
    client = site.client("coordinator")
    answer = client.post(f"{BASE}departments/", [{"code": "GRD", "open_to_others": True}], format="json")
    assert (answer.status_code, answer.json()[0]["errors"][0]["field"]) == (422, "open_to_others")


def test_a_kind_is_copied_from_the_catalogue_under_a_code_of_its_own(site: Site) -> None:
    client = site.client("coordinator")
    offered = client.get(f"{BASE}catalogue/").json()
    template = next(kind for kind in offered if kind["roles"])
    role = template["roles"][0]["code"]
    tuning = [{"low_hz": 500_000_000, "high_hz": 510_000_000, "step_hz": 25_000}]
    row = {
        "code": "ours",
        "template": template["code"],
        "name": "Ours",
        "roles": [{"code": role, "tuning": tuning}],
    }
    answer = client.post(f"{BASE}kinds/", [row, {"code": "no-such-kind"}], format="json")
    assert [item["status"] for item in answer.json()] == ["new", "faulty"]
    copied = client.get(f"{BASE}kinds/ours/").json()
    assert (copied["name"], copied["roles"][0]["tuning"]) == ("Ours", tuning)
    assert copied["roles"][0]["radio"] == template["roles"][0]["radio"]
    assert client.post(f"{BASE}kinds/", [row], format="json").json()[0]["status"] == "unchanged"
    wrong = {"roles": [{"code": role, "tuning": [{**tuning[0], "step_hz": 30_000_001}]}]}
    refused = client.patch(f"{BASE}kinds/ours/", wrong, format="json", HTTP_IF_MATCH="*")
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "roles.1.tuning.1.high_hz")
    other = client.patch(
        f"{BASE}kinds/ours/", {"roles": [{"code": "nobody"}]}, format="json", HTTP_IF_MATCH="*"
    )
    assert (other.status_code, role in other.json()["errors"][0]["message"]) == (422, True)
