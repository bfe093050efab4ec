"""Days and hours as people write them. Days of the week after the Gregorian calendar: 11 June 2027 is a Friday (checked
against the day of the ISO week that datetime.date knows); the rest is plain reading, common practice, no source."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.common.errors import Faulty
from apps.registry.importing import read_csv
from apps.registry.models import Registration
from apps.registry.moments import MONTHS, Days, read_moment, read_stretch
from tests.site import line, make_site, register

VIENNA = ZoneInfo("Europe/Vienna")
DAYS = Days(VIENNA, date(2027, 6, 11), date(2027, 6, 13))


def at(day: int, hour: int, minute: int = 0, month: int = 6, year: int = 2027) -> datetime:
    return datetime(year, month, day, hour, minute, tzinfo=VIENNA)


@pytest.mark.parametrize(
    "text",
    [
        "2027-06-11T19:00/2027-06-11T23:00", "2027-06-11T19:00/23:00", "2027-06-11 19:00-23:00",
        "2027-06-11T17:00+00:00/2027-06-11T21:00+00:00", "Fri 11 June 19:00-23:00", "11 June 19:00–23:00",
        "11.6. 19:00-23:00", "11.06.2027 19:00 - 23:00", "11.6.27 19:00—23:00", "friday, 11th Jun 2027, 19:00 to 23:00",
        "June 11 19:00 until 23:00", "  Fr  11 june 19:00 – Fri 11 June 23:00 ",
    ],
)  # fmt: skip
def test_one_evening_however_it_is_written(text: str) -> None:
    assert read_stretch(text, DAYS) == (at(11, 19), at(11, 23))


def test_past_midnight_a_time_alone_is_the_next_day_s() -> None:
    assert read_stretch("11 June 22:00-02:00", DAYS) == (at(11, 22), at(12, 2))
    assert read_stretch("30.6. 22:00-2:00", DAYS) == (at(30, 22), at(1, 2, month=7))
    assert read_stretch("11 June 20:00-24:00", DAYS) == (at(11, 20), at(12, 0))


def test_the_year_is_the_one_nearest_to_the_event() -> None:
    over = Days(VIENNA, date(2027, 12, 30), date(2028, 1, 2))
    assert read_moment("31 Dec 22:00", over) == at(31, 22, month=12)
    assert read_moment("1.1. 2:00", over) == at(1, 2, month=1, year=2028)
    assert read_moment("29 Feb 9:00", over) == at(29, 9, month=2, year=2028)  # the next leap year


@given(
    st.datetimes(datetime(2027, 1, 1), datetime(2027, 12, 30)), st.sampled_from(["words", "numbers", "iso"])
)
def test_what_is_written_is_read_back(moment: datetime, form: str) -> None:
    moment = moment.replace(second=0, microsecond=0)
    written = {
        "words": f"{moment:%A} {moment.day} {MONTHS[moment.month - 1]} {moment:%Y} {moment:%H:%M}",
        "numbers": f"{moment.day}.{moment.month}.{moment.year} {moment.hour}:{moment:%M}",
        "iso": moment.isoformat(),
    }[form]
    try:
        assert read_moment(written, DAYS).replace(tzinfo=None) == moment
    except ValueError as fault:  # the hour that summer time leaves out: 28 March 2027, 2 to 3
        assert (moment.month, moment.day, moment.hour) == (3, 28, 2) and "does not exist" in str(fault)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("11 June", "Write start/end, such as Fri 11 June 19:00–23:00"),
        ("11 June 19:00", "Write start/end"),
        ("19:00-23:00", "Not a date and time; write Fri 11 June 19:00"),
        ("Thu 11 June 19:00-23:00", "11 June 2027 is a Friday, not a Thursday"),
        ("31 June 19:00-23:00", "no such day"),
        ("11 June 25:00-26:00", "«25:00» is no time of day"),
        ("11 Juno 19:00-23:00", "Not a date and time"),
        ("6/11 19:00-23:00", "Not a date and time"),
        ("11 June 9:00-10:00-11:00", "Write start/end"),
        ("soon", "Write start/end"),
        ("", "Write start/end"),
    ],
)
def test_what_it_cannot_mean_is_refused_with_what_would_do(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said.replace("(", r"\(")):
        read_stretch(text, DAYS)


@pytest.mark.django_db
def test_rows_files_and_the_box_read_alike_and_name_the_row() -> None:
    site = make_site()
    content = (
        "label,kind,zone,start,end,stretches\n"
        f"one,{line()['kind']},{line()['zone']},Fri 11 June 19:00,23:00,\n"
        f"two,{line()['kind']},{line()['zone']},11.6. 19:00-23:00,,\n"
        f"three,{line()['kind']},{line()['zone']},,,11 June 19:00-23:00; 12.6. 22:00-2:00\n"
    )
    register(site.lead, *read_csv(content.encode()).rows)
    hours = {row.label: row.hours for row in Registration.objects.all()}
    assert hours["one"] == hours["two"] == [(at(11, 19), at(11, 23))]
    assert hours["three"] == [(at(11, 19), at(11, 23)), (at(12, 22), at(13, 2))]
    with pytest.raises(Faulty) as refused:
        register(site.lead, line("four", stretches="11 June 19:00-23:00\nsome day\n12 June 19:00-x"))
    assert [fault.message.split(":")[0] for fault in refused.value.faults] == [
        "Row 2, «some day»",
        "Row 3, «12 June 19",
    ]
    with pytest.raises(Faulty) as refused:
        register(site.lead, line("five", start="soon", end="later"))
    assert [fault.field for fault in refused.value.faults] == ["start", "end"]
