"""What the pages say of margins: levels, who disturbs by name to whom, and the lowest power that would do."""

import html
import math
from dataclasses import replace

import pytest

from apps.events.models import Event
from apps.planning import actions as planning
from apps.planning.margins import Margin, margin_of, margins_of, margins_of_line
from apps.planning.models import Assignment
from apps.planning.queries import Redaction
from apps.publishing import actions as publishing
from apps.registry.models import Kind, Registration
from tests.planning.test_pages import BASE, place
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db


@pytest.fixture
def site() -> Site:
    site = make_site()
    register(site.lead, line(quantity=3))
    register(site.coordinator, line("agents on foot", department="GRD"))
    for code, hertz in (("AUD-001", 500_100_000), ("AUD-002", 501_100_000), ("AUD-003", 503_000_000)):
        place(site, code, hertz)
    place(site, "GRD-001", 502_100_000)  # 2 · 501.1 − 500.1
    site.event.refresh_from_db()
    return site


def test_a_carriers_page_gives_levels_and_names_the_worst_to_those_who_may_know_them(site: Site) -> None:
    code = "GRD-001"
    margin = margin_of(site.event, code)
    assert margin == margin_of(site.event, code)  # kept
    plain = margins_of(site.event)[code]
    assert margin and (margin.order, margin.wanted_dbm) == (plain.order, plain.wanted_dbm)
    assert 0 < len(margin.disturbed_by) <= 3
    # Whoever adds the lines of the page up by hand, powers in milliwatts, comes to the margin.
    rest_mw = sum(
        10 ** (level / 10) for level in (margin.noise_dbm, margin.interference_dbm, margin.products_dbm)
    )
    left_db = margin.wanted_dbm - margin.needs_db - 10 * math.log10(rest_mw)
    assert margin.margin_db == math.floor(left_db)
    page = html.unescape(site.browser("coordinator").get(f"{BASE}review/{code}/").content.decode())
    assert "Needed over all that" in page and "Worst at Main stage, antennas." in page
    assert f"{margin.wanted_dbm:.1f} dBm".replace("-", "−") in page and "What disturbs it most" in page
    for words, _ in Redaction(site.coordinator).disturbed_by(margin):
        assert words in page
    assert "2A−B of AUD-001 and AUD-002" in page
    own = html.unescape(site.browser("lead").get(f"{BASE}review/AUD-003/").content.decode())
    assert "What the model says of it" in own
    for secret in ("GRD", "502.1", "agents"):
        assert secret not in own


def test_a_lead_reads_neither_letters_nor_family_of_a_product_with_another_department(site: Site) -> None:
    by = (
        (-60.0, ("GRD-001",), ""),
        (-70.0, ("AUD-001", "GRD-001"), "2A-B"),
        (-80.0, ("AUD-001", "AUD-002"), "2A-B"),
    )
    margin = Margin("main", -50.0, -110.0, -60.0, -70.0, 20.0, 3, 20, by)
    assert Redaction(site.lead).disturbed_by(margin) == [
        ("another department, Main stage", -60.0),
        ("intermodulation with another department, Main stage", -70.0),
        ("2A−B of AUD-001 and AUD-002", -80.0),
    ]
    assert Redaction(site.coordinator).disturbed_by(margin)[1][0] == "2A−B of AUD-001 and GRD-001"
    # On paper without levels or families, each once.
    twice = replace(margin, disturbed_by=(*by, by[0]))
    assert Redaction(site.lead).at_risk_from(twice) == (
        "another department, Main stage",
        "intermodulation with another department, Main stage",
        "AUD-001 and AUD-002 together",
    )


def test_the_lowest_power_that_would_do_is_the_lowest_with_something_left(site: Site) -> None:
    steps = [0.0001, 0.001, 0.01, 0.1, 1, 10, 50]
    Kind.objects.filter(code="mic").update(power_mw=steps)
    # Far from each other, so that noise alone decides.
    for code, hertz in (("AUD-002", 520_100_000), ("AUD-003", 590_000_000), ("GRD-001", 560_000_000)):
        place(site, code, hertz)
    site.event.refresh_from_db()
    registration = Registration.objects.get(department__code="AUD")

    def least(milliwatts: float) -> int:
        Assignment.objects.filter(carrier__registration=registration).update(power_mw=milliwatts)
        found = margins_of(site.event)
        return min(margin.margin_db for code, margin in found.items() if code.startswith("AUD"))

    left = {step: least(step) for step in steps}
    enough = [step for step in steps if left[step] >= 0]
    assert enough and enough[0] not in (steps[0], 50), left
    Assignment.objects.update(power_mw=50)
    told, lower = margins_of_line(site.event, registration)
    assert told == {code: margin for code, margin in margins_of(site.event).items() if code.startswith("AUD")}
    assert lower and (lower.power_mw, lower.now_mw, lower.carriers) == (enough[0], 50, 3)
    assert lower.margin_db == left[enough[0]]
    page = site.browser("lead").get(f"{BASE}devices/{registration.pk}/").content.decode()
    assert f"{lower.power_mw:g} mW would do for these 3" in page and "predicts medians" in page
    # Nothing lower than the lowest that does: no suggestion.
    Assignment.objects.update(power_mw=enough[0])
    Event.objects.update(revision=site.event.revision + 1)
    assert margins_of_line(Event.objects.get(), registration)[1] is None


SECRETS = ("GRD", "agents", "561.000", "561000000", "VID", "quayside", "558.200", "558200000")


@pytest.fixture
def disturbed(site: Site) -> Site:
    """AUD-003 with the confidential department and one that keeps to itself as its worst neighbours; all published."""
    register(site.coordinator, line("quayside talkback", department="VID"))
    # No product of these lands on one of them.
    for code, hertz in (("AUD-002", 520_100_000), ("AUD-003", 560_000_000), ("GRD-001", 561_000_000)):
        place(site, code, hertz)
    place(site, "VID-001", 558_200_000)
    codes = ("AUD-001", "AUD-002", "AUD-003", "GRD-001", "VID-001")
    planning.approve(actor=site.coordinator, selection=planning.Selection(carriers=codes))
    publishing.publish(actor=site.coordinator, note="first")
    site.event.refresh_from_db()
    return site


def test_no_door_of_a_lead_names_who_of_others_disturbs_them(disturbed: Site) -> None:
    margin = margin_of(disturbed.event, "AUD-003")
    assert margin and {"GRD-001", "VID-001"} <= {
        code for _, codes, _ in margin.disturbed_by for code in codes
    }
    browser, machine = disturbed.browser("lead"), disturbed.client("lead")
    registration = Registration.objects.get(department__code="AUD")
    # Its own columns and the form's choices speak of departments as such; what is asked here is whether rows do.
    doors = {
        "carrier": browser.get(f"{BASE}review/AUD-003/"),
        "line": browser.get(f"{BASE}devices/{registration.pk}/"),
        "sheet": browser.get(f"{BASE}sheets/AUD/"),
        "device": browser.get(f"{BASE}sheets/AUD/sheet.json"),
        "table": browser.get(f"{BASE}sheets/AUD/sheet.csv"),
        "plan": machine.get("/api/v1/events/harbour-days/plan/"),
        "row": machine.get("/api/v1/events/harbour-days/plan/AUD-003/"),
        "margin": machine.get("/api/v1/events/harbour-days/plan/AUD-003/margin/"),
        "edition": machine.get("/api/v1/events/harbour-days/editions/1/sheet/?department=AUD"),
    }
    for door, answer in doors.items():
        assert answer.status_code == 200, door
        said = html.unescape(answer.content.decode())
        for secret in SECRETS:
            assert secret not in said, (door, secret)
    page = html.unescape(doors["carrier"].content.decode())
    assert page.count("another department, Main stage") >= 2
    told = doors["margin"].json()
    assert (told["margin_db"], told["usual_margin_db"]) == (margin.margin_db, margin.usual_margin_db)
    assert [row["words"] for row in told["disturbed_by"]].count("another department, Main stage") >= 2
    assert machine.get("/api/v1/events/harbour-days/plan/GRD-001/margin/").status_code == 404
    full = disturbed.client("coordinator").get("/api/v1/events/harbour-days/plan/AUD-003/margin/").json()
    assert {"GRD-001", "VID-001"} <= {row["words"] for row in full["disturbed_by"]}
    # The site and its pairs of zones tell everybody's devices: they are not for leads at all.
    for address in (f"{BASE}site/", f"{BASE}site/main/main/"):
        assert browser.get(address).status_code == 403


def test_who_opened_itself_is_named_and_the_confidential_never(disturbed: Site) -> None:
    disturbed.event.departments.filter(code="VID").update(open_to_others=True)
    page = html.unescape(disturbed.browser("lead").get(f"{BASE}review/AUD-003/").content.decode())
    assert "VID-001" in page and "another department, Main stage" in page and "GRD" not in page
    # The confidential one sees its own, and others no more than others see of each other.
    own = html.unescape(disturbed.browser("guard").get(f"{BASE}review/GRD-001/").content.decode())
    assert "VID-001" in own and "another department, Main stage" in own and "AUD-0" not in own
