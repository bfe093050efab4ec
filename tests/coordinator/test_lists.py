"""Lists of the REST interface: an order that nothing changes, filters, hours, and states of many at once."""

from typing import Any

import pytest

from apps.registry.models import Registration
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/api/v1/events/harbour-days/"


@pytest.fixture
def site() -> Site:
    return make_site()


def walk(client: Any, path: str, between: Any = lambda: None) -> list[Any]:
    rows, address = [], f"{BASE}{path}"
    while address:
        answer = client.get(address).json()
        rows += answer["results"]
        address = answer["next"]
        between()
    return rows


def test_who_follows_next_meets_every_row_once_whatever_others_do_meanwhile(site: Site) -> None:
    register(site.lead, *(line(f"row {number:02d}") for number in range(9)))
    kept = list(Registration.objects.order_by("pk").values_list("pk", flat=True))
    gone, renamed = kept.pop(2), kept[4]
    steps = iter(
        [
            lambda: register(
                site.lead,
                line("a first one"),
                {"id": renamed, "label": "zz last by name", "department": "AUD"},
            ),
            lambda: Registration.objects.filter(pk=gone).update(label="a withdrawn one", state="withdrawn"),
            lambda: register(site.lead, line("another first one")),
        ]
    )
    rows = walk(site.client("lead"), "registrations/?page_size=2", lambda: next(steps, lambda: None)())
    seen = [row["id"] for row in rows]
    assert seen == sorted(set(seen))
    assert set(kept) <= set(seen)


@pytest.mark.parametrize("path", ["carriers/", "plan/", "journal/", "hours/", "registrations/"])
def test_pages_there_and_back_hold_the_same(site: Site, path: str) -> None:
    for number in range(7):
        register(site.lead, line(f"row {number}"))
    client = site.client("lead")
    whole = client.get(BASE + path).json()
    assert walk(client, f"{path}?page_size=3") == whole["results"]
    second = client.get(client.get(f"{BASE}{path}?page_size=3").json()["next"]).json()
    assert client.get(second["previous"]).json()["results"] == whole["results"][:3]
    assert client.get(f"{BASE}{path}?page_size=3&page=2").json()["results"] == second["results"]
    assert second["count"] == whole["count"] == len(whole["results"])


@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("registrations/?departmnet=AUD", "departmnet"), ("registrations/?state=lost", "state"), ("plan/?state=x", "state"),
        ("registrations/?cursor=xyz", "cursor"), ("registrations/?cursor=cD14", "cursor"), ("journal/?after=-1", "after"),
        ("carriers/?page_size=0", "page_size"), ("hours/?since=noon", "since"), ("runs/?page=0", "page"),
        ("registrations/?label=%00", "label"), ("editions/?x=1", "x"),
    ],
)  # fmt: skip
def test_a_filter_that_is_not_understood_is_refused_by_name(site: Site, path: str, field: str) -> None:
    answer = site.client("coordinator").get(BASE + path)
    assert answer.status_code == 422, answer.json()
    assert [error["field"] for error in answer.json()["errors"]] == [field]


def test_filters_leave_what_they_say(site: Site) -> None:
    register(
        site.coordinator,
        line("a", external_id="X1"),
        line("b", zone="side"),
        line("c", department="VID", kind="repeater"),
    )
    client = site.client("coordinator")

    def labels(query: str) -> list[str]:
        return [row["label"] for row in client.get(f"{BASE}{query}").json()["results"]]

    assert labels("registrations/?zone=side") == ["b"]
    assert labels("registrations/?kind=repeater&department=VID") == ["c"]
    assert labels("registrations/?external_id=X1") == ["a"]
    assert labels("registrations/?updated_since=2100-01-01T00:00Z") == []
    assert labels("carriers/?kind=mic") == ["a", "b"]
    assert labels("plan/?state=not+planned+yet&zone=side") == ["b"]
    assert labels("plan/?state=approved") == []
    last = client.get(f"{BASE}journal/").json()["results"][0]["number"]
    assert client.get(f"{BASE}journal/?after={last}").json()["count"] == 0


def test_hours_are_set_and_nothing_else(site: Site) -> None:
    register(site.lead, line("a", external_id="X1", notes="keep"), line("b"), line("gone"))
    register(site.other, line("c", department="VID"))
    by_label = {row.label: row for row in Registration.objects.all()}
    Registration.objects.filter(label="gone").update(state="withdrawn")
    show = {"start": "2027-06-11T18:00", "end": "2027-06-11T23:00"}
    rows = [
        {"external_id": "X1", **show},
        {"id": by_label["b"].pk, "version": 1, **show},
        {"id": by_label["b"].pk, "version": 7, "all_day": True},
        {"id": by_label["c"].pk, **show},
        {"label": "gone", **show},
        {"label": "a", "kind": "repeater", **show},
        {"label": "a"},
        {"id": [], **show},
    ]
    client = site.client("lead")
    answer = client.post(f"{BASE}hours/", rows, format="json")
    said = [(row["row"], row["status"], [error["field"] for error in row["errors"]]) for row in answer.json()]
    assert answer.status_code == 207
    assert said[0] == (1, "changed", [])
    assert said[3:] == [
        (4, "faulty", ["id"]), (5, "faulty", ["label"]), (6, "faulty", ["kind"]), (7, "faulty", ["start"]), (8, "faulty", ["id"]),
    ]  # fmt: skip
    a = client.get(f"{BASE}registrations/{by_label['a'].pk}/").json()
    assert (a["start"], a["notes"], a["kind"]) == ("2027-06-11T18:00:00+02:00", "keep", "mic")
    listed = client.get(f"{BASE}hours/?since=2027-06-12T00:00Z").json()["results"]
    assert "a" not in [row["label"] for row in listed]
    assert client.post(f"{BASE}hours/?all_or_nothing=true", rows, format="json").status_code == 422


def test_many_are_accepted_or_sent_back_with_one_reason(site: Site) -> None:
    site.event.accepts_automatically = False
    site.event.save()
    register(site.again("lead"), line("a"), line("b"))
    rows = [{"id": row.pk, "version": row.version} for row in Registration.objects.order_by("pk")]
    client = site.client("coordinator")
    back = client.post(
        f"{BASE}registrations/send-back/",
        {"registrations": rows[:1], "reason": "which stage?"},
        format="json",
    )
    assert (back.status_code, back.json()) == (200, {"changed": 1})
    overtaken = client.post(f"{BASE}registrations/accept/", {"registrations": rows}, format="json")
    assert overtaken.status_code == 409
    assert client.post(f"{BASE}registrations/accept/", {"registrations": rows[1:]}, format="json").json() == {
        "changed": 1
    }
    assert list(Registration.objects.order_by("pk").values_list("state", flat=True)) == [
        "sent back",
        "accepted",
    ]
    assert (
        site.client("lead")
        .post(f"{BASE}registrations/accept/", {"registrations": rows}, format="json")
        .status_code
        == 403
    )


@pytest.mark.parametrize(
    "text", ['[{"label": "\\ud800"}]', '{"notes": {"\\udfff": 1}}', "{", "[" * 100_000, "[NaN]", "\xff"]
)
def test_a_body_that_no_text_can_hold_is_refused(site: Site, text: str) -> None:
    answer = site.client("lead").generic(
        "POST", f"{BASE}registrations/", text.encode("latin-1"), content_type="application/json"
    )
    assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")
