"""Calendars in and out, against RFC 5545's own examples and against a second library (ics) on the other side."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import ics
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar
from rest_framework.test import APIClient

from apps.common.errors import Conflict, Faulty, Forbidden
from apps.events.models import Event
from apps.registry import actions
from apps.registry.calendars import Rule, Target, read_calendar
from apps.registry.models import Feed, Registration, Upload
from tests.registry.test_pages import hidden, text
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what files write runs on every database by its own tests
BASE = "/e/harbour-days/calendars/"
VIENNA = ZoneInfo("Europe/Vienna")
NEW_YORK = ZoneInfo("America/New_York")


@pytest.fixture
def site() -> Site:
    return make_site()


def calendar(*entries: str, head: str = "") -> bytes:
    """A calendar around entries, in the line ends of RFC 5545, 3.1."""
    inner = "".join(
        f"BEGIN:VEVENT\nDTSTAMP:20270101T000000Z\n{entry.strip()}\nEND:VEVENT\n" for entry in entries
    )
    whole = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//example//EN\n{head}{inner}END:VCALENDAR\n"
    return whole.replace("\n", "\r\n").encode()


def event(first: date, last: date, zone: str = "America/New_York") -> Event:
    return Event(timezone=zone, starts_on=first, ends_on=last)


JUNE = event(date(2027, 6, 11), date(2027, 6, 13), "Europe/Vienna")


def local(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2027, 6, day, hour, minute, tzinfo=VIENNA)


# -- reading: RFC 5545 ----------------------------------------------------------------------

NINE = "DTSTART;TZID=America/New_York:19970902T090000"


@pytest.mark.parametrize(
    ("start", "rule", "days"),
    [
        # RFC 5545, 3.8.5.3, its examples in their order (from memory of its text), each with the dates that it lists.
        (NINE, "RRULE:FREQ=DAILY;COUNT=10", [(1997, 9, d) for d in range(2, 12)]),
        (
            "DTSTART;TZID=America/New_York:19970901T090000",
            "RRULE:FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
            [(1997, 9, d) for d in (1, 3, 5, 15, 17, 19, 29)] + [(1997, 10, d) for d in (1, 3, 13, 15, 17, 27, 29, 31)]
            + [(1997, 11, d) for d in (10, 12, 14, 24, 26, 28)] + [(1997, 12, d) for d in (8, 10, 12, 22)],
        ),
        (
            NINE, "RRULE:FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH",
            [(1997, 9, d) for d in (2, 4, 16, 18, 30)] + [(1997, 10, d) for d in (2, 14, 16)],
        ),
        (
            "DTSTART;TZID=America/New_York:19970905T090000", "RRULE:FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
            [(1997, 9, 5), (1997, 10, 3), (1997, 11, 7), (1997, 12, 5)],
        ),
        ("DTSTART;TZID=America/New_York:19970904T090000", "RRULE:FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3",
            [(1997, 9, 4), (1997, 10, 7), (1997, 11, 6)]),
        ("DTSTART;TZID=America/New_York:19970805T090000", "RRULE:FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO",
            [(1997, 8, 5), (1997, 8, 10), (1997, 8, 19), (1997, 8, 24)]),
        ("DTSTART;TZID=America/New_York:19970805T090000", "RRULE:FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU",
            [(1997, 8, 5), (1997, 8, 17), (1997, 8, 19), (1997, 8, 31)]),
    ],
)  # fmt: skip
def test_series_repeat_as_the_examples_of_rfc_5545_do(start: str, rule: str, days: list) -> None:
    """The hours stay at nine local, also after the clocks went back on 26 October 1997."""
    found = read_calendar(
        calendar(f"UID:a\n{start}\nDURATION:PT1H\n{rule}"), event(date(1997, 7, 1), date(1997, 12, 31))
    )
    wanted = [datetime(*day, 9, tzinfo=NEW_YORK) for day in days]
    assert [one.hours for one in found] == [(at, at.astimezone(UTC) + timedelta(hours=1)) for at in wanted]


def test_the_time_zone_that_the_file_describes_counts() -> None:
    """The VTIMEZONE of RFC 5545, 3.6.5 (New York since 1967, shortened to its last rules), under a name that nobody knows."""
    zone = """BEGIN:VTIMEZONE
TZID:Somewhere of our own
BEGIN:DAYLIGHT
DTSTART:19870405T020000
RRULE:FREQ=YEARLY;BYDAY=1SU;BYMONTH=4
TZOFFSETFROM:-0500
TZOFFSETTO:-0400
TZNAME:EDT
END:DAYLIGHT
BEGIN:STANDARD
DTSTART:19671029T020000
RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10
TZOFFSETFROM:-0400
TZOFFSETTO:-0500
TZNAME:EST
END:STANDARD
END:VTIMEZONE
"""
    entry = "UID:a\nDTSTART;TZID=Somewhere of our own:20270611T120000\nDTEND;TZID=Somewhere of our own:20270611T130000"
    (one,) = read_calendar(calendar(entry, head=zone), JUNE)
    assert one.hours and one.hours[0] == datetime(2027, 6, 11, 16, tzinfo=UTC)


SERIES = """UID:show
SUMMARY:Show
DTSTART;TZID=Europe/Vienna:20270611T200000
DTEND;TZID=Europe/Vienna:20270611T230000
RRULE:FREQ=DAILY;COUNT=3"""


def test_what_is_taken_out_moved_or_cancelled_is_so() -> None:
    """EXDATE (3.8.5.1), an exception under RECURRENCE-ID (3.8.4.4) at another time, one with STATUS:CANCELLED (3.8.1.11)."""
    moved = "UID:show\nSUMMARY:Matinee\nRECURRENCE-ID;TZID=Europe/Vienna:20270612T200000\nDTSTART;TZID=Europe/Vienna:20270612T150000\nDTEND;TZID=Europe/Vienna:20270612T170000"  # noqa: E501
    gone = "UID:show\nRECURRENCE-ID;TZID=Europe/Vienna:20270613T200000\nDTSTART;TZID=Europe/Vienna:20270613T200000\nSTATUS:CANCELLED"  # noqa: E501
    found = read_calendar(calendar(SERIES, moved, gone), JUNE)
    assert [(one.name, one.cancelled) for one in found][:2] == [("Show", False), ("Matinee", False)]
    assert [one.hours for one in found][:2] == [
        (local(11, 20), local(11, 23)),
        (local(12, 15), local(12, 17)),
    ]
    assert found[2].cancelled and len(found) == 3
    without = read_calendar(calendar(SERIES + "\nEXDATE;TZID=Europe/Vienna:20270612T200000"), JUNE)
    assert [one.hours[0].day for one in without if one.hours] == [11, 13]
    # A calendar may cancel all it holds (RFC 5546, 3.2.5).
    assert all(one.cancelled for one in read_calendar(calendar(SERIES, head="METHOD:CANCEL\n"), JUNE))


def test_times_of_no_zone_and_whole_days_are_local_to_the_event() -> None:
    """Floating times: RFC 5545, 3.3.5, form 1. A day without an end is a whole one: 3.6.1."""
    found = read_calendar(
        calendar(
            "UID:a\nDTSTART:20270611T200000\nDTEND:20270611T220000", "UID:b\nDTSTART;VALUE=DATE:20270612"
        ),
        JUNE,
    )
    assert [one.hours for one in found] == [(local(11, 20), local(11, 22)), (local(12, 0), local(13, 0))]


@pytest.mark.parametrize(
    ("entry", "field", "said"),
    [
        ("SUMMARY:x", "DTSTART", "no start"),
        ("DTSTART:soon", "DTSTART", "Cannot be read"),
        ("DTSTART:20270611T200000Z", "DTEND", "no end"),
        ("DTSTART:20270611T200000Z\nDTEND:20270611T190000Z", "DTEND", "ends before it starts"),
        ("DTSTART;TZID=Nowhere/Land:20270611T200000\nDURATION:PT1H", "TZID", "neither described"),
        ("DTSTART:20270611T200000Z\nDURATION:PT1H\nRRULE:FREQ=SOMETIMES", "RRULE", "Cannot be read"),
        ("DTSTART:20270611T200000Z\nDURATION:PT1S\nRRULE:FREQ=SECONDLY", "RRULE", "times a day"),
        ("DTSTART:20270611T200000Z\nDTEND;VALUE=DATE:20270612", "DTEND", "the other a time"),
    ],
)
def test_an_entry_that_makes_no_sense_is_named_and_the_others_stay(entry: str, field: str, said: str) -> None:
    good = "UID:good\nDTSTART:20270611T180000Z\nDURATION:PT1H"
    found = read_calendar(calendar(f"UID:bad\n{entry}", good), JUNE)
    assert [fault.field for fault in found[0].faults] == [field]
    assert said in found[0].faults[0].message and found[0].faults[0].row == 1
    assert found[1].hours == (local(11, 20), local(11, 21)) and not found[1].faults


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no iCalendar file"),
        (b"label,kind\r\n", "no calendar|no iCalendar"),
        (calendar(), "no entry"),
        (b"BEGIN:VCARD\r\nVERSION:4.0\r\nFN:x\r\nEND:VCARD\r\n", "no iCalendar|no calendar"),
        (
            calendar(*[f"UID:{n}\nDTSTART:20270611T180000Z\nDURATION:PT1H" for n in range(2001)]),
            "At most 2,000",
        ),
        (calendar("UID:a\nDTSTART:19000611T180000Z\nDURATION:PT1H\nRRULE:FREQ=HOURLY"), "repeat too often"),
    ],
    ids=["empty", "list", "no entry", "address book", "too many", "too often"],
)
def test_a_file_that_is_no_calendar_is_refused_with_a_reason(content: bytes, said: str) -> None:
    with pytest.raises(Faulty) as refused:
        read_calendar(content, JUNE)
    assert any(part in refused.value.faults[0].message for part in said.split("|"))


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_no_damage_to_a_file_breaks_the_reader(data) -> None:
    """Lines lost, doubled, swapped or overwritten: each file is read or refused in words."""
    lines = calendar(SERIES, "UID:b\nDTSTART;VALUE=DATE:20270612\nCATEGORIES:a,b").decode().split("\r\n")
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        what = data.draw(st.sampled_from(["lose", "double", "cut", "overwrite"]))
        if what == "lose":
            lines[at : at + 1] = []
        elif what == "double":
            lines.insert(at, lines[data.draw(st.integers(0, len(lines) - 1))])
        elif what == "cut":
            lines[at] = lines[at][: data.draw(st.integers(0, 30))]
        else:
            lines[at] = lines[at][:12] + data.draw(st.text(max_size=12))
        if not lines:
            break
    try:
        found = read_calendar("\r\n".join(lines).encode(), JUNE)
    except Faulty as refused:
        assert refused.faults[0].message
    else:
        assert all(one.hours or one.faults for one in found)


# -- in: the pages --------------------------------------------------------------------------


def outside_calendar() -> bytes:
    """A schedule as another program writes it: made with the library ics, not with ours."""
    made = ics.Calendar()
    for name, place, day in (
        ("Act one", "Main stage", 11),
        ("Act two", "main", 12),
        ("Lunch", "Canteen", 12),
    ):
        made.events.add(ics.Event(name=name, location=place, begin=local(day, 20), end=local(day, 23)))
    return made.serialize().encode()


def send(browser, content: bytes, name: str = "schedule.ics", **fields: str):
    file = SimpleUploadedFile(name, content)
    return browser.post(BASE, {"file": file, **fields}, follow=True)


def test_a_schedule_sets_the_hours_of_the_lines_in_its_places(site: Site) -> None:
    register(site.coordinator, line("vocals"), line("drums", zone="side"), line("crane", department="VID"))
    lead = site.browser("lead")
    answer = send(lead, outside_calendar())
    page, address = text(answer), answer.redirect_chain[-1][0]
    assert "1 line would get new hours" in page and "AUD: vocals" in page and "VID" not in page
    assert "Fri 11 Jun 20:00–23:00, Sat 12 Jun 20:00–23:00" in page and "1 fits no line" in page
    assert "Lunch" in text(lead.get(f"{address}?show=fits+no+line"))
    # The rule stands in the address: with half an hour before it is another proposal.
    page = text(lead.get(f"{address}?prop=LOCATION&target=zone&before_min=30&after_min=0"))
    assert "Fri 11 Jun 19:30–23:00" in page
    assert not Registration.objects.get(label="vocals").hours
    sent = {name: hidden(page, name) for name in ("seen", "prop", "target", "before_min", "after_min")}
    assert "new hours for 1 line" in text(lead.post(address, sent, follow=True))
    row = Registration.objects.get(label="vocals")
    assert row.hours == [(local(11, 19, 30), local(11, 23)), (local(12, 19, 30), local(12, 23))]
    assert not Registration.objects.get(label="crane").hours
    upload = Upload.objects.get()
    assert upload.rule["before_min"] == 30 and upload.outcome["changed"] == 1
    assert "saved already" in text(lead.post(address, sent, follow=True))


def test_another_rule_than_the_one_on_the_page_saves_nothing(site: Site) -> None:
    register(site.lead, line("vocals"))
    lead = site.browser("lead")
    answer = send(lead, outside_calendar())
    sent = {name: hidden(text(answer), name) for name in ("seen", "prop", "target", "after_min")} | {
        "before_min": "45"
    }
    assert "would now do something else" in text(lead.post(answer.redirect_chain[-1][0], sent, follow=True))
    assert not Registration.objects.get().hours


@pytest.mark.parametrize(
    ("prop", "target", "entry"),
    [
        ("SUMMARY", Target.LABEL, "SUMMARY:Lead VOCALS"),
        ("X-DEVICE", Target.EXTERNAL_ID, "X-DEVICE:A-1"),
        ("CATEGORIES", Target.LABEL, "CATEGORIES:choir,lead vocals"),
        ("RESOURCES", Target.EXTERNAL_ID, "RESOURCES:ladder,a-1"),
        ("LOCATION", Target.ZONE, "LOCATION:MAIN STAGE"),
    ],
)
def test_the_rule_that_fits_most_is_proposed(site: Site, prop: str, target: Target, entry: str) -> None:
    register(site.lead, line("lead vocals", external_id="A-1"))
    answer = send(site.browser("lead"), calendar(f"UID:a\n{entry}\nDTSTART:20270611T180000Z\nDURATION:PT1H"))
    assert answer.context["rule"] == Rule(prop, target)
    assert "1 line would get new hours" in text(answer)


def test_what_is_cancelled_altogether_keeps_its_hours_and_is_said(site: Site) -> None:
    register(site.lead, line("Show", start="2027-06-11T10:00", end="2027-06-11T11:00"))
    page = text(send(site.browser("lead"), calendar(SERIES + "\nSTATUS:CANCELLED")))
    assert "Of these lines every entry is cancelled" in page and "Save these hours" not in page


def test_a_faulty_entry_that_speaks_of_a_line_keeps_the_whole_out(site: Site) -> None:
    register(site.lead, line("Show"))
    lead = site.browser("lead")
    bad = "UID:b\nSUMMARY:show\nDTSTART:20270611T200000Z"
    answer = send(lead, calendar(SERIES, bad))
    assert "nothing is saved until they are mended" in text(answer) and "It has no end" in text(answer)
    sent = {"seen": "x", "prop": "SUMMARY", "target": "label", "before_min": "0", "after_min": "0"}
    assert "It has no end" in text(lead.post(answer.redirect_chain[-1][0], sent, follow=True))
    # The same entry about something else harms nobody.
    assert "1 line would get new hours" in text(send(lead, calendar(SERIES, bad.replace("show", "lunch"))))


def test_a_calendar_is_kept_and_seen_by_its_sender_and_by_coordinators(site: Site) -> None:
    content = b"\xef\xbb\xbf" + outside_calendar()
    answer = send(site.browser("lead"), content)
    address = answer.redirect_chain[-1][0]
    assert site.browser("lead").get(f"{address}file.ics").content == content
    assert site.browser("coordinator").get(address).status_code == 200
    assert site.browser("other").get(address).status_code == 404
    assert site.browser("other").post(address, {"seen": ""}).status_code == 404
    assert site.browser("observer").get(BASE).status_code == 403
    assert "schedule.ics" not in text(site.browser("lead").get("/e/harbour-days/import/"))
    assert "cannot be taken" in text(send(site.browser("lead"), b"label,kind\r\n"))


def test_one_calendar_is_judged_with_the_same_queries_however_much_it_says(
    site: Site, django_assert_max_num_queries
) -> None:
    lead = site.browser("lead")
    few = []
    for count in (1, 25):
        register(site.lead, *(line(f"mic {n}") for n in range(count)))
        entries = [f"UID:{n}\nSUMMARY:mic {n}\nDTSTART:20270611T180000Z\nDURATION:PT1H" for n in range(count)]
        address = send(lead, calendar(*entries)).redirect_chain[-1][0]
        with django_assert_max_num_queries(few[0] if few else 20) as counted:
            assert f"{count} line" in text(lead.get(address))
        few.append(len(counted))


# -- out ------------------------------------------------------------------------------------


def feed_of(site: Site, client, **fields) -> tuple[Feed, bytes]:
    feed = actions.offer_feed(actor=site.coordinator, **fields)
    answer = client.get(f"/calendar/{feed.key}.ics")
    assert answer.status_code == 200 and answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert "no-store" in answer["Cache-Control"]
    return feed, answer.content


def test_another_library_reads_the_hours_that_go_out(site: Site, client) -> None:
    register(
        site.lead,
        line("vocals; lead, «first»", stretches=["2027-06-11T18:00/2027-06-11T23:00", "2027-06-12T18:00/2027-06-13T01:00"]),
        line("always", zone="side"),
    )  # fmt: skip
    _, content = feed_of(site, client, department=site.department("AUD"))
    read = {
        (entry.name, entry.begin.datetime, entry.end.datetime)
        for entry in ics.Calendar(content.decode()).events
    }
    days = datetime(2027, 6, 11, tzinfo=UTC), datetime(2027, 6, 14, tzinfo=UTC)
    assert read == {
        ("vocals; lead, «first»", local(11, 18), local(11, 23)),
        ("vocals; lead, «first»", local(12, 18), local(13, 1)),
        ("always", *days),
    }
    # What RFC 5545 (3.6, 3.6.1) asks of every calendar and entry, and its line length of 75 octets (3.1).
    whole = Calendar.from_ical(content)
    assert whole["VERSION"] == "2.0" and whole["PRODID"]
    entries = whole.walk("VEVENT")
    assert len({entry["UID"] for entry in entries}) == 3
    assert all(entry["DTSTAMP"].dt.tzinfo is not None for entry in entries)
    assert all(len(part) <= 75 for part in content.split(b"\r\n"))


def test_what_goes_out_comes_in_again_without_a_change(site: Site, client) -> None:
    register(
        site.lead,
        line("vocals", stretches=["2027-06-11T18:00/2027-06-11T23:00", "2027-06-12T18:00/2027-06-13T01:00"]),
    )
    _, content = feed_of(site, client, department=site.department("AUD"), zone=site.zone("main"))
    page = text(send(site.browser("lead"), content))
    assert "stands there already" in page


def test_a_feed_holds_nothing_confidential_and_no_frequency(site: Site, client) -> None:
    register(
        site.coordinator, line("vocals", fixed_hz="606.125 MHz", contact="Ada", notes="hush"), line("crane", department="VID"),
        line("agents", department="GRD"), line("far", zone="gate"),
    )  # fmt: skip
    _, content = feed_of(site, client, zone=site.zone("main"))
    said = content.decode().replace("\r\n ", "")
    assert "vocals" in said and "crane" in said and "far" not in said
    for secret in ("agents", "Guest protection", "606", "Ada", "hush"):
        assert secret not in said
    for refused in (site.coordinator, site.guard):
        with pytest.raises(Forbidden, match="confidential"):
            actions.offer_feed(actor=refused, department=site.department("GRD"))
    # Whoever becomes confidential later is gone from its own address at once.
    feed, _ = feed_of(site, client, department=site.department("VID"))
    site.event.departments.filter(code="VID").update(confidential=True)
    assert client.get(f"/calendar/{feed.key}.ics").status_code == 404


def test_what_is_withdrawn_sent_back_or_not_permitted_does_not_go_out(site: Site, client) -> None:
    register(site.lead, line("stays"), line("withdrawn one"), line("sent back one"), line("barred one"))
    actions.withdraw(actor=site.lead, registration=Registration.objects.get(label="withdrawn one"))
    actions.send_back(
        actor=site.coordinator, registration=Registration.objects.get(label="sent back one"), reason="why?"
    )
    Registration.objects.filter(label="barred one").update(not_permitted="no")
    _, content = feed_of(site, client, department=site.department("AUD"))
    assert [str(entry["SUMMARY"]) for entry in Calendar.from_ical(content).walk("VEVENT")] == ["stays"]


def test_a_lead_makes_and_revokes_addresses_of_their_own_department_only(site: Site, client) -> None:
    lead, other = site.browser("lead"), site.browser("other")
    assert "The address is made" in text(
        lead.post(BASE, {"offer": "1", "department": "AUD", "zone": ""}, follow=True)
    )
    feed = Feed.objects.get()
    assert feed.key in text(lead.get(BASE)) and feed.key not in text(other.get(BASE))
    assert other.post(f"{BASE}{feed.pk}/revoke/").status_code == 404
    assert lead.post(BASE, {"offer": "1", "department": "VID", "zone": ""}).status_code == 422
    assert lead.post(BASE, {"offer": "1", "department": "", "zone": "main"}).status_code == 422
    assert Feed.objects.count() == 1
    for actor, department in ((site.lead, None), (site.lead, site.department("VID")), (site.observer, None)):
        with pytest.raises(Forbidden):
            actions.offer_feed(actor=actor, department=department)
    with pytest.raises(Forbidden):
        actions.revoke_feed(actor=site.other, feed=feed)
    assert client.get(f"/calendar/{feed.key}.ics").status_code == 200
    assert "is revoked" in text(lead.post(f"{BASE}{feed.pk}/revoke/", follow=True))
    assert client.get(f"/calendar/{feed.key}.ics").status_code == 404
    assert client.get("/calendar/of-nobody.ics").status_code == 404
    with pytest.raises(Conflict):
        actions.revoke_feed(actor=site.lead, feed=feed)


# -- machines -------------------------------------------------------------------------------


def test_machines_read_and_set_hours_as_calendars_too(site: Site) -> None:
    register(
        site.coordinator, line("vocals"), line("crane", department="VID"), line("agents", department="GRD")
    )
    address = "/api/v1/events/harbour-days/hours.ics"
    lead, boss = site.client("lead"), site.client("coordinator")

    def names(who: APIClient, query: str = "") -> set[str]:
        answer = who.get(address + query)
        assert answer["Content-Type"] == "text/calendar; charset=utf-8"
        return {entry.name for entry in ics.Calendar(answer.content.decode()).events}

    assert (names(lead), names(boss, "?department=VID")) == ({"vocals"}, {"crane"})
    assert names(site.client("observer")) == {"vocals", "crane"}

    def send_to(who: APIClient, content: bytes, query: str = ""):
        return who.post(address + query, content, content_type="text/calendar")

    answer = send_to(lead, outside_calendar(), "?before_min=30")
    assert [(row["status"], row["row"]) for row in answer.json()] == [("changed", 1)]
    hours = Registration.objects.get(label="vocals").hours
    assert hours == [(local(11, 19, 30), local(11, 23)), (local(12, 19, 30), local(12, 23))]
    assert not Registration.objects.get(label="crane").hours
    assert send_to(lead, outside_calendar(), "?before_min=30").json() == []
    answer = send_to(
        lead, calendar("UID:a\nSUMMARY:vocals\nDTSTART:20270611T200000Z"), "?property=SUMMARY&equals=label"
    )
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "DTEND")
    assert send_to(lead, b"no calendar").status_code == send_to(lead, b"").status_code == 422
    assert send_to(lead, outside_calendar(), "?equals=colour").json()["errors"][0]["field"] == "equals"
    assert (
        send_to(
            site.client("lead", writes=False),
            calendar(SERIES.replace("Show", "vocals")),
            "?property=SUMMARY&equals=label",
        ).status_code
        == 403
    )
