"""Frequencies that zones share: found, justified by the figure that lets them, and shown where a coordinator looks."""

import html

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from apps.events.models import Event
from apps.planning.reuse import by_zones, reuse
from apps.radio.propagation import free_space_db
from apps.spectrum import actions as spectrum
from tests.planning.test_pages import place
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db

HZ = 500_100_000


@pytest.fixture
def site() -> Site:
    """The same frequency on the main stage and at the gate 2 km away, one overlapping it on the side stage, one apart."""
    site = make_site()
    register(
        site.lead,
        line(quantity=1),
        line("gate", zone="gate"),
        line("side", zone="side"),
        line("other", zone="side"),
    )
    for code, hertz in (
        ("AUD-001", HZ),
        ("AUD-002", HZ),
        ("AUD-003", HZ + 150_000),
        ("AUD-004", HZ + 5_000_000),
    ):
        place(site, code, hertz)
    site.event.refresh_from_db()
    return site


def test_pairs_of_zones_that_lie_on_each_other(site: Site) -> None:
    found = by_zones(reuse(site.event))
    assert {
        tuple(sorted(zones)): [(row.hz, row.other_hz) for row in rows] for zones, rows in found.items()
    } == {
        ("gate", "main"): [(HZ, HZ)],
        ("main", "side"): [(HZ, HZ + 150_000)],
        ("gate", "side"): [(HZ, HZ + 150_000)],
    }


def test_two_are_as_far_under_what_does_no_harm_as_a_measured_path_says(site: Site) -> None:
    """dB for dB: 10 dB more of path, 10 dB more to spare; ITU-R SM.337, with nothing rejected on one frequency."""

    def under(loss_db: float) -> float:
        known = site.event.known_losses.first()
        spectrum.set_known_loss(
            actor=site.again("coordinator"), zones=(site.zone("main"), site.zone("gate")), loss_db=loss_db,
            note="measured", version=known.version if known else 0,
        )  # fmt: skip
        site.event.refresh_from_db()
        (row,) = by_zones(reuse(site.event))[frozenset(("main", "gate"))]
        assert row.worst
        why = row.worst.why
        # 50 mW are 16.99 dBm, and a hand takes nothing at the least.
        assert why.interferer_dbm == pytest.approx(16.99 - loss_db, abs=0.01)
        assert row.worst.under_db == pytest.approx(-why.needed_db, abs=0.3)
        return row.worst.under_db

    # Free space over the 2 km is the least that the model could say.
    assert under(120.0) - under(110.0) == pytest.approx(10.0)
    assert under(float(free_space_db(HZ, 30.0))) < 0


def test_those_on_the_air_at_other_hours_do_not_share() -> None:
    site = make_site()
    morning = {"start": "2027-06-11T08:00", "end": "2027-06-11T11:00"}
    evening = {"start": "2027-06-11T18:00", "end": "2027-06-11T22:00"}
    register(
        site.lead, line(**morning), line("gate", zone="gate", **evening), line("side", zone="side", **evening)
    )
    for code in ("AUD-001", "AUD-002", "AUD-003"):
        place(site, code, HZ)
    site.event.refresh_from_db()
    assert [sorted(zones) for zones in by_zones(reuse(site.event))] == [["gate", "side"]]


PAIR = "/e/harbour-days/site/main/gate/"


def test_the_pages_say_what_is_shared_by_whom_and_why(site: Site) -> None:
    browser = site.browser("coordinator")
    page = html.unescape(browser.get("/e/harbour-days/site/").content.decode())
    assert "Gate and Main stage" in page and "dB under what does no harm" in page
    page = html.unescape(browser.get(PAIR).content.decode())
    assert (
        "1 time a carrier here and one there lie on each other" in page
        and "AUD-001" in page
        and "AUD-002" in page
    )
    assert "dB under what does no harm" in page and "usually" in page
    assert "No frequency is in use in both" not in page
    assert site.browser("lead").get(PAIR).status_code == 403


def test_more_of_them_cost_no_more_queries(site: Site) -> None:
    browser = site.browser("coordinator")

    def queries() -> int:
        browser.get(PAIR)  # what is kept is there
        with CaptureQueriesContext(connection) as seen:
            browser.get(PAIR)
        return len(seen)

    before = queries()
    register(site.lead, line("more", quantity=6), line("more there", zone="gate", quantity=6))
    for number in range(5, 11):
        place(site, f"AUD-{number:03d}", HZ + 400_000 * number)
        place(site, f"AUD-{number + 6:03d}", HZ + 400_000 * number)
    assert len(by_zones(reuse(Event.objects.get()))[frozenset(("main", "gate"))]) == 7
    assert queries() == before
