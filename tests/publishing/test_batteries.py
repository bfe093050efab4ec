"""Battery times, worked by hand."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from apps.publishing import rendering
from apps.publishing.batteries import changes, interval_h
from tests.publishing.test_publish import LINE

VIENNA = ZoneInfo("Europe/Vienna")

START = datetime(2027, 6, 11, 18, 0)


def test_fresh_cells_at_switch_on_and_before_they_run_out() -> None:
    # 5 h rated, 20 % margin: good for 4 h. 18:00 to 23:30 is 5.5 h, so once more at 22:00.
    found = changes(START, datetime(2027, 6, 11, 23, 30), 5.0)
    assert [f"{moment:%H:%M}" for moment in found] == ["18:00", "22:00"]


def test_a_set_that_outlasts_the_show_is_filled_once() -> None:
    assert changes(START, datetime(2027, 6, 11, 22, 0), 5.0) == (START,)


def test_without_a_margin_the_whole_rated_time_counts() -> None:
    assert interval_h(10.0, 0.0) == 10.0
    assert interval_h(10.0) == pytest.approx(8.0)


@pytest.mark.parametrize(
    ("running_h", "hours", "words"),
    [
        # 5 h rated and a fifth kept back: 4 h.
        (5.0, ((18, 0), (22, 0)), "2 × AA: fresh at 18:00; lasts to the end"),
        (5.0, ((18, 0), (23, 30)), "2 × AA: fresh at 18:00 and 22:00"),
        (5.0, ((22, 0), (28, 0)), "2 × AA: fresh at Fri 22:00 and Sat 02:00"),
        # 1 h rated: 48 min, thirteen times in ten hours, of which nobody reads the list; told too early, never too late.
        (1.0, ((8, 0), (18, 0)), "2 × AA: fresh at switch-on, then every 45 min"),
        # 6.5 h rated: 5.2 h are 5 h 12 min.
        (6.5, None, "2 × AA, change every 5 h 10 min"),
        (5.0, None, "2 × AA, change every 4 h"),
        (None, None, "2 × AA"),
    ],
)
def test_batteries_in_words(running_h: float | None, hours: Any, words: str) -> None:
    def moment(hour: int, minute: int) -> datetime:
        return datetime(2027, 6, 11, tzinfo=VIENNA) + timedelta(hours=hour, minutes=minute)

    start, end = (moment(*hours[0]), moment(*hours[1])) if hours else (None, None)
    line = replace(LINE, cells="2 × AA", running_h=running_h, starts_at=start, ends_at=end, stretches=())
    assert rendering.batteries_of(line, VIENNA) == words


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        changes(START, datetime(2027, 6, 11, 22, 0), 0)
