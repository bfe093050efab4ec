"""Battery times, worked by hand."""

from datetime import datetime

import pytest

from apps.publishing.batteries import changes, interval_h

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


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        changes(START, datetime(2027, 6, 11, 22, 0), 0)
