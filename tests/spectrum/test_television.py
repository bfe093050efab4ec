"""Television channels of the region: occupied or free at the site, with source and date; occupied ones are kept clear of."""

from datetime import date

import pytest

from apps.common.choice import Choice
from apps.common.errors import Conflict, Faulty, Forbidden
from apps.events import actions as events
from apps.journal.models import Entry
from apps.planning.snapshot import freeze
from apps.spectrum import actions
from apps.spectrum.queries import channels_of
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
PAGE = "/e/harbour-days/set-up/television/"
SAID = {"source": "the regulator's register", "known_on": date(2027, 5, 1)}


@pytest.fixture
def site() -> Site:
    return make_site()


def mark(site: Site, *keys: str, state: str = "occupied", **said: object) -> int:
    versions = {row.key: row.version for row in channels_of(site.event)}
    choice = Choice({key: versions.get(key, 0) for key in keys})
    return actions.mark_channels(actor=site.coordinator, choice=choice, state=state, **{**SAID, **said})


def states(site: Site) -> dict[str, str]:
    return {row.key: row.state for row in channels_of(site.event) if row.state != "unknown"}


def test_an_occupied_channel_is_a_taken_range_of_the_next_run(site: Site) -> None:
    register(site.lead, line())
    revision = site.event.revision
    assert mark(site, "europe-uhf/25", "europe-uhf/35") == 2
    # 25 is 502 to 510 MHz, 35 is 582 to 590 MHz: 474 MHz + 8 MHz steps, published by national regulators.
    blocked = [(row["low_hz"], row["high_hz"]) for row in freeze(site.event).problem["blocked"]]
    assert blocked == [(502_000_000, 510_000_000), (582_000_000, 590_000_000)]
    site.event.refresh_from_db()
    assert site.event.revision > revision
    assert Entry.objects.filter(verb="marked television channels occupied").count() == 1


def test_a_channel_goes_from_occupied_to_free_to_unknown(site: Site) -> None:
    mark(site, "europe-uhf/25", "europe-uhf/30")
    mark(site, "europe-uhf/25", state="free", source="heard nothing on two evenings")
    assert states(site) == {"europe-uhf/25": "free", "europe-uhf/30": "occupied"}
    assert [row.label for row in site.event.occupied.all()] == ["television channel 30"]
    mark(site, "europe-uhf/25", "europe-uhf/30", state="unknown", source="", known_on=None)
    assert (states(site), site.event.occupied.count()) == ({}, 0)


def test_whoever_frees_the_range_takes_back_what_was_said_of_the_channel(site: Site) -> None:
    mark(site, "europe-uhf/25")
    actions.free_occupied(actor=site.coordinator, occupied=site.event.occupied.get())
    assert states(site) == {}


def test_what_is_said_needs_its_source_and_day(site: Site) -> None:
    with pytest.raises(Faulty) as refusal:
        mark(site, "europe-uhf/25", "us/25", state="free", source=" ", known_on=None)
    assert [(fault.row, fault.field) for fault in refusal.value.faults] == [
        (2, "channel"), (0, "source"), (0, "known_on"),
    ]  # fmt: skip
    assert states(site) == {}


def test_nobody_overwrites_what_somebody_else_said_meanwhile(site: Site) -> None:
    seen = Choice({"europe-uhf/25": 0})
    mark(site, "europe-uhf/25")
    with pytest.raises(Conflict, match="Somebody changed 1"):
        actions.mark_channels(actor=site.coordinator, choice=seen, state="free", **SAID)
    with pytest.raises(Forbidden):
        actions.mark_channels(actor=site.lead, choice=seen, state="free", **SAID)


def test_channel_37_is_nobodys_in_the_united_states(site: Site) -> None:
    # 47 CFR 73.603(c): 608 to 614 MHz is reserved for radio astronomy. Common practice, no source: after 36 comes 38.
    events.change_event(actor=site.coordinator, event=site.event, version=site.event.version, ruleset="us")
    site.event.refresh_from_db()
    rows = {row.channel.name: row for row in channels_of(site.event)}
    assert rows["37"].reserved and not rows["36"].reserved
    with pytest.raises(Faulty, match="1 fault"):
        actions.mark_channels(
            actor=site.again("coordinator"), choice=Choice({"us/37": 0}), state="free", **SAID
        )


def test_the_page_marks_the_ticked_channels_and_keeps_what_was_typed(site: Site) -> None:
    browser = site.browser("coordinator")
    ticked = {"channel": ["europe-uhf/25:0", "europe-uhf/26:0"], "state": "occupied"}
    answer = browser.post(PAGE, {**ticked, "source": "", "known_on": "2027-05-01"})
    page = answer.content.decode()
    assert answer.status_code == 422 and "Say how this is known" in page and page.count(" checked") == 2
    assert browser.post(PAGE, {**ticked, "source": "register", "known_on": "2027-05-01"}).status_code == 302
    assert states(site) == {"europe-uhf/25": "occupied", "europe-uhf/26": "occupied"}
    page = browser.get(PAGE).content.decode()
    assert "register" in page and "1 May 2027" in page
    # An old page in another window: what was typed stays, nothing is overwritten.
    answer = browser.post(PAGE, {**ticked, "state": "free", "source": "word", "known_on": "2027-05-02"})
    assert answer.status_code == 422 and "Somebody changed 2" in answer.content.decode()


@pytest.mark.parametrize(
    ("who", "status"), [("lead", 403), ("desk", 403), ("observer", 403), ("stranger", 404)]
)
def test_only_coordinators_set_channels_up(site: Site, who: str, status: int) -> None:
    assert site.browser(who).get(PAGE).status_code == status
    assert site.browser(who).post(PAGE, {"channel": "europe-uhf/25:0"}).status_code == status


def test_pages_ask_the_database_equally_often_however_many_are_marked(
    site: Site, django_assert_max_num_queries: object
) -> None:
    mark(site, *(f"europe-uhf/{number}" for number in range(21, 49)))
    browser = site.browser("coordinator")
    with django_assert_max_num_queries(12):  # type: ignore[operator]
        browser.get(PAGE)


def test_machines_read_and_mark_channels(site: Site) -> None:
    client = site.client("coordinator")
    address = "/api/v1/events/harbour-days/television/"
    body = {
        "channels": {"europe-uhf/25": 0},
        "state": "occupied",
        "source": "register",
        "known_on": "2027-05-01",
    }
    answer = client.post(address, body, format="json")
    assert (answer.status_code, answer.json()[0]["low_hz"], answer.json()[0]["version"]) == (
        200,
        502_000_000,
        1,
    )
    assert client.post(address, body, format="json").status_code == 409
    wrong = client.post(address, {"channels": {"us/25": 0}, "state": "free"}, format="json")
    assert (wrong.status_code, [row["field"] for row in wrong.json()["errors"]]) == (
        422,
        ["channel", "source", "known_on"],
    )
    rows = {row["channel"]: row["state"] for row in site.client("lead").get(address).json()}
    assert (rows["europe-uhf/25"], rows["europe-uhf/26"]) == ("occupied", "unknown")
    assert site.client("lead").post(address, body, format="json").status_code == 403
