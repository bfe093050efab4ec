"""Causes of being left out as people read them."""

import re
from collections.abc import Iterable

import pytest

from apps.planning.adopting import left_out_by
from apps.planning.models import LeftOut, Run
from apps.planning.queries import PlanRow, Redaction, SharedReason
from apps.planning.reasons import cause_in_words, in_short
from apps.registry import tuning
from apps.registry.models import Carrier, Registration
from apps.spectrum import actions as spectrum
from tests.planning.test_pages import BASE, ended_run, text
from tests.site import line, make_site, register


def test_causes_name_whom_and_how_much() -> None:
    cases = [
        ({"cause": "separation", "carrier": "AUD-001", "share": 0.5}, "too near to AUD-001 (50% of what it can tune)"),
        (
            {"cause": "product", "family": "2A-B", "carriers": ["A-1", "B-1"], "share": 0.25},
            "intermodulation 2A−B with A-1 and B-1 (25% of what it can tune)",
        ),
        (
            {"cause": "product", "family": "2A-B", "carriers": ["A-1", "B-1", "C-1"], "share": 0.25},
            "intermodulation 2A−B with some of A-1, B-1 and C-1 (25% of what it can tune)",
        ),
        ({"cause": "blocked", "blocked": "channel 30", "share": 0.1}, "occupied range channel 30 (10% of what it can tune)"),
        ({"cause": "product", "share": 0.2}, "intermodulation with several others (20% of what it can tune)"),
        ({"cause": "weather", "share": 1}, "weather (100% of what it can tune)"),
    ]  # fmt: skip
    for cause, words in cases:
        assert cause_in_words(cause) == words


def test_in_short_shares_are_summed_by_cause_and_what_the_line_itself_sets_comes_first() -> None:
    near = [{"cause": "separation", "carrier": f"AUD-00{number}", "share": 0.2} for number in range(3)]
    product = {"cause": "product", "family": "2A-B", "carriers": ["A-1", "B-1"], "share": 0.397}
    blocked = {"cause": "blocked", "blocked": "channel 30", "share": 0.003}
    shares = "60% of what it can tune is too near to others, 40% hit by intermodulation"
    assert in_short([*near, product, blocked]) == shares
    limits = {"cause": "limits", "why": "its line allows only 582–584 MHz", "detail": "long", "share": 0.0}
    assert (
        in_short([limits, *near, product]) == f"its line allows only 582–584 MHz. Within that range, {shares}"
    )
    assert (
        in_short([{"cause": "tuning", "share": 1.0}]) == "nothing that it can tune is permitted or free here"
    )
    kept = {"cause": "band plan", "why": "470–472 MHz: kept for late arrivals", "share": 1.0}
    assert in_short([kept]) == "100% of what it can tune is 470–472 MHz: kept for late arrivals"


def test_details_name_the_largest_and_count_the_rest() -> None:
    near = [{"cause": "separation", "carrier": f"AUD-{n:03}", "share": 0.1 - n * 0.01} for n in range(8)]
    carrier = Carrier(code="VID-001", registration=Registration())
    [(codes, causes)] = SharedReason([PlanRow(carrier, None, near)], 1, "").details
    assert codes == ["VID-001"]
    assert causes[0] == "too near to AUD-000 (10% of what it can tune)"
    # 0.05 + 0.04 + 0.03 are left beyond the first five
    assert causes[5:] == ["3 more, each less than these (together 12% of what it can tune)"]
    [(_, few)] = SharedReason([PlanRow(carrier, None, near[:5])], 1, "").details
    assert len(few) == 5


def side_by_side(points: Iterable[int], apart_hz: int) -> int:
    count, free_from = 0, 0
    for hz in points:
        if hz >= free_from:
            count, free_from = count + 1, hz + apart_hz
    return count


@pytest.mark.django_db
def test_who_was_left_out_by_a_run_that_was_cut_short_reads_that_first() -> None:
    site = make_site()
    register(site.lead, line("vocals"))
    run = ended_run(site)
    blocked = [{"cause": "blocked", "blocked": "channel 30", "share": 1.0}]
    for stopped, words in (
        ("deadline", "time was up"),
        ("cancelled", "was stopped"),
        ("no better found", ""),
    ):
        left = left_out_by(run, {"stopped": stopped, "unplaced": [{"id": "AUD-001", "blocked_by": blocked}]})
        shown = Redaction(site.lead).reasons(Carrier.objects.get(code="AUD-001"), left["AUD-001"])
        told = [cause_in_words(cause) for cause in shown]
        assert told[-1] == "occupied range channel 30 (100% of what it can tune)"
        assert [words in told[0], len(told)] == ([True, 2] if words else [True, 1])


@pytest.mark.django_db
def test_of_a_product_with_others_a_lead_reads_neither_letters_nor_family() -> None:
    """Tuned to one frequency f, whoever knows A of 2A−B = f knows B."""
    site = make_site()
    register(site.lead, line(quantity=3), line("narrow", low_hz=500_100_000, high_hz=500_100_000))
    register(site.coordinator, line("agents on foot", department="GRD"))
    carrier = Carrier.objects.get(code="AUD-004")
    blocked = [
        {"cause": "product", "family": "2A-B", "carriers": ["AUD-001", "GRD-001"], "share": 0.75},
        {"cause": "product", "family": "2A-B", "carriers": ["AUD-001", "AUD-002"], "share": 0.25},
    ]
    told = [cause_in_words(cause) for cause in Redaction(site.lead).reasons(carrier, blocked)]
    assert told == [
        "intermodulation with another department, Main stage (75% of what it can tune)",
        "intermodulation 2A−B with AUD-001 and AUD-002 (25% of what it can tune)",
    ]
    full = [cause_in_words(cause) for cause in Redaction(site.coordinator).reasons(carrier, blocked)]
    assert full[0] == "intermodulation 2A−B with AUD-001 and GRD-001 (75% of what it can tune)"


@pytest.mark.django_db
def test_the_limits_of_the_line_itself_are_named_with_what_would_fit_without_them() -> None:
    site = make_site()
    spectrum.mark_occupied(
        actor=site.coordinator, label="channel 35", low_hz=586_000_000, high_hz=594_000_000, source="seen"
    )
    register(site.lead, line(quantity=8, low_hz=582_000_000, high_hz=584_000_000), line("free", quantity=1))
    run = ended_run(site)
    left = LeftOut.objects.filter(event=site.event)
    assert left and {row.carrier.registration.label for row in left} == {"lead vocals"}
    limits = [cause for row in left for cause in row.blocked_by if cause["cause"] == "limits"]
    ((why, detail),) = {(cause["why"], cause["detail"]) for cause in limits}
    said = re.fullmatch(
        r"in 582–584 MHz there is room for (\d+), ([\d.]+) kHz apart, if nobody else were there; in all that its kind can "
        r"tune here and that is permitted and free \(470.1–585.9, 594.1–607.9 MHz\) for (\d+)",
        detail,
    )
    assert said
    assert why == (
        f"its line allows only 582–584 MHz: at most {said[1]} of its 8 fit there by spacing alone, perhaps fewer beside others "
        "and with intermodulation; in all that its kind can tune here the rest may fit"
    )
    apart_hz = int(float(said[2]) * 1000)
    assert apart_hz == 350_000  # which the kind asks for
    # Plain counting along the raster: a carrier 200 kHz wide keeps out of the occupied channel with its whole band.
    points = [hz for hz in range(470_100_000, 607_900_001, 25_000) if not 585_900_000 < hz < 594_100_000]
    assert int(said[1]) == side_by_side((hz for hz in points if 582_000_000 <= hz <= 584_000_000), apart_hz)
    assert int(said[3]) == side_by_side(points, apart_hz)
    # The others' shares are of what the limits leave, and one sentence speaks for all carriers of the line.
    assert sum(cause["share"] for cause in left[0].blocked_by) == pytest.approx(1, abs=1e-3)
    pages = [
        f"{BASE}runs/{run.number}/",
        f"{BASE}devices/",
        f"{BASE}review/",
        f"{BASE}devices/{left[0].carrier.registration_id}/",
    ]
    for path in pages:
        page = text(site.browser("coordinator").get(path))
        assert f"{len(left)} of 8 frequencies:" in page and "What are 2A−B and A+B−C?" in page, path
        assert page.count(why[1:]) == 1, path  # with a capital where nothing stands before it
        assert f'href="{BASE}devices/{left[0].carrier.registration_id}/#id_low_hz"' in page, path
    # The form of the line says the same number beside the fields that the reason leads to, and names the same free ranges.
    form = text(site.browser("coordinator").get(pages[-1]))
    assert f"t most {said[1]} of its 8 fit between 582 and 584 MHz" in form
    assert not Run.objects.filter(state="failed")


def test_the_point_nearest_to_the_middle() -> None:
    part = tuning.Range
    cases = [
        ([part(low_hz=100, high_hz=200, step_hz=30)], 160),  # points 100, 130, 160, 190
        ([part(low_hz=0, high_hz=10, step_hz=5), part(low_hz=90, high_hz=200, step_hz=10)], 100),
        ([part(low_hz=0, high_hz=10, step_hz=5), part(low_hz=70, high_hz=100, step_hz=10)], 70),
        ([part(low_hz=7, high_hz=7, step_hz=1)], 7),
        ([], None),
    ]
    for ranges, hz in cases:
        assert tuning.middle(ranges) == hz
