"""What stands in the way of an edition: the same on every page, for exactly what would be published."""

import html
import re

import pytest
from django.http import HttpResponse

from apps.journal.models import Entry
from apps.overview.queries import journal_of
from apps.planning import actions, verdicts
from apps.planning.actions import Selection
from apps.planning.models import Assignment
from apps.publishing.actions import publish
from apps.publishing.models import Edition
from apps.registry.models import Carrier
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/"
EVERYBODY = ["AUD", "VID", "GRD"]
MHZ = 1_000_000
VICTIM, A, B, C, D = (f"AUD-00{number}" for number in range(1, 6))


def text(answer: HttpResponse) -> str:
    return html.unescape(answer.content.decode())


def place(site: Site, code: str, hertz: float) -> None:
    carrier = Carrier.objects.get(code=code)
    actions.change_frequency(
        actor=site.coordinator, carrier=carrier, frequency_hz=int(hertz), reason="by ear"
    )


@pytest.fixture
def site() -> Site:
    """Two pairs of which 2A−B lands on the first carrier (2·510 − 520 = 2·515 − 530 = 500): one is agreed, one proposed."""
    site = make_site()
    register(site.lead, line(quantity=5))
    for code, at in ((VICTIM, 500.1), (A, 510.1), (B, 520.1), (C, 515.1), (D, 530.1)):
        place(site, code, round(at * MHZ))
    actions.approve(actor=site.coordinator, selection=Selection(carriers=(VICTIM, A, B)))
    return site


def sign(site: Site, found: tuple[verdicts.Breach, ...]) -> None:
    for breach in found:
        actions.accept_breach(actor=site.coordinator, breach=breach.key, reason="never together")


def test_what_keeps_an_edition_back_is_listed_where_it_can_be_signed(site: Site) -> None:
    plan, agreed = verdicts.recount(site.event), verdicts.recount(site.event, agreed_only=True)
    in_the_way = agreed.breaches
    assert {frozenset(breach.carriers) for breach in in_the_way} == {frozenset((VICTIM, A, B))}
    # In the whole plan C and D are named for the same.
    assert not {breach.key for breach in in_the_way} & {breach.key for breach in plan.breaches}
    sign(site, plan.breaches)
    boss = site.browser("coordinator")
    page = text(boss.get(f"{BASE}publish/"))
    assert "cannot be published yet" in page
    links = re.findall(r'href="([^"]*\?breach=[^"]*)"', page)
    listed = text(boss.get(f"{BASE}breaches/"))
    assert f"Without a signature: {len(in_the_way)}" in listed and len(links) == len(in_the_way)
    for link, breach in zip(links, in_the_way, strict=True):
        form = text(boss.get(link))
        assert breach.words in page and breach.words in listed and breach.words in form
        assert "In the way of an edition" in form
        boss.post(link, {"do": "accept", "breach": breach.key, "reason": "one at a time", "until": ""})
    assert "cannot be published yet" not in text(boss.get(f"{BASE}publish/"))
    assert publish(actor=site.coordinator).accepted


def test_machines_read_the_same_list(site: Site) -> None:
    rows = site.client("coordinator").get("/api/v1/events/harbour-days/plan/breaches/").json()
    held = [row for row in rows if row["in_edition"]]
    assert {frozenset(row["carriers"]) for row in held} == {frozenset((VICTIM, A, B))}
    assert len(rows) > len(held)


def test_proposed_carriers_that_break_rules_are_no_part_of_an_edition_and_said_to_be_so(site: Site) -> None:
    place(site, A, 511.3 * MHZ)
    place(site, B, 521.7 * MHZ)
    actions.approve(actor=site.coordinator, selection=Selection(carriers=(A, B)))
    page = text(site.browser("coordinator").get(f"{BASE}publish/"))
    assert "Nothing stands in the way of what is agreed" in page
    assert "2 proposed carriers break rules; they are no part of this edition" in page


def test_a_refused_attempt_says_so_first(site: Site) -> None:
    boss = site.browser("coordinator")
    answer = boss.post(f"{BASE}publish/", {"department": EVERYBODY, "note": "", "seen": "x"})
    page = text(answer)
    assert answer.status_code == 422 and not Edition.objects.exists()
    assert page.index("Not published.") < page.index("What stands in the way")
    assert re.search(r"\d broken rules? below needs? another frequency or a signature first", page)


def test_the_question_names_what_was_signed_for(site: Site) -> None:
    sign(site, verdicts.judge(site.event).breaches)
    boss = site.browser("coordinator")
    seen = re.search(r'name="seen" value="([^"]*)"', text(boss.get(f"{BASE}publish/")))
    assert seen
    asked = text(boss.post(f"{BASE}publish/", {"department": EVERYBODY, "note": "", "seen": seen[1]}))
    assert re.search(r"\d broken rules? stays?, signed for", asked) and "never together" in asked


def test_the_event_page_names_broken_rules_first_and_offers_no_publishing(site: Site) -> None:
    boss = site.browser("coordinator")
    tasks = boss.get(BASE).context["tasks"]
    assert re.match(r"\d rules? (is|are) broken without a signature", tasks[0].text)
    assert "Publish" not in [task.action for task in tasks]
    sign(site, verdicts.judge(site.event).breaches)
    tasks = boss.get(BASE).context["tasks"]
    assert "without a signature" not in tasks[0].text
    assert "Publish" in [task.action for task in tasks]


def test_a_frequency_that_breaks_rules_is_saved_with_a_warning(site: Site) -> None:
    boss, address = site.browser("coordinator"), f"{BASE}review/{VICTIM}/"
    given = {
        "frequency_hz": "510.2",
        "reason": "try",
        "version": Assignment.objects.get(carrier__code=VICTIM).version,
    }
    looked = text(boss.post(address, {**given, "do": "look", "shown": ""}))
    shown = re.search(r'name="shown" value="([^"]*)"', looked)
    assert shown
    answer = text(boss.post(address, {**given, "do": "save", "shown": shown[1]}, follow=True))
    warned = re.search(r'alert-warning" role="status">(.*?)</div>', answer, re.DOTALL)
    assert warned and f"{VICTIM} is proposed at 510.2 MHz and breaks" in warned[1]
    assert (
        f"{VICTIM} and {A} are 100 kHz apart" in warned[1]
        or f"{A} and {VICTIM} are 100 kHz apart" in warned[1]
    )
    assert "alert-success" not in answer


def test_approving_without_a_reason_keeps_the_one_that_stood_there(site: Site) -> None:
    actions.approve(actor=site.coordinator, selection=Selection(carriers=(C,)))
    assert Assignment.objects.get(carrier__code=C).reason == "by ear"
    actions.lock(actor=site.coordinator, selection=Selection(carriers=(C,)), reason="promised")
    assert Assignment.objects.get(carrier__code=C).reason == "promised"


def test_a_place_goes_by_its_name(site: Site) -> None:
    breach = verdicts.judge(site.event).breaches[0]
    assert breach.words.startswith("2A−B") and "in Main stage, antennas, made in" in breach.words


def test_one_signature_covers_what_the_same_carriers_do_in_receivers_and_in_transmitters(site: Site) -> None:
    found = verdicts.judge(site.event).agreed.breaches
    # Equally spaced, the outer two suffer alike (2·510.1 − 520.1 = 500.1, 2·510.1 − 500.1 = 520.1), each told for itself.
    assert [breach.carriers[0] for breach in found] in ([VICTIM, B], [B, VICTIM])
    assert all(breach.words.endswith("made in receivers and in transmitters.") for breach in found)
    sign(site, found)
    assert not verdicts.judge(site.event).agreed.standing


def test_a_lead_reads_what_became_of_their_own_and_nothing_of_others(site: Site) -> None:
    register(site.other, line("camera", department="VID", zone="main"))
    place(site, "VID-001", 520.2 * MHZ)
    actions.approve(actor=site.coordinator, selection=Selection(carriers=("VID-001", C)), reason="good")
    actions.lock(actor=site.coordinator, selection=Selection(carriers=("VID-001", C)), reason="agreed")
    actions.unlock(actor=site.coordinator, selection=Selection(carriers=("VID-001", C)), reason="once more")
    found = verdicts.judge(site.event).breaches
    near = next(breach for breach in found if set(breach.carriers) == {B, "VID-001"})
    sign(site, found)
    publish(actor=site.coordinator, note="opening night")
    told = {entry.verb: entry for entry in journal_of(site.lead)}
    assert {"approved", "locked", "unlocked", "accepted a breach", "published"} <= told.keys()
    whole = str([(entry.subject, entry.changes) for entry in journal_of(site.lead)])
    assert "VID" not in whole and "520.2 " not in whole
    words = [
        entry.changes[near.key]["description"][1]
        for entry in journal_of(site.other)
        if near.key in entry.changes
    ]
    assert len(words) == 1 and B not in words[0]
    assert (
        "nother department, Main stage" in words[0] and "VID-001" in words[0] and "100 kHz apart" in words[0]
    )
    in_full = Entry.objects.get(department="", changes__has_key=near.key)
    assert near.words in str(in_full.changes)
