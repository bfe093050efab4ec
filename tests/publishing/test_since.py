"""What moved since the last edition: marked in its row and told on top, on screen, on paper and on the lead's event page."""

import html
import io

import pytest
from pypdf import PdfReader

from apps.planning import actions as planning
from apps.planning import verdicts
from apps.planning.actions import Selection
from apps.planning.outlook import OUTLOOKS
from apps.publishing.actions import publish
from apps.publishing.models import Edition
from apps.registry import actions as registry
from apps.registry.models import Carrier, Registration
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/"


def place(site: Site, code: str, hertz: int) -> None:
    carrier = Carrier.objects.get(code=code)
    planning.change_frequency(actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="by ear")
    planning.approve(actor=site.coordinator, selection=Selection(carriers=(code,)))


@pytest.fixture
def twice() -> Site:
    """Edition 1 held AUD-001 to 003; in edition 2 the first moved, the second stayed, the third is gone, AUD-004 is new."""
    site = make_site()
    for label in ("vocals", "guitar", "speech"):
        register(site.lead, line(label, settings={"pairing key": "1"}))
    register(site.other, line("camera", department="VID", zone="gate"))
    for code, hertz in (("AUD-001", 480_100_000), ("AUD-002", 490_100_000), ("AUD-003", 500_325_000)):
        place(site, code, hertz)
    place(site, "VID-001", 520_100_000)
    publish(actor=site.coordinator)
    place(site, "AUD-001", 481_325_000)
    registry.withdraw(actor=site.lead, registration=Registration.objects.get(label="speech"))
    register(site.lead, line("choir"))
    place(site, "AUD-004", 530_100_000)
    place(site, "VID-001", 521_100_000)
    publish(actor=site.coordinator)
    return site


def test_the_sheet_marks_rows_and_lists_the_changes(twice: Site) -> None:
    answer = twice.browser("lead").get(f"{BASE}sheets/AUD/")
    since = answer.context["since"]
    assert since.edition == 1
    assert since.marks == {"AUD-001/1": "was 480.100", "AUD-004/1": "new"}
    page = html.unescape(answer.content.decode())
    for words in (
        "Changed since edition 1: 3",
        "AUD-001/1 (vocals): frequency was 480.100 MHz, is 481.325 MHz",
        "AUD-004/1 (choir) is new: 530.100 MHz",
        "AUD-003/1 (speech) is gone: it must stay off",
    ):
        assert words in page, words
    assert "camera" not in page and "520.100" not in page


def test_so_does_the_paper_and_the_first_one_marks_nothing(twice: Site) -> None:
    browser = twice.browser("lead")

    def paper(query: str) -> str:
        found = PdfReader(io.BytesIO(browser.get(f"{BASE}sheets/AUD/sheet.pdf{query}").content))
        return " ".join(" ".join(page.extract_text() for page in found.pages).split())

    second = paper("")
    assert "Changed since edition 1: 3" in second and "≠ was 480.100" in second and "≠ new" in second
    assert "Changed since" not in paper("?edition=1")
    machine = twice.client("lead").get("/api/v1/events/harbour-days/editions/2/sheet/?department=AUD&as=pdf")
    assert machine.content == browser.get(f"{BASE}sheets/AUD/sheet.pdf").content


def test_a_part_published_later_is_held_against_what_its_readers_held(twice: Site) -> None:
    place(twice, "VID-001", 522_100_000)
    publish(actor=twice.coordinator, department=twice.department("VID"))
    since = twice.browser("other").get(f"{BASE}sheets/VID/").context["since"]
    assert (since.edition, since.marks) == (2, {"VID-001/1": "was 521.100"})


def test_the_leads_event_page_says_what_moved(twice: Site) -> None:
    page = html.unescape(twice.browser("lead").get(BASE).content.decode())
    assert "edition 2. 3 changes since edition 1: AUD-001/1 was 480.100, AUD-004/1 new" in page


def test_the_line_says_on_which_edition_it_stands(twice: Site) -> None:
    row = Registration.objects.get(label="vocals")
    browser, address = twice.browser("lead"), f"{BASE}devices/{row.pk}/"
    page = html.unescape(browser.get(address).content.decode())
    assert "on edition 2" in page and "not before" not in page
    place(twice, "AUD-001", 482_100_000)
    page = html.unescape(browser.get(address).content.decode())
    assert "edition 2 says 481.325" in page and "What counts is edition 2" in page


def test_publishing_begins_with_the_departments_that_have_something_new(twice: Site) -> None:
    boss = twice.browser("coordinator")

    def chosen() -> list[str]:
        return list(boss.get(f"{BASE}publish/").context["form"]["department"].value())

    assert chosen() == []  # nobody has anything new
    row = Registration.objects.get(label="camera")
    registry.change(actor=twice.other, registration=row, values={"settings": {"pairing key": "77"}})
    assert chosen() == ["VID"]  # another setting is news as well as another frequency
    page = html.unescape(boss.get(f"{BASE}publish/").content.decode())
    assert "What is agreed changes the sheets of Video." in page
    assert "<strong>Video</strong>: 1 change" in page
    place(twice, "AUD-001", 483_100_000)
    assert chosen() == ["AUD", "VID"]


def test_publishing_lists_what_the_sheet_will_list(twice: Site) -> None:
    """Frequencies, settings, spares and hours alike: one way of counting, before the act and after it."""
    line_of = Registration.objects.get
    registry.change(
        actor=twice.lead, registration=line_of(label="vocals"), values={"settings": {"pairing key": "9"}}
    )
    registry.change(actor=twice.lead, registration=line_of(label="guitar"), values={"spares": 1})
    spare = Carrier.objects.get(spare_of__code="AUD-002")
    place(twice, spare.code, 560_100_000)
    before = twice.browser("coordinator").get(f"{BASE}publish/")
    told = {row.department.code: row.since.words for row in before.context["departments"] if row.since}
    publish(actor=twice.coordinator)
    since = twice.browser("lead").get(f"{BASE}sheets/AUD/").context["since"]
    assert told["AUD"] == since.words and told["VID"] == () and len(since.words) == 3
    page = html.unescape(before.content.decode())
    assert "<strong>Audio</strong>: 3 changes" in page
    assert all(words in page for words in since.words)


def test_a_spare_says_whom_it_serves_and_that_it_stays_off(twice: Site) -> None:
    registry.change(
        actor=twice.lead, registration=Registration.objects.get(label="guitar"), values={"spares": 1}
    )
    spare = Carrier.objects.get(spare_of__code="AUD-002")
    place(twice, spare.code, 560_100_000)
    publish(actor=twice.coordinator)
    browser = twice.browser("lead")
    said = "spare for AUD-002: stays off until it is needed"
    assert said in browser.get(f"{BASE}sheets/AUD/").content.decode()
    paper = PdfReader(io.BytesIO(browser.get(f"{BASE}sheets/AUD/sheet.pdf").content))
    assert said in " ".join(" ".join(page.extract_text() for page in paper.pages).split())
    unit = spare.units.get()
    assert said in browser.get(f"/u/{unit.key}/").content.decode()


def test_worse_prospects_are_news_for_whoever_did_not_move(twice: Site) -> None:
    """Two more frequencies make 2A−B land on one that stays: its holder hears of it, on Publish and on the next sheet."""
    boss = twice.browser("coordinator")

    def outlook(edition: int) -> str:
        line_of = Edition.objects.get(number=edition).lines.get(carrier="AUD-002")
        return str(line_of.content["outlook"])

    register(twice.other, line("second", department="VID"), line("third", department="VID"))
    for code, hertz in (("VID-002", 490_500_000), ("VID-003", 490_900_000)):  # 2 · 490.5 − 490.9 = 490.1
        place(twice, code, hertz)
    for breach in verdicts.recount(twice.again("coordinator").event, agreed_only=True).breaches:
        planning.accept_breach(actor=twice.coordinator, breach=breach.key, reason="they never play together")
    page = html.unescape(boss.get(f"{BASE}publish/").content.decode())
    told = f"AUD-002/1 (guitar): the model's word was «{outlook(2)}», is «"
    assert told in page and "changes the sheets of Audio" in page
    publish(actor=twice.coordinator)
    assert OUTLOOKS.index(outlook(3)) < OUTLOOKS.index(outlook(2))
    since = twice.browser("lead").get(f"{BASE}sheets/AUD/").context["since"]
    assert since.marks["AUD-002/1"] == "changed: the model's word"
    assert any(words.startswith(told) for words in since.words)
