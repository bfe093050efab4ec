"""A survey's file is kept first and read afterwards, piece by piece, by whichever worker lives."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.utils import timezone

from apps.common.errors import Conflict, Faulty, Forbidden, Stale
from apps.journal.models import Entry
from apps.spectrum import reading, surveys
from apps.spectrum.models import Survey
from apps.spectrum.queries import surveys_of
from apps.spectrum.states import SurveyState
from tests.site import Site, make_site

pytestmark = [pytest.mark.django_db, pytest.mark.store]
AT = datetime(2027, 6, 10, 9, 30, tzinfo=UTC)
TEXT = "MHz;dBm\n" + "".join(f"{470 + i * 0.025:.3f};{-110 + (i == 40) * 50}\n" for i in range(400))


@pytest.fixture
def site() -> Site:
    return make_site()


def keep(site: Site, text: str = TEXT, **fields: Any) -> Survey:
    content = text.encode() if isinstance(text, str) else text
    given = {"zone": site.zone("main"), "name": "sweep.csv", "taken_at": AT, "resolution_hz": 10_000} | fields
    return surveys.keep_survey(actor=site.coordinator, content=[content[:100], content[100:]], **given)


def read(survey: Survey) -> Survey:
    reading.read(survey.pk, "test:1")
    survey.refresh_from_db()
    return survey


def test_a_file_is_kept_as_it_came_and_then_read(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(surveys, "PIECE_BYTES", 1000)
    survey = keep(site)
    assert (survey.state, survey.size, survey.pieces.count()) == ("waiting", len(TEXT), -(-len(TEXT) // 1000))
    assert b"".join(reading.pieces(survey)) == TEXT.encode()
    read(survey)
    assert (survey.state, survey.points, survey.unit, survey.separator) == ("read", 400, "MHz", "semicolon")
    assert (survey.low_hz, survey.high_hz, survey.step_hz) == (470_000_000, 479_975_000, 25_000)
    assert survey.floor_dbm == -110
    found = reading.trace_of(survey)
    assert found is not None
    assert (found.low_hz + found.step_hz * int(np.argmax(found.level_dbm)), float(found.level_dbm.max())) == (
        471_000_000,
        -60,
    )
    assert [row.verb for row in Entry.objects.order_by("-number")[:2]] == [
        "read the survey",
        "uploaded a survey",
    ]
    reading.read(survey.pk, "test:2")  # a second message finds nothing to do
    survey.refresh_from_db()
    assert (survey.attempt, survey.claimed_by) == (1, "test:1")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_what_instruments_write_is_read_in_any_of_the_usual_encodings(site: Site, encoding: str) -> None:
    survey = read(keep(site, ("site: Café\n" + TEXT).encode(encoding)))  # type: ignore[arg-type]
    assert (survey.state, survey.points) == ("read", 400)


def test_a_faulty_file_is_kept_with_every_fault(site: Site) -> None:
    text = TEXT + "480;much\n481\n"
    survey = read(keep(site, text))
    assert survey.state == SurveyState.FAULTY
    assert [(row["row"], row["value"]) for row in survey.faults] == [(402, "much"), (403, "481")]
    assert b"".join(reading.pieces(survey)) == text.encode()
    assert reading.trace_of(survey) is None


def test_another_unit_has_the_file_read_again(site: Site) -> None:
    survey = read(keep(site, "Frequency MHz;dBm\n470000;-90\n470025;-91\n"))
    assert survey.state == "faulty" and "Say which unit" in survey.faults[0]["message"]
    surveys.change_survey(actor=site.coordinator, survey=survey, unit_told="kHz")
    assert survey.state == "waiting"
    read(survey)
    assert (survey.state, survey.low_hz, survey.faults) == ("read", 470_000_000, [])
    with pytest.raises(Stale):
        surveys.change_survey(actor=site.coordinator, survey=survey, version=1, antenna="discone")


def test_a_told_floor_stands_over_the_found_one_and_excluding_raises_the_revision(site: Site) -> None:
    survey = read(keep(site))
    before = site.event.__class__.objects.get(pk=site.event.pk).revision
    surveys.change_survey(actor=site.coordinator, survey=survey, floor_told_dbm=-95.0, counts=False)
    survey.refresh_from_db()
    assert survey.floor_dbm == -95
    site.event.refresh_from_db()
    assert site.event.revision > before


def test_whose_worker_died_is_read_by_another_and_the_dead_one_writes_nothing(site: Site) -> None:
    survey = keep(site)
    lost = surveys.claim(survey.pk, "dead:1")
    assert lost is not None
    assert surveys.claim(survey.pk, "late:1") is None
    surveys.sweep()
    survey.refresh_from_db()
    assert survey.state == SurveyState.READING  # its lease still runs
    Survey.objects.filter(pk=survey.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    surveys.sweep()
    read(survey)
    assert (survey.state, survey.attempt, survey.claimed_by) == ("read", 2, "test:1")
    assert not surveys.keep_alive(lost, 0.5, 1)
    assert not surveys.refuse(lost, [], 0)
    survey.refresh_from_db()
    assert survey.state == "read"


def test_three_deaths_in_a_row_end_it_in_words(site: Site) -> None:
    survey = keep(site)
    for _ in range(3):
        assert surveys.claim(survey.pk, "dead:1")
        Survey.objects.filter(pk=survey.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
        surveys.sweep()
    survey.refresh_from_db()
    assert survey.state == "faulty" and "workers in a row died" in survey.faults[0]["message"]
    # Asked for once more it has three attempts again.
    surveys.change_survey(actor=site.coordinator, survey=survey, unit_told="MHz")
    assert (read(survey).state, survey.attempt) == ("read", 4)


def test_what_cannot_be_kept_is_refused_and_nothing_stays(site: Site, settings: Any) -> None:
    settings.SURVEY_MAX_BYTES = 1000
    for text, word in ((TEXT, "too large"), ("", "empty")):
        with pytest.raises(Faulty) as refusal:
            keep(site, text)
        assert word in refusal.value.faults[0].message
    with pytest.raises(Faulty):
        keep(site, "470;-90\n", resolution_hz=0)
    assert not Survey.objects.exists()


def test_only_coordinators_write_and_only_who_sees_all_sees(site: Site) -> None:
    survey = keep(site)
    for actor in (site.lead, site.desk, site.observer):
        for act in (
            lambda actor=actor: surveys.change_survey(actor=actor, survey=survey, antenna="x"),
            lambda actor=actor: surveys.remove_survey(actor=actor, survey=survey),
            lambda actor=actor: surveys.accept_suggestions(actor=actor, ranges=[(1, 2)], source="x"),
        ):
            with pytest.raises(Forbidden):
                act()
    seen = [surveys_of(actor).count() for actor in (site.coordinator, site.desk, site.lead, site.observer)]
    assert seen == [1, 1, 0, 0]
    surveys.remove_survey(actor=site.coordinator, survey=survey)
    assert not Survey.objects.exists()


def test_suggested_ranges_become_taken_ones_once(site: Site) -> None:
    ranges = [(478_000_000, 486_000_000), (500_100_000, 500_300_000)]
    surveys.accept_suggestions(actor=site.coordinator, ranges=ranges, source="survey 1, main")
    assert list(site.event.occupied.values_list("low_hz", "high_hz")) == ranges
    with pytest.raises(Conflict, match="Marked already"):
        surveys.accept_suggestions(actor=site.coordinator, ranges=ranges[:1], source="")
    with pytest.raises(Faulty):
        surveys.accept_suggestions(actor=site.coordinator, ranges=[(2, 1)], source="")
    with pytest.raises(Conflict, match="Tick"):
        surveys.accept_suggestions(actor=site.coordinator, ranges=[], source="")
