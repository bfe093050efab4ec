"""Every role at every page and endpoint, on objects of its own and of others, generated from the addresses themselves.

An address that nobody gave an example to fails here, so a new page cannot be forgotten.
"""

import itertools
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from django.http import HttpResponse
from django.urls import URLPattern, URLResolver, get_resolver

from apps.common.choice import Choice
from apps.events.models import Membership
from apps.onsite.actions import file_report
from apps.planning import actions as planning
from apps.planning import documents, running, surveying
from apps.planning.actions import Selection
from apps.planning.models import LeftOut, RunDocument
from apps.publishing import relaying
from apps.publishing.actions import add_hook, publish
from apps.publishing.models import Delivery, Reading
from apps.registry import actions as registry
from apps.registry import batching, permitting
from apps.registry.actions import offer_feed
from apps.registry.batching import Act
from apps.registry.models import Carrier, Registration, Unit
from apps.registry.uploads import keep_upload
from apps.solver import read_problem, solve
from apps.spectrum import reading
from apps.spectrum.actions import add_outsider, mark_occupied, plan_range
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
ROLES = ["coordinator", "lead", "desk", "observer"]
# What a lead of audio may read nowhere, and what nobody but coordinators, the desk and its own lead may.
CONFIDENTIAL = ["Guest protection", "GRD-00", "agents on foot", "481.325", "481325000", "481,325"]
FOREIGN = ["Video", "VID-00", "camera crane", "507.425", "507425000", "507,425"]
OWN = "Lead vocals of audio"
CALENDAR = b"""BEGIN:VCALENDAR\r
VERSION:2.0\r
PRODID:-//example//EN\r
BEGIN:VEVENT\r
UID:1\r
SUMMARY:on the air\r
LOCATION:Main stage\r
DTSTART:20270611T180000Z\r
DTEND:20270611T190000Z\r
END:VEVENT\r
END:VCALENDAR\r
"""


@pytest.fixture
def site() -> Site:
    """A plan that was run, changed by hand, agreed and published; one carrier of audio left out because of the others.

    A webhook of every department and of the whole event, with what they are told of it.
    """
    site = make_site(latitude_deg=48.2, longitude_deg=16.37)
    for code in ("", "AUD", "VID", "GRD"):
        add_hook(
            actor=site.coordinator, label=f"tool of {code}", address="https://9.9.9.9/", topics=["registration.accepted"],
            department=site.department(code) if code else None,
        )  # fmt: skip
    register(
        site.coordinator,
        line(OWN, quantity=2), line("camera crane", department="VID", contact="Bo"),
        line("agents on foot", department="GRD", contact="Cleo"),
    )  # fmt: skip
    mark_occupied(
        actor=site.coordinator, label="channel 31", low_hz=550_000_000, high_hz=558_000_000, source="seen"
    )
    add_outsider(
        actor=site.coordinator,
        label="theatre",
        zone=site.zone("gate"),
        frequency_hz=601_000_000,
        bandwidth_hz=200_000,
    )
    plan_range(
        actor=site.coordinator, label="away from Guest protection", low_hz=600_000_000, high_hz=602_000_000, purpose="kept from",
        departments=["GRD"], reason="agents on foot", hard=False,
    )  # fmt: skip
    grants = [
        {"department": code, "state": "granted", "authority": "regulator", "reference": f"paper {code}", "wanted_for": what,
         "frequency_hz": hertz, "width_hz": 200_000, "power_mw": 50}
        for code, what, hertz in (
            ("VID", "camera crane", 507_425_000), ("GRD", "agents on foot", 481_325_000), ("AUD", OWN, 481_000_000),
        )
    ]  # fmt: skip
    permitting.answer(actor=site.coordinator, rows=grants)
    run = running.claim(running.request_run(actor=site.coordinator, seconds=5).pk, "test")
    assert run
    problem = read_problem(documents.read(run, RunDocument.Role.PROBLEM))
    running.finish(run, solve(problem, seconds=5, seed=0).document(), None)
    for code, hertz in (("AUD-001", 481_000_000), ("VID-001", 507_425_000), ("GRD-001", 481_325_000)):
        carrier = Carrier.objects.get(code=code)
        planning.change_frequency(
            actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="by hand"
        )
    left_out = Carrier.objects.get(code="AUD-002")
    planning.clear_frequency(actor=site.coordinator, carrier=left_out, reason="no room")
    LeftOut.objects.create(
        event=site.event, carrier=left_out, run=run,
        blocked_by=[
            {"cause": "separation", "carrier": "GRD-001", "share": 0.6},
            {"cause": "product", "family": "2A-B", "carriers": ["GRD-001", "VID-001"], "share": 0.4},
        ],
    )  # fmt: skip
    everything = Selection(carriers=("AUD-001", "VID-001", "GRD-001"))
    planning.approve(actor=site.coordinator, selection=everything)
    sweep = b"".join(b"%d;%d\n" % (480_000_000 + step * 25_000, -110 + step % 7 * 9) for step in range(1200))
    survey = surveying.keep_survey(
        actor=site.coordinator, zone=site.zone("main"), name="sweep.csv", content=[sweep], resolution_hz=25_000,
        taken_at=datetime(2027, 6, 12, 12, tzinfo=UTC),
    )  # fmt: skip
    reading.read(survey.pk, "test")
    for code in ("AUD", "VID", "GRD"):
        for actor in (site.coordinator, {"AUD": site.lead, "VID": site.other, "GRD": site.guard}[code]):
            keep_upload(
                actor=actor,
                name=f"list of {code}.csv",
                content=b"label,kind\n",
                department=site.department(code),
            )
            keep_upload(
                actor=actor,
                name=f"calendar of {code}.ics",
                content=CALENDAR,
                department=site.department(code),
                sort="calendar",
            )
        if code != "GRD":
            offer_feed(actor=site.coordinator, department=site.department(code))
            registry.offer_feed(actor=site.coordinator, department=site.department(code))
    for code in ("AUD", "VID", "GRD"):
        choice = Choice.of(Registration.objects.filter(department__code=code).values_list("pk", "version"))
        batching.act_on_many(
            actor=site.coordinator, choice=choice, act=Act("change", {"priority": "3"}), reason="agreed"
        )
    for breach in _breaches(site):
        planning.accept_breach(actor=site.coordinator, breach=breach, reason="agreed at the table")
    publish(actor=site.coordinator, note="first")
    for row in Carrier.objects.filter(code__in=["AUD-001", "VID-001", "GRD-001"]).order_by("pk"):
        file_report(
            actor=site.desk, carrier=row, trouble="interference", words=f"buzz at {row.registration.label}"
        )
    publish(actor=site.coordinator, note="again", department=site.department("VID"))
    relaying.sweep()
    relaying.read(Reading.objects.get(event=site.event).pk)
    return site


def _breaches(site: Site) -> list[str]:
    return [
        row["breach"]
        for row in site.client("coordinator").get("/api/v1/events/harbour-days/plan/breaches/").json()
    ]


def examples(site: Site, department: str) -> dict[str, list[Any]]:
    """What stands for each part of an address, of one department where it belongs to one."""
    row = Registration.objects.get(department__code=department)
    unit = Unit.objects.filter(carrier__registration=row).first()
    assert unit
    upload = site.event.uploads.filter(department__code=department, sort="list").first()
    calendar = site.event.uploads.filter(department__code=department, sort="calendar").first()
    feed = site.event.feeds.filter(department__code=department).first()
    hook = site.event.hooks.get(department__code=department)
    member = Membership.objects.filter(event=site.event, department__code=department).first()
    return {
        "slug": [site.event.slug],
        "number": [1, 2, 3],
        "department": [department],
        "zone": ["main"],
        "listener": ["main"],
        "sender": ["main", "gate"],
        "carrier": [f"{department}-001"],
        "code": [
            f"{department}-001",
            department,
            "main",
            {"VID": "PER-001", "GRD": "PER-002", "AUD": "PER-003"}[department],
        ],
        "key": [unit.key],
        "suffix": ["pdf", "csv", "json", "html"],
        # What a key stands for is said by the part of the address before it.
        "registrations/pk": [row.pk],
        "devices/pk": [row.pk],
        "import/pk": [upload.pk if upload else 0],
        "calendars/pk": [found.pk for found in (calendar, feed) if found] or [0],
        "people/pk": [member.pk if member else 0],
        "band-plan/pk": [site.event.band_plan.get().pk],
        "outsiders/pk": [site.event.outsiders.get().pk],
        "webhooks/pk": [hook.pk],
        "occupied/pk": [0],
        "taken-ranges/pk": [site.event.occupied.get().pk],
        "invitations/pk": [0],
        "delivery": list(Delivery.objects.filter(hook=hook).values_list("pk", flat=True)),
    }


def addresses(
    prefix: str, part: Any = None, names: frozenset[str] = frozenset()
) -> Iterator[tuple[str, set[str]]]:
    """Every address below the event, as (template, names of its parts)."""
    for pattern in (part or get_resolver()).url_patterns:
        route = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            if str(pattern.pattern) != "backdoor/":
                yield from addresses(route, pattern)
        elif isinstance(pattern, URLPattern) and "<slug:slug>" in route:
            yield route, set(re.findall(r"<\w+:(\w+)>", route))


def named(route: str) -> dict[str, str]:
    """{part of an address: under which name its examples stand}."""
    found = re.findall(r"([\w-]+)/<\w+:(\w+)>|<\w+:(\w+)>", route)
    return {(part or bare): f"{before}/pk" if part == "pk" else part or bare for before, part, bare in found}


def filled(site: Site, department: str) -> Iterator[str]:
    known = examples(site, department)
    for route, _ in addresses("/"):
        parts = named(route)
        missing = set(parts.values()) - set(known)
        assert not missing, f"{route}: give an example of {missing}"
        for values in itertools.product(*(known[example] for example in parts.values())):
            path = route
            for name, value in zip(parts, values, strict=True):
                path = re.sub(rf"<\w+:{name}>", str(value), path)
            yield path


def ask(site: Site, who: str, path: str, clients: dict[str, Any]) -> HttpResponse:
    door = "machine" if path.startswith("/api/") else "person"
    if (who, door) not in clients:
        clients[who, door] = site.client(who) if door == "machine" else site.browser(who)
    return clients[who, door].get(path)


def content(answer: HttpResponse) -> str:
    raw = b"".join(answer.streaming_content) if answer.streaming else answer.content  # type: ignore[attr-defined]
    return raw.decode("utf-8", errors="replace")


@pytest.mark.parametrize("who", ROLES)
def test_no_answer_holds_what_its_reader_may_not_know(site: Site, who: str) -> None:
    clients: dict[str, Any] = {}
    secrets = {"lead": CONFIDENTIAL + FOREIGN, "observer": CONFIDENTIAL}.get(who, [])
    seen: dict[int, int] = {}
    for department in ("AUD", "VID", "GRD"):
        for path in filled(site, department):
            answer = ask(site, who, path, clients)
            seen[answer.status_code] = seen.get(answer.status_code, 0) + 1
            assert answer.status_code in (200, 302, 403, 404, 405), (path, answer.status_code)
            text = content(answer)
            told = [secret for secret in secrets if secret in text and secret not in path]
            assert told == [], (path, told)
    assert seen[200] > 40, seen


def test_a_lead_reads_of_others_that_they_are_there_and_no_more(site: Site) -> None:
    page = content(site.browser("lead").get("/e/harbour-days/devices/"))
    assert OWN in page
    assert "another department, Main stage" in page


@pytest.mark.parametrize("department", ["VID", "GRD"])
def test_what_belongs_to_others_is_not_there_for_a_lead(site: Site, department: str) -> None:
    row = Registration.objects.get(department__code=department)
    clients: dict[str, Any] = {}
    for path in filled(site, department):
        whose = re.search(rf"/(devices|registrations)/{row.pk}/|/{department}(-001)?/", path)
        if whose and "set-up" not in path:
            answer = ask(site, "lead", path, clients)
            back = (
                answer.get("Location") == "/e/harbour-days/devices/"
            )  # whatever the line, and whether there is one
            assert answer.status_code in (403, 404, 405) or back, path


def same(answer: HttpResponse) -> str:
    """A page without what differs at every drawing: the token against forged posts."""
    return re.sub(r'(X-CSRFToken": "|csrfmiddlewaretoken" value=")[A-Za-z0-9]+', r"\1", content(answer))


def test_a_stranger_learns_nothing_not_even_that_the_event_exists(site: Site) -> None:
    stranger = site.browser("stranger")
    nowhere = same(stranger.get("/e/no-such-event/"))
    for path in filled(site, "AUD"):
        if not path.startswith("/api/"):
            answer = stranger.get(path)
            assert (answer.status_code, same(answer)) == (404, nowhere), path


def test_who_is_not_logged_in_is_asked_to_log_in(client: Any, site: Site) -> None:
    for path in filled(site, "AUD"):
        answer = client.get(path)
        if path.startswith("/api/"):
            assert answer.status_code == 401, path
        else:
            assert (answer.status_code, answer["Location"].split("?")[0]) == (302, "/login/"), path


@pytest.mark.parametrize("who", ["desk", "observer", "stranger"])
def test_who_only_reads_changes_nothing_by_posting(site: Site, who: str) -> None:
    browser = site.browser(who)
    before = list(Registration.objects.values_list("pk", "version", "state"))
    plan = list(site.event.assignments.values_list("carrier", "frequency_hz", "state"))
    for path in filled(site, "AUD"):
        if not path.startswith("/api/"):
            answer = browser.post(
                path, {"do": "approve", "row": "AUD-001:1", "confirmed": "1", "reason": "mine"}
            )
            assert answer.status_code in (200, 302, 403, 404, 405, 422), (path, answer.status_code)
    assert list(Registration.objects.values_list("pk", "version", "state")) == before
    assert list(site.event.assignments.values_list("carrier", "frequency_hz", "state")) == plan
