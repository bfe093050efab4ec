"""Sheets on screen, their files, and the live page behind a device's QR code."""

import csv
import html
import io
import json
import re
from datetime import UTC, datetime

import pytest
from django.test import Client
from pypdf import PdfReader

from apps.events import actions as events
from apps.planning import actions as planning
from apps.planning import verdicts
from apps.planning.actions import Selection
from apps.publishing import queries, rendering
from apps.publishing.actions import publish
from apps.publishing.models import Edition, EditionLine
from apps.registry import actions as registry
from apps.registry.models import Carrier, Registration, Unit
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
REPORTS = "/e/harbour-days/reports/"
BASE = "/e/harbour-days/sheets/"
FIRST, SECOND = 480_100_000, 502_325_000


@pytest.fixture
def site() -> Site:
    return make_site()


def place(site: Site, code: str, hertz: int, *, agreed: bool = True) -> None:
    carrier = Carrier.objects.get(code=code)
    planning.change_frequency(actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="by ear")
    if agreed:
        planning.approve(actor=site.coordinator, selection=Selection(carriers=(code,)))


@pytest.fixture
def published(site: Site) -> Site:
    """Edition 1: a microphone of audio, one of audio without frequency, one of video, one of guest protection."""
    register(
        site.coordinator, line(contact="Ada, 0660", settings={"pairing key": "4711"}), line("spare lectern"),
        line("camera", department="VID", zone="gate"), line("close protection", department="GRD", zone="gate"),
    )  # fmt: skip
    place(site, "AUD-001", FIRST)
    place(site, "VID-001", 520_100_000)
    place(site, "GRD-001", 545_100_000)
    publish(actor=site.coordinator, note="first")
    return site


def key_of(code: str) -> str:
    return Unit.objects.get(carrier__code=code).key


# -- sheets ---------------------------------------------------------------------------------


def test_before_anything_is_published_the_page_says_what_to_do(site: Site) -> None:
    assert "keep transmitters off" in site.browser("lead").get(BASE).content.decode()
    assert "To publishing" in site.browser("coordinator").get(BASE).content.decode()
    page = site.browser("lead").get(f"{BASE}AUD/")
    assert (page.status_code, "transmitters stay off" in page.content.decode()) == (200, True)
    assert site.browser("lead").get(f"{BASE}AUD/sheet.pdf").status_code == 404


def test_a_lead_holds_the_sheet_of_their_department(published: Site) -> None:
    page = published.browser("lead").get(f"{BASE}AUD/").content.decode()
    for text in (
        "480.100",
        "AUD-001/1",
        "pairing key: <strong>4711",
        "This edition counts",
        "Must stay off",
        "spare lectern",
    ):
        assert text in page, text
    for secret in ("520.100", "545.100", "camera", "close protection"):
        assert secret not in page, secret


def test_cautions_stand_on_every_door_to_a_sheet(published: Site) -> None:
    """Licence, distress, exposure, and that a model is no measurement: on pages, files and what a QR code opens."""
    browser, key = published.browser("lead"), key_of("AUD-001")
    for path in (f"{BASE}AUD/", f"{BASE}AUD/{key}/", f"{BASE}zone/main/", f"/u/{key}/"):
        page = html.unescape(browser.get(path).content.decode())
        for caution in rendering.OWN_CAUTIONS:
            assert caution in page, (path, caution)
    data = json.loads(browser.get(f"{BASE}AUD/sheet.json").content)
    assert set(rendering.OWN_CAUTIONS) <= set(data["cautions"])
    rows = csv.DictReader(io.StringIO(browser.get(f"{BASE}AUD/sheet.csv").content.decode()))
    on, off = [row["caution"] for row in rows]
    assert "only with the licence" in on and "predicts medians" in on
    assert off == rendering.STAY_OFF
    printed = PdfReader(io.BytesIO(browser.get(f"{BASE}AUD/sheet.pdf").content))
    words = " ".join(" ".join(page.extract_text().split()) for page in printed.pages)
    assert all(caution in words for caution in rendering.OWN_CAUTIONS)


@pytest.fixture
def long_sheet(site: Site) -> Site:
    """Nine microphones of audio: four on Friday evening into the night, four on Saturday, one all day; and one left off."""
    friday = {"start": "2027-06-11T20:00", "end": "2027-06-12T01:00"}
    saturday = {"start": "2027-06-12T20:00", "end": "2027-06-13T00:00"}
    register(
        site.coordinator, line("choir", quantity=4, **friday), line("soloists", quantity=4, **saturday), line("host"),
        line("without room"),
    )  # fmt: skip
    for number in range(1, 10):
        place(site, f"AUD-00{number}", 480_100_000 + number * number * 1_000_000)
    publish(actor=site.coordinator)
    return site


@pytest.mark.parametrize(
    ("asked", "labels"),
    [
        ({}, {"choir", "soloists", "host"}),
        ({"day": "2027-06-11"}, {"choir", "host"}),
        ({"day": "2027-06-12"}, {"choir", "soloists", "host"}),  # the choir sings until one in the morning
        ({"day": "2027-06-13"}, {"host"}),  # the soloists end at midnight, when it begins
        ({"day": "2027-06-13", "text": "CHOIR"}, set()),
        ({"text": "soloists microphone"}, {"soloists"}),
        ({"text": "481.1"}, {"choir"}),
        ({"text": "nobody"}, set()),
    ],
)
def test_a_sheet_is_searched_by_day_and_words_and_the_address_keeps_it(
    long_sheet: Site, asked: dict[str, str], labels: set[str]
) -> None:
    browser = long_sheet.browser("lead")
    for path in ("AUD/", "zone/main/"):
        answer = browser.get(BASE + path, asked)
        page = answer.content.decode()
        assert {row.label for row in answer.context["found"].lines} == labels
        for label in ("choir", "soloists", "host"):
            assert (f"<br>{label}<br>" in page.replace('<span class="fb-plain">', "<br>")) == (
                label in labels
            )
            assert ("of 9 devices" in page) == (labels != {"choir", "soloists", "host"})
        assert "Must stay off" in page, "whatever is searched"
        assert "without room" in page
    data = json.loads(browser.get(f"{BASE}AUD/sheet.json", asked).content)
    assert len(data["rows"]) == 10, "a file stays whole"


def test_a_search_is_for_long_sheets_and_jumps_to_each_line_of_a_long_zone(long_sheet: Site) -> None:
    page = long_sheet.browser("lead").get(f"{BASE}AUD/").content.decode()
    for code, label in (("aud-0011", "choir"), ("aud-0051", "soloists"), ("aud-0091", "host")):
        assert f'<a href="#{code}">{label}</a>' in page
        assert f'<tr id="{code}">' in page
    assert 'role="search"' in page
    # Going back asks the service again: no copy of a sheet, with its keys, stays in the browser's storage.
    assert '"historyCacheSize": 0, "refreshOnHistoryMiss": true' in page
    place(long_sheet, "AUD-001", FIRST)
    for number in range(2, 10):
        planning.clear_frequency(
            actor=long_sheet.coordinator, carrier=Carrier.objects.get(code=f"AUD-00{number}"), reason="test"
        )
    publish(actor=long_sheet.coordinator)
    assert 'role="search"' not in long_sheet.browser("lead").get(f"{BASE}AUD/").content.decode()


def test_what_changed_leads_to_its_device(published: Site) -> None:
    place(published, "AUD-001", SECOND)
    register(published.coordinator, line("gone again"))
    publish(actor=published.coordinator)
    browser = published.browser("lead")
    page = browser.get(f"{BASE}AUD/").content.decode()
    address = f"{BASE}AUD/{key_of('AUD-001')}/"
    assert f'<a href="{address}">AUD-001/1 (lead vocals): frequency was 480.100 MHz' in page
    assert "was 480.100" in browser.get(address).content.decode()


@pytest.mark.parametrize(
    ("who", "department", "status"),
    [
        ("lead", "VID", 404), ("lead", "GRD", 404), ("observer", "VID", 200), ("observer", "GRD", 404),
        ("desk", "GRD", 200), ("coordinator", "GRD", 200), ("stranger", "AUD", 404), ("guard", "GRD", 200),
    ],
)  # fmt: skip
def test_who_reads_whose_sheet(published: Site, who: str, department: str, status: int) -> None:
    key = key_of(f"{department}-001")
    browser = published.browser(who)
    for path in ("", "sheet.pdf", "sheet.csv", "sheet.json", f"{key}/", f"{key}/page.pdf"):
        assert browser.get(f"{BASE}{department}/{path}").status_code == status, path


def test_the_files_hold_what_the_page_holds(published: Site) -> None:
    browser = published.browser("lead")
    rows = list(csv.DictReader(io.StringIO(browser.get(f"{BASE}AUD/sheet.csv").content.decode())))
    assert [(row["carrier"], row["frequency_mhz"]) for row in rows] == [
        ("AUD-001", "480.100"),
        ("AUD-002", ""),
    ]
    data = json.loads(browser.get(f"{BASE}AUD/sheet.json").content)
    assert [row["frequency_hz"] for row in data["rows"]] == [FIRST, None]
    for path in ("AUD/sheet.pdf", f"AUD/{key_of('AUD-001')}/page.pdf"):
        assert browser.get(BASE + path).content.startswith(b"%PDF-")
    assert browser.get(f"{BASE}AUD/sheet.docx").status_code == 404


def test_devices_set_the_same_share_a_row_until_one_of_them_is_new(published: Site) -> None:
    carrier = Carrier.objects.get(code="AUD-001")
    for number in range(2, 12):
        Unit.objects.create(carrier=carrier, number=number)
    publish(actor=published.coordinator)
    page = published.browser("lead").get(f"{BASE}AUD/")
    (zone,) = page.context["zones"]
    first, second = zone.rows  # the one that was on edition 1, and those that are new
    assert (zone.count, first.line.unit, first.others) == (11, "AUD-001/1", [])
    assert [row.number for row in (second, *second.others)] == [str(number) for number in range(2, 12)]
    told = page.content.decode()
    assert "and 9 more, set the same" in told
    for unit in Unit.objects.filter(carrier=carrier):
        assert f'href="{BASE}AUD/{unit.key}/"' in told
        assert told.count(f'id="aud-001{unit.number}"') == 1  # where links to what changed lead
    publish(actor=published.coordinator)
    (zone,) = published.browser("lead").get(f"{BASE}AUD/").context["zones"]
    assert [len(row.others) for row in zone.rows] == [10]


def test_an_older_edition_says_that_it_was_replaced(published: Site) -> None:
    place(published, "AUD-001", SECOND)
    publish(actor=published.coordinator)
    browser = published.browser("lead")
    old = browser.get(f"{BASE}AUD/", {"edition": "1"}).content.decode()
    assert ("480.100" in old, "edition 2 counts now" in old) == (True, True)
    new = browser.get(f"{BASE}AUD/").content.decode()
    assert "502.325" in new and "was 480.100" in new
    assert browser.get(f"{BASE}AUD/", {"edition": "9"}).status_code == 404
    assert browser.get(f"{BASE}AUD/", {"edition": "x"}).status_code == 404


def test_a_part_for_one_department_counts_for_it_alone(published: Site) -> None:
    place(published, "AUD-001", SECOND)
    publish(actor=published.coordinator, department=published.department("AUD"))
    assert "edition 2" in published.browser("lead").get(f"{BASE}AUD/").content.decode()
    page = published.browser("other").get(f"{BASE}VID/").content.decode()
    assert ("Edition 1" in page, "This edition counts" in page) == (True, True)
    assert published.browser("other").get(f"{BASE}VID/", {"edition": "2"}).status_code == 404
    home = BASE.removesuffix("sheets/")
    for who, told in (("lead", "published, edition 2"), ("other", "published, edition 1")):
        assert told in published.browser(who).get(home).content.decode()
    assert "published, newest edition 2" in published.browser("coordinator").get(home).content.decode()


def test_a_zones_page_holds_what_the_reader_may_see_of_it(published: Site) -> None:
    desk = published.browser("desk").get(f"{BASE}zone/gate/").content.decode()
    assert ("camera" in desk, "close protection" in desk) == (True, True)
    observed = published.browser("observer").get(f"{BASE}zone/gate/").content.decode()
    assert ("camera" in observed, "close protection" in observed, "545.100" in observed) == (
        True,
        False,
        False,
    )
    assert "camera" not in published.browser("lead").get(f"{BASE}zone/gate/").content.decode()
    assert published.browser("desk").get(f"{BASE}zone/nowhere/").status_code == 404


def test_a_sheet_takes_the_same_number_of_queries_with_few_devices_and_many(
    site: Site, django_assert_max_num_queries
) -> None:
    register(site.lead, line("first"))
    place(site, "AUD-001", FIRST)
    for _ in range(2):  # from the second edition on, a sheet says what changed since the one before
        publish(actor=site.coordinator)
    browser = site.browser("lead")
    with django_assert_max_num_queries(18) as few:
        browser.get(f"{BASE}AUD/")
    register(site.lead, *(line(f"more {number}", quantity=2) for number in range(30)))
    publish(actor=site.coordinator)
    with django_assert_max_num_queries(len(few)):
        assert "AUD-060/1" in browser.get(f"{BASE}AUD/").content.decode()


# -- behind the QR --------------------------------------------------------------------------


def test_the_live_page_needs_no_log_in_and_tells_no_more_than_the_device_needs(
    published: Site, client: Client
) -> None:
    answer = client.get(f"/u/{key_of('AUD-001')}/", {"e": "1"})
    page = answer.content.decode()
    assert answer["Cache-Control"] == "no-store"
    for text in ("480.100", "to report trouble", "Your paper counts", "spare", "Never transmit on distress"):
        assert text.lower() in page.lower(), text
    for secret in ("Ada", "0660", "4711", "AUD-002", "camera", "Audio"):
        assert secret not in page, secret


def test_an_unknown_key_is_404_and_says_nothing(published: Site, client: Client) -> None:
    answer = client.get("/u/no-such-key/")
    assert answer.status_code == 404
    assert "Harbour" not in answer.content.decode()


def test_replaced_paper_says_by_what_and_what_changed(published: Site, client: Client) -> None:
    key = key_of("AUD-001")
    place(published, "AUD-001", SECOND)
    publish(actor=published.coordinator)
    page = client.get(f"/u/{key}/", {"e": "1"}).content.decode()
    assert "Your paper was replaced" in page
    assert "edition 2 counts since" in page
    assert '<span class="fb-old">480.100 MHz</span>' in page
    assert '<span class="fb-new">502.325 MHz</span>' in page
    assert "Your paper counts" in client.get(f"/u/{key}/", {"e": "2"}).content.decode()
    untold = client.get(f"/u/{key}/").content.decode()
    assert "Edition 2 counts" in untold
    for odd in ("1' or 1", "99", "0", "9" * 40):
        page = client.get(f"/u/{key}/", {"e": odd}).content.decode()
        assert ("Edition 2 counts" in page, "Your paper" in page) == (True, False), odd


def test_whom_to_call_stands_on_the_live_page_at_once_and_on_the_next_sheets(
    published: Site, client: Client
) -> None:
    events.change_event(actor=published.coordinator, event=published.event, contact_on_site="radio channel 1")
    assert "radio channel 1" in client.get(f"/u/{key_of('AUD-001')}/").content.decode()
    lead = published.browser("lead")
    assert "radio channel 1" not in lead.get(f"{BASE}AUD/").content.decode()
    publish(actor=published.coordinator)
    assert "radio channel 1" in lead.get(f"{BASE}AUD/").content.decode()


def test_beside_the_device_one_may_call_and_whoever_may_report_does(published: Site, client: Client) -> None:
    said = "<desk>, channel 12 (555 0100) or +43 (0)1 5550-101, on 446.00625"
    events.change_event(actor=published.coordinator, event=published.event, contact_on_site=said)
    address = f"/u/{key_of('AUD-001')}/?e=1"
    page = client.get(address).content.decode()
    assert (
        '&lt;desk&gt;, channel 12 (<a href="tel:5550100">555 0100</a>) or '
        '<a href="tel:+4315550101">+43 (0)1 5550-101</a>, on 446.00625</strong>'
    ) in page
    assert "Report trouble" not in page
    prefilled = f'href="{REPORTS}?carrier=AUD-001"'
    told = {
        who: published.browser(who).get(address).content.decode() for who in ("lead", "other", "observer")
    }
    assert [prefilled in page for page in told.values()] == [True, False, False]
    assert f'href="{REPORTS}"' in told["other"]
    assert "Report trouble" not in told["observer"]


def test_a_proposal_is_not_yet_on_the_live_page(published: Site, client: Client) -> None:
    place(published, "AUD-001", SECOND)
    page = client.get(f"/u/{key_of('AUD-001')}/", {"e": "1"}).content.decode()
    assert ("480.100" in page, "502.325" in page, "Your paper counts" in page) == (True, False, True)


def test_a_device_without_frequency_or_gone_from_the_plan_must_stay_off(
    published: Site, client: Client
) -> None:
    assert "stay off" in client.get(f"/u/{key_of('AUD-002')}/").content.decode()
    key = key_of("VID-001")
    registry.withdraw(actor=published.other, registration=Registration.objects.get(label="camera"))
    publish(actor=published.coordinator)
    page = client.get(f"/u/{key}/", {"e": "1"}).content.decode()
    assert "no longer in the plan" in page
    assert "520.100" not in page


def test_before_it_is_published_a_device_must_stay_off(site: Site, client: Client) -> None:
    register(site.lead, line("secret name"))
    page = client.get(f"/u/{key_of('AUD-001')}/").content.decode()
    assert "Nothing is published for this device yet" in page
    assert "secret name" not in page


def test_a_confidential_device_opens_only_for_who_may_see_it(published: Site, client: Client) -> None:
    path = f"/u/{key_of('GRD-001')}/?e=1"
    answer = client.get(path)
    assert answer.status_code == 302
    assert answer["Location"].startswith("/login/?next=/u/")
    for who, status in (
        ("lead", 404),
        ("observer", 404),
        ("stranger", 404),
        ("guard", 200),
        ("desk", 200),
        ("coordinator", 200),
    ):
        found = published.browser(who).get(path)
        assert (found.status_code, "545.100" in found.content.decode()) == (status, status == 200), who


def test_the_code_on_paper_names_the_edition(published: Site) -> None:
    edition = Edition.objects.get()
    line_of = queries.sheet_line(edition.lines.get(carrier="AUD-001"))
    assert rendering.live_address(queries.header_of(edition), line_of).endswith(
        f"/u/{key_of('AUD-001')}/?e=1"
    )


def test_settings_behind_the_code_are_for_those_who_may_see_the_sheet(
    published: Site, client: Client
) -> None:
    row = Registration.objects.get(settings={"pairing key": "4711"})
    registry.change(
        actor=published.coordinator, registration=row, values={"settings": {"pairing key": "8822"}}
    )
    publish(actor=published.coordinator)
    path = f"/u/{key_of('AUD-001')}/?e=1"
    for page in (client.get(path).content.decode(), published.browser("other").get(path).content.decode()):
        assert "4711" not in page and "8822" not in page
        assert "Match at both ends" not in page and "480.100" in page
    stranger = client.get(path).content.decode()
    # Two: the kind's setting at one end is asked for as well.
    told = "Log in to see the 2 settings (1 not filled in yet) and to report trouble."
    assert re.sub("<[^>]+>", "", stranger).count(told) == 1
    assert stranger.count("?next=") == 1, "said once"
    assert "Its settings show to its department" in published.browser("other").get(path).content.decode()
    own = published.browser("lead").get(path).content.decode()
    assert "8822" in own and "4711" in own and "to see the" not in own


def test_what_must_match_at_both_ends_stands_first_and_apart(published: Site, client: Client) -> None:
    said = {"buzzer": "-3", "low cut": "80 Hz", "pairing key": ""}
    row = Registration.objects.get(settings={"pairing key": "4711"})
    registry.change(actor=published.coordinator, registration=row, values={"settings": said})
    publish(actor=published.coordinator)
    for where, text in papers(published, "lead", "AUD-001").items():
        expected = [
            "match at both ends",
            "pairing key",
            "________",
            "at one end",
            "low cut",
            "further",
            "buzzer",
        ]
        places = [text.lower().rindex(words) for words in expected]
        assert places == sorted(places), (where, places)
    browser = published.browser("lead")
    held, _ = csv.DictReader(io.StringIO(browser.get(f"{BASE}AUD/sheet.csv").content.decode()))
    assert held["settings"] == "pairing key=; low cut=80 Hz; buzzer=-3"
    assert (held["at_one_end"], held["further"]) == ("low cut", "buzzer")
    data = json.loads(browser.get(f"{BASE}AUD/sheet.json").content)["rows"][0]
    assert data["settings"] == {"pairing key": "", "low cut": "80 Hz", "buzzer": "-3"}
    assert (data["at_one_end"], data["further"]) == (["low cut"], ["buzzer"])
    behind = client.get(f"/u/{key_of('AUD-001')}/").content.decode()
    told = "Log in to see the 3 settings (1 not filled in yet) and to report trouble."
    assert told in re.sub("<[^>]+>", "", behind)
    assert "80 Hz" not in behind
    device = browser.get(f"{BASE}AUD/{key_of('AUD-001')}/").content.decode()
    order = [
        device.index(words) for words in ("Match at both ends", "Spare</dt>", "At one end", "Everything else")
    ]
    assert order == sorted(order), "what cannot wait first"


def test_an_edition_from_before_the_two_were_told_apart_reads_as_it_did(published: Site) -> None:
    """Its lines hold pairs alone, all of which had to match at both ends."""
    for frozen in EditionLine.objects.all():
        del frozen.content["at_one_end"], frozen.content["further"]
        frozen.save()
    for where, text in papers(published, "lead", "AUD-001").items():
        assert "4711" in text and "low cut" in text and "at one end" not in text.lower(), where
    page = published.client("lead").get("/api/v1/events/harbour-days/editions/1/sheet/?department=AUD&as=csv")
    row = next(csv.DictReader(io.StringIO(page.content.decode())))
    assert (row["at_one_end"], row["further"]) == ("", "")


def text_of(paper: bytes) -> str:
    return " ".join("\n".join(page.extract_text() for page in PdfReader(io.BytesIO(paper)).pages).split())


def papers(site: Site, who: str, code: str) -> dict[str, str]:
    """What each paper of a department says of one carrier: the sheet and the device, on screen and in print."""
    browser, key = site.browser(who), key_of(code)
    department = code.rsplit("-", 1)[0]
    return {
        "page": html.unescape(browser.get(f"{BASE}{department}/").content.decode()),
        "paper": text_of(browser.get(f"{BASE}{department}/sheet.pdf").content),
        "device": html.unescape(browser.get(f"{BASE}{department}/{key}/").content.decode()),
        "device on paper": text_of(browser.get(f"{BASE}{department}/{key}/page.pdf").content),
    }


def test_notes_and_margin_stand_on_screen_and_on_paper(published: Site) -> None:
    Registration.objects.filter(settings={"pairing key": "4711"}).update(notes="left rack, top")
    publish(actor=published.coordinator)
    for where, text in papers(published, "lead", "AUD-001").items():
        assert "left rack, top" in text, where
        assert "when everything is at its worst" in text, where
        assert any(word in text for word in ("fine", "test at rehearsal", "expect trouble")), where


def test_the_page_of_one_device_says_unit_date_and_when_to_stay_off(published: Site) -> None:
    text = papers(published, "lead", "AUD-001")["device on paper"]
    assert "480.100 MHz" in text and "edition 1, published" in text and "Europe/Vienna" in text
    assert "If this sheet was replaced" in text


def test_accepted_breaches_stand_on_all_sheets_that_they_concern(published: Site) -> None:
    register(published.other, line("stage camera", department="VID", zone="main"))
    place(published, "VID-002", FIRST + 100_000)
    breach = next(row for row in verdicts.judge(published.event).agreed.breaches if "VID-002" in row.carriers)
    until = datetime(
        2030, 6, 12, 16, tzinfo=UTC
    )  # 18:00 in Vienna, where summer time is two hours ahead of UTC
    planning.accept_breach(
        actor=published.coordinator, breach=breach.key, reason="one act at a time", until=until
    )
    publish(actor=published.coordinator)
    for who, code, other in (("lead", "AUD-001", "VID-002"), ("other", "VID-002", "AUD-001")):
        for where, text in papers(published, who, code).items():
            assert "accepted by Coordinator until Wed 12 Jun 2030 18:00" in text, (
                who,
                where,
            )
            assert "nother department, Main stage" in text and "100 kHz apart" in text, (who, where)
            assert "expect to hear each other" in text and "one act at a time" in text
            assert other not in text, (who, where)
    zone = published.browser("coordinator").get(f"{BASE}zone/main/").content.decode()
    assert zone.count("expect to hear each other") == 2


def test_the_table_tells_hours_on_the_events_clock(published: Site) -> None:
    start, end = datetime(2027, 6, 11, 16, tzinfo=UTC), datetime(2027, 6, 11, 20, tzinfo=UTC)
    Registration.objects.filter(settings={"pairing key": "4711"}).update(starts_at=start, ends_at=end)
    publish(actor=published.coordinator)
    table = published.browser("lead").get(f"{BASE}AUD/sheet.csv").content.decode()
    row = next(row for row in csv.DictReader(io.StringIO(table)) if row["carrier"] == "AUD-001")
    assert (row["starts_at"], row["timezone"]) == ("2027-06-11T18:00:00+02:00", "Europe/Vienna")
