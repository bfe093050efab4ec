"""The journal as a page: old and new values in words, filters, and nothing of others to a lead."""

from datetime import UTC, datetime

import pytest

from apps.events import actions as events
from apps.journal.models import Entry
from apps.overview.reading import told
from apps.registry import actions as registry
from apps.registry.models import Registration
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
JOURNAL = "/e/harbour-days/journal/"


@pytest.fixture
def site() -> Site:
    return make_site()


def test_old_and_new_values_are_readable(site: Site) -> None:
    register(site.lead, line())
    row = Registration.objects.get()
    registry.change(
        actor=site.lead, registration=row, values={"quantity": 3, "low_hz": 480_100_000, "notes": "late"}
    )
    page = site.browser("coordinator").get(JOURNAL, {"verb": "changed"}).content.decode()
    assert '<span class="fb-old">1</span>' in page
    assert '<span class="fb-new">480.100 MHz</span>' in page
    assert "low_hz" not in page


def test_the_verb_tells_a_new_line_from_a_changed_one(site: Site) -> None:
    register(site.lead, line())
    row = Registration.objects.get()
    registry.send_back(actor=site.coordinator, registration=row, reason="which stage?")
    row.refresh_from_db()
    registry.change(actor=site.lead, registration=row, values={})
    register(site.lead, line(quantity=2), line("choir"))
    verbs = list(
        Entry.objects.filter(department="AUD", changes__has_key=row.label).values_list("verb", flat=True)
    )
    assert sorted(verbs) == ["registered", "registered and changed", "sent back", "submitted again"]


@pytest.mark.parametrize(
    ("verb", "subject", "words"),
    [
        ("ended the run as done", "run 3", "finished"),
        ("ended the run as cancelled", "run 3", "broke off"),
        ("asked for a run", "run 3", "asked for"),
        ("stopped the inquiry", "inquiry 2", "stopped"),
        ("answered a report", "report 4", "answered"),
        ("asked what would place those left out", "inquiry 2", "asked what would place those left out"),
        ("added the zone", "main", "added the zone"),
        ("published", "edition 1", "published"),
    ],
)
def test_an_entry_reads_as_a_sentence(verb: str, subject: str, words: str) -> None:
    assert told(Entry(verb=verb, subject=subject, changes={})).deed == words


def test_values_in_words() -> None:
    changes = {
        "x": {
            "starts_at": [None, datetime(2027, 6, 11, 8, tzinfo=UTC).isoformat()], "indoor": [False, True], "east_m": [0.0, 12.5],
            "empty": ["", None], "settings": [{}, {"pairing key": "7"}], "digest": ["a", "b"],
        }
    }  # fmt: skip
    (part,) = told(Entry(changes=changes)).parts
    shown = {value.name: (value.old, value.new) for value in part.values}
    assert shown == {
        "starts": ("", "Fri 11 Jun 2027, 08:00"),
        "indoor": ("no", "yes"),
        "east": ("0 m", "12.5 m"),
        "settings": ("", "pairing key 7"),
        "fingerprint": ("a", "b"),
    }


def test_filters_by_who_verb_department_and_subject(site: Site) -> None:
    register(site.lead, line("first vocals"))
    register(site.other, line("camera", department="VID", zone="gate"))
    browser = site.browser("coordinator")

    def found(**wanted: str) -> list[str]:
        return [row.entry.subject for row in browser.get(JOURNAL, wanted).context["told"]]

    assert found(who="lead@harbour-days.example") == ["first vocals"]
    assert found(department="VID", verb="registered") == ["camera"]
    assert found(subject="VOCALS") == ["first vocals"]
    assert found(subject="nothing of the kind") == []
    assert "No entry matches" in browser.get(JOURNAL, {"subject": "nothing of the kind"}).content.decode()


def test_a_lead_reads_what_concerns_their_department(site: Site) -> None:
    register(site.lead, line("first vocals"))
    register(site.other, line("camera", department="VID", zone="gate"))
    register(site.guard, line("close protection", department="GRD", zone="gate"))
    page = site.browser("lead").get(JOURNAL).content.decode()
    assert "first vocals" in page
    for secret in ("camera", "close protection", "Guest protection", "GRD", "Video", "guard@"):
        assert secret not in page, secret
    observed = site.browser("observer").get(JOURNAL).content.decode()
    assert "camera" in observed
    assert "close protection" not in observed
    refused = site.browser("lead").get(JOURNAL, {"department": "VID"})
    assert "camera" not in refused.content.decode()


def test_the_journal_takes_the_same_number_of_queries_with_few_entries_and_many(
    site: Site, django_assert_max_num_queries
) -> None:
    browser = site.browser("coordinator")
    with django_assert_max_num_queries(12) as few:
        browser.get(JOURNAL)
    for number in range(60):
        events.add_zone(actor=site.coordinator, code=f"z{number}", name=f"Zone {number}")
    with django_assert_max_num_queries(len(few)):
        page = browser.get(JOURNAL)
    assert len(page.context["told"]) == 50
    assert "Next rows" in page.content.decode()
