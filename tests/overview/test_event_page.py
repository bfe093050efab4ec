"""Where an event stands: each number is counted apart here, and leads to exactly the rows that it counts."""

import re

import pytest

from apps.planning import actions as planning
from apps.planning.actions import Selection
from apps.planning.models import LeftOut, Run
from apps.publishing.actions import publish
from apps.registry import actions as registry
from apps.registry import permitting
from apps.registry.asking import needs_of
from apps.registry.models import Carrier, Registration
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
BASE = "/e/harbour-days/"


@pytest.fixture
def site() -> Site:
    return make_site()


def place(site: Site, code: str, hertz: int) -> None:
    carrier = Carrier.objects.get(code=code)
    planning.change_frequency(actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="by ear")


def half_way(site: Site) -> None:
    """Audio asks for four (one locked, one approved, one proposed, one left out) and one forbidden; video for two, in no plan."""
    register(site.coordinator, line(quantity=4), line("cameras", department="VID", zone="gate", quantity=2))
    register(
        site.coordinator,
        line("too strong", power_mw=50_000) | {"kind": "mic", "power_mw": None, "low_hz": None},
    )
    register(site.guard, line("close protection", department="GRD", zone="gate"))
    Registration.objects.filter(label="too strong").update(
        not_permitted="Nobody may here.", state="submitted"
    )
    for number in (1, 2, 3):
        place(site, f"AUD-00{number}", 480_100_000 + number * number * 3_000_000)
    planning.approve(actor=site.coordinator, selection=Selection(carriers=("AUD-001", "AUD-002")))
    planning.lock(actor=site.coordinator, selection=Selection(carriers=("AUD-001",)))
    run = Run.objects.create(
        event=site.event, number=1, state="done", seconds=1, revision=1, requested_by="c", adopted_by="c"
    )
    Run.objects.update(adopted_at=run.created_at)
    cause = [{"cause": "spacing", "carrier": "VID-001", "share": 1.0}]
    LeftOut.objects.create(
        event=site.event, carrier=Carrier.objects.get(code="AUD-004"), run=run, blocked_by=cause
    )


def numbers(page: str) -> dict[str, tuple[int, str]]:
    """{name: (number, address)} of the counts on the page."""
    found = re.findall(
        r'fb-count"><span>(?:<span[^>]*>[^<]*</span>)?([^<]+)</span>\s*<a href="([^"]+)"><strong>(\d+)</strong>'
        r'<span class="visually-hidden"> (\w+)', page
    )  # fmt: skip
    return {
        f"{kind} {name}": (int(number), address.replace("&amp;", "&"))
        for name, address, number, kind in found
    }


def test_a_coordinator_sees_every_number(site: Site) -> None:
    half_way(site)
    counts = {
        name: number
        for name, (number, _) in numbers(site.browser("coordinator").get(BASE).content.decode()).items()
    }
    assert counts == {
        "lines registered": 4,
        "lines accepted": 3,
        "lines not permitted here": 1,
        "frequencies asked for": 8,
        "frequencies not planned yet": 3,
        "frequencies left out": 1,
        "frequencies not permitted here": 1,
        "frequencies proposed": 1,
        "frequencies approved": 1,
        "frequencies locked": 1,
        "frequencies published": 0,
    }


def test_a_lead_sees_their_own_numbers_only(site: Site) -> None:
    half_way(site)
    page = site.browser("other").get(BASE).content.decode()
    counts = {name: number for name, (number, _) in numbers(page).items()}
    assert counts["lines registered"] == 1
    assert counts["frequencies asked for"] == 2
    assert counts["frequencies not planned yet"] == 2
    assert "Audio" not in page
    observed = numbers(site.browser("observer").get(BASE).content.decode())
    assert observed["lines registered"][0] == 3  # without the confidential department's


@pytest.mark.parametrize("who", ["coordinator", "lead", "desk", "observer"])
def test_each_number_leads_to_exactly_its_rows(site: Site, who: str) -> None:
    half_way(site)
    browser = site.browser(who)
    for name, (number, address) in numbers(browser.get(BASE).content.decode()).items():
        answer = browser.get(address)
        assert answer.status_code == 200, address
        if name.startswith("lines") or "/review/" in address:
            assert answer.context["page"].paginator.count == number, (name, address)
        elif "frequency=" in address:
            shown = [row.state for _, rows, _ in answer.context["lines"] for row in rows]
            assert shown.count(name.removeprefix("frequencies ")) == number, (name, address, shown)
            assert number or not answer.context["lines"], (name, address)


def test_what_needs_a_coordinator_next(site: Site) -> None:
    page = site.browser("coordinator").get(BASE).content.decode()
    assert "Nothing waits for you" in page
    half_way(site)
    page = site.browser("coordinator").get(BASE).content.decode()
    for text in (
        "1 line asks for what the ruleset does not permit here",
        "3 accepted frequencies wait for a run",
        "1 frequency found no room",
        "1 frequency is proposed",
        "2 frequencies differ from what people hold",
        "1 frequency is approved but may still be moved",
    ):
        assert text in page, text
    Carrier.objects.filter(code="AUD-004").update(spare_of=Carrier.objects.get(code="AUD-001"))
    assert "1 frequency found no room: a spare." in site.browser("coordinator").get(BASE).content.decode()
    publish(actor=site.coordinator)
    page = site.browser("coordinator").get(BASE).content.decode()
    assert "from what people hold" not in page
    assert numbers(page)["frequencies published, newest edition 1"][0] == 2


def everybody_leads(site: Site) -> None:
    for department in site.event.departments.all():
        site.event.memberships.get_or_create(person=site.people["lead"], role="lead", department=department)


def leading(site: Site) -> tuple[str, list[str]]:
    """The filled button of a coordinator's page, and all of its buttons in their order."""
    page = site.browser("coordinator").get(BASE).content.decode()
    found = re.findall(r'<a class="btn btn-(primary|outline-primary)" href="[^"]+">([^<]+)</a></li>', page)
    return "".join(words for how, words in found if how == "primary"), [words for _, words in found]


def test_what_leads_is_what_waits_for_the_coordinator(site: Site) -> None:
    half_way(site)
    first, all_of_them = leading(site)
    assert first == "Start a run"
    assert all_of_them.index("Lock what is promised") < all_of_them.index("Publish")


def test_what_is_asked_for_already_does_not_lead(site: Site) -> None:
    closed = [{"low_hz": 698_000_000, "high_hz": 714_000_000, "step_hz": 25_000}]
    site.event.kinds.get(code="mic").roles.update(tuning=closed)
    register(site.lead, line())
    everybody_leads(site)
    assert leading(site)[0] == "See what to ask for"
    permitting.ask(actor=site.coordinator, needs=[need.key for need in needs_of(site.coordinator)])
    assert leading(site) == ("", ["See what was asked for"])


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("", "is broken without a signature"),
        ("publish/", "broken without a signature"),
        ("breaches/", "Without a signature: 1"),
        ("review/AUD-001/", "What it breaks where it is now, at"),
    ],
)
def test_a_page_that_has_to_count_much_shows_at_once_and_counts_afterwards(
    site: Site, path: str, told: str, settings, django_assert_max_num_queries
) -> None:
    settings.COUNT_AT_ONCE_PARTS = 0
    register(site.lead, line(quantity=2))
    for number in (1, 2):
        place(site, f"AUD-00{number}", 480_100_000)
    planning.approve(actor=site.coordinator, selection=Selection(carriers=("AUD-001", "AUD-002")))
    browser = site.browser("coordinator")
    with django_assert_max_num_queries(39):
        first = browser.get(BASE + path, {"carrier": "AUD-001"}).content.decode()
    assert ("Checking the plan" in first, told in first) == (True, False)
    assert "from what people hold" not in first and "Nothing waits for you" not in first, (
        "nobody knows that yet"
    )
    later = re.search(r'hx-get="([^"]+)" hx-trigger="load" hx-target="#(\w+)" hx-select="#(\w+)"', first)
    assert later
    address, target, part = later[1].replace("&amp;", "&"), later[2], later[3]
    assert f'<noscript><a href="{later[1]}">Check the plan against the rules</a>' in first
    assert address.endswith("?carrier=AUD-001&count=now")
    counted = browser.get(address).content.decode()
    assert target == part
    assert f'id="{part}"' in first and f'id="{part}"' in counted
    assert ("Checking the plan" in counted, told in counted) == (False, True)
    assert told in browser.get(BASE + path).content.decode(), "kept until something changes"


def test_an_empty_event_says_what_to_set_up_first(site: Site) -> None:
    given = {
        "name": "Bare", "slug": "bare", "starts_on": "2028-01-10", "ends_on": "2028-01-20",
        "timezone": "Europe/Oslo", "ruleset": "cept",
    }  # fmt: skip
    browser = site.browser("coordinator")
    browser.post("/events/new/", given)
    page = browser.get("/e/bare/").content.decode()
    assert [text in page for text in ("no zone yet", "no department yet", "no kind of device")] == [True] * 3
    for address in re.findall(r'<a class="btn[^"]*" href="([^"]+)"', page):
        assert browser.get(address).status_code == 200


def test_a_lead_registers_from_the_event_page(site: Site) -> None:
    lead = site.browser("lead")
    page = lead.get(BASE).content.decode()
    assert page.count("Register a line</a>") == 1, "with nothing registered it is what needs doing"
    register(site.lead, line())
    page = lead.get(BASE).content.decode()
    assert f'href="{BASE}devices/new/">Register a line</a>' in page
    for who in ("coordinator", "desk", "observer"):
        assert "Register a line</a>" not in site.browser(who).get(BASE).content.decode()


def test_each_department_shows_what_is_not_permitted(site: Site) -> None:
    half_way(site)
    everything = site.browser("coordinator").get(BASE).content.decode()
    address = f"{BASE}review/?department=AUD&amp;state=not+permitted+here"
    assert f'data-label="Not permitted here"><a href="{address}">1</a>' in everything
    assert 'data-label="Not permitted here">1</td>' in site.browser("observer").get(BASE).content.decode()


def test_what_needs_a_lead_next(site: Site) -> None:
    browser = site.browser("lead")
    assert "You have registered nothing yet." in browser.get(BASE).content.decode()
    register(site.lead, line(settings={"pairing key": "7"}))
    assert "Nothing waits for you" in browser.get(BASE).content.decode()
    registry.send_back(actor=site.coordinator, registration=Registration.objects.get(), reason="Which stage?")
    assert "1 line came back to you with a reason" in browser.get(BASE).content.decode()


def test_the_event_page_takes_the_same_number_of_queries_with_one_row_and_with_thirty(
    site: Site, django_assert_max_num_queries
) -> None:
    register(site.lead, line("first"))
    place(site, "AUD-001", 480_100_000)
    planning.approve(actor=site.coordinator, selection=Selection(carriers=("AUD-001",)))
    publish(actor=site.coordinator)
    for who, most in (("coordinator", 39), ("lead", 19)):
        browser = site.browser(who)
        with django_assert_max_num_queries(most) as few:
            browser.get(BASE)
        count = len(few)
        if who == "coordinator":
            register(site.lead, *(line(f"more {number}", quantity=2) for number in range(30)))
            for number in range(30):
                site.event.departments.create(code=f"D{number}", name=f"Department {number}")
        with django_assert_max_num_queries(count):
            browser.get(BASE)
