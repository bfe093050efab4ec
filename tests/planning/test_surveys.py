"""Surveys beside the plan: which of ours were on, what was expected, what it costs the next run, what it suggests."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from apps.planning import actions as planning
from apps.planning import surveying
from apps.planning.actions import Selection
from apps.planning.listening import Heard, heard_by_zone
from apps.planning.snapshot import freeze
from apps.registry.models import Carrier
from apps.solver import read_problem, solve
from apps.spectrum import reading
from apps.spectrum.actions import add_outsider, mark_occupied
from apps.spectrum.models import Survey
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/surveys/"
AT = datetime(2027, 6, 11, 18, 0, tzinfo=UTC)
FLOOR = -110.0


@pytest.fixture
def site() -> Site:
    site = make_site()
    register(site.lead, line(quantity=2), line("far away", zone="gate"))
    register(site.other, line("crane", department="VID", start="2027-06-12T10:00", end="2027-06-12T12:00"))
    for code, hertz in (
        ("AUD-001", 480_000_000),
        ("AUD-002", 481_000_000),
        ("AUD-003", 482_000_000),
        ("VID-001", 483_000_000),
    ):
        planning.change_frequency(
            actor=site.coordinator,
            carrier=Carrier.objects.get(code=code),
            frequency_hz=hertz,
            reason="by hand",
        )
    planning.approve(
        actor=site.coordinator, selection=Selection(carriers=("AUD-001", "AUD-002", "AUD-003", "VID-001"))
    )
    return site


def text(*heard: tuple[float, float, float], low: float = 478.0, high: float = 490.0) -> str:
    """A sweep in steps of 10 kHz at the instrument's floor, with (centre MHz, width MHz, dBm) over it."""
    rows = []
    for step in range(round((high - low) * 100) + 1):
        at = low + step / 100
        level = max([FLOOR, *(dbm for centre, width, dbm in heard if abs(at - centre) <= width / 2 + 1e-6)])
        rows.append(f"{at:.2f};{level}")
    return "\n".join(rows)


def survey(site: Site, *heard: tuple[float, float, float], which: str = "plan", **fields: Any) -> Survey:
    given = {"zone": site.zone("main"), "name": "sweep.csv", "taken_at": AT, "resolution_hz": 10_000} | fields
    content = given.pop("content", None) or text(*heard)
    kept = surveying.keep_survey(actor=site.coordinator, content=[content.encode()], which=which, **given)
    reading.read(kept.pk, "test")
    kept.refresh_from_db()
    assert kept.state == "read", kept.faults
    return kept


def heard(row: Survey) -> Heard:
    trace = reading.trace_of(row)
    assert trace is not None
    return Heard.of(row, trace)


# -- which of ours were on ------------------------------------------------------------------


def on(site: Site, at: datetime) -> list[str]:
    return [row["carrier"] for row in surveying.own_carriers(site.event, at)]


def test_a_survey_names_those_of_ours_that_were_on(site: Site) -> None:
    assert on(site, AT) == ["AUD-001", "AUD-002", "AUD-003"]
    assert on(site, datetime(2027, 6, 12, 9, 0, tzinfo=UTC)) == ["AUD-001", "AUD-002", "AUD-003", "VID-001"]
    assert on(site, AT - timedelta(days=30)) == []
    planning.take_back(
        actor=site.coordinator, selection=Selection(carriers=("AUD-002",)), reason="looked at again"
    )
    assert on(site, AT) == ["AUD-001", "AUD-003"]


def test_what_was_on_is_kept_as_the_plan_stood_then(site: Site) -> None:
    row = survey(site)
    planning.change_frequency(
        actor=site.coordinator,
        carrier=Carrier.objects.get(code="AUD-001"),
        frequency_hz=500_000_000,
        reason="moved",
    )
    row.refresh_from_db()
    assert row.own[0] == {
        "carrier": "AUD-001",
        "zone": "main",
        "frequency_hz": 480_000_000,
        "bandwidth_hz": 200_000,
    }
    surveying.change_survey(actor=site.coordinator, survey=row, which="none")
    assert (row.own, row.own_words) == ([], "none of ours was on, as told")


# -- against the plan -----------------------------------------------------------------------


def test_a_survey_is_held_against_what_was_on_in_earshot(site: Site) -> None:
    add_outsider(
        actor=site.coordinator,
        label="theatre",
        zone=site.zone("main"),
        frequency_hz=485_000_000,
        bandwidth_hz=200_000,
    )
    mark_occupied(actor=site.coordinator, label="channel", low_hz=486_000_000, high_hz=487_000_000)
    row = survey(
        site, (480.0, 0.2, -50), (485.0, 0.1, -70), (486.5, 0.9, -60), (483.0, 0.15, -65), (488.5, 0.02, -80)
    )
    found = surveying.compared(site.event, heard(row))
    # AUD-001 is heard, AUD-002 is not, AUD-003 sends at a gate two kilometres away: not in earshot by the problem.
    near = {one.code: one.state for one in found.expected}
    assert near == {"AUD-001": "seen", "AUD-002": "missing", "OUT-001": "seen"}
    assert [(one.stretch.peak_dbm, one.near) for one in found.unexplained] == [
        (-65.0, ("VID-001",)),
        (-80.0, ()),
    ]
    assert abs(found.unexplained[1].stretch.peak_hz - 488_500_000) <= 10_000


def test_an_outsider_explains_something_in_its_hours_only(site: Site) -> None:
    add_outsider(
        actor=site.coordinator, label="theatre", zone=site.zone("main"), frequency_hz=485_000_000,
        bandwidth_hz=200_000, starts_at=AT - timedelta(hours=3), ends_at=AT - timedelta(hours=1),
    )  # fmt: skip
    for at, expected, unexplained in ((AT, 0, 1), (AT - timedelta(hours=2), 1, 0)):
        row = survey(site, (485.0, 0.1, -70), taken_at=at, which="none")
        found = surveying.compared(site.event, heard(row))
        assert (len(found.expected), len(found.unexplained)) == (expected, unexplained)


def test_what_lies_outside_a_survey_is_neither_seen_nor_missing(site: Site) -> None:
    row = survey(site, content=text((480.0, 0.2, -50), low=478, high=480.5))
    states = {one.code: one.state for one in surveying.compared(site.event, heard(row)).expected}
    assert states == {"AUD-001": "seen", "AUD-002": "outside the survey"}


# -- noise for the solver -------------------------------------------------------------------


def noise(site: Site) -> list[dict[str, Any]]:
    return freeze(site.event).problem.get("noise", [])


def levels(row: dict[str, Any]) -> dict[int, float]:
    """{hertz: dBm} of what in a row costs anything."""
    return {
        row["low_hz"] + place * row["step_hz"]: level
        for place, level in enumerate(row["level_dbm"])
        if level > row["reference_dbm"]
    }


def test_without_surveys_there_is_no_noise(site: Site) -> None:
    assert noise(site) == []
    assert "noise" not in freeze(site.event, all_movable=True).problem


def test_noise_is_scaled_to_the_kind_and_carriers_are_not(site: Site) -> None:
    survey(site, (485.0, 1.0, -90), (488.5, 0.0, -70))
    (row,) = noise(site)
    assert {zone.split("/")[0] for zone in row["zones"]} == {"main"} and row["kinds"] == ["mic"]
    # kTB in 200 kHz is -120.96 dBm (exact constants); with 6 dB noise figure and I/N = -6 dB (RR 5.225A) the same again.
    assert row["reference_dbm"] == pytest.approx(-121.0, abs=0.05)
    found = levels(row)
    # 10·log10(200 kHz / 10 kHz) = 13.01 dB: white noise.
    assert found[min(found, key=lambda hz: abs(hz - 485_000_000))] == pytest.approx(-90 + 13.01, abs=0.06)
    carrier = [level for hz, level in found.items() if abs(hz - 488_500_000) < 30_000]
    assert carrier == [pytest.approx(-70, abs=0.05)]
    # Elsewhere the survey stands at its instrument's floor, 11 dB over the receiver's: that says nothing of the site.
    assert all(abs(hz - 485e6) <= 0.63e6 or abs(hz - 488.5e6) < 3e4 for hz in found)


def test_ours_that_were_on_are_no_noise_and_others_are(site: Site) -> None:
    row = survey(site, (480.0, 0.2, -50), (483.0, 0.2, -60))
    assert {round(hz / 1e6) for hz in levels(noise(site)[0])} == {483}
    surveying.change_survey(actor=site.coordinator, survey=row, which="none")
    assert {round(hz / 1e6) for hz in levels(noise(site)[0])} == {480, 483}


def test_what_does_not_count_enters_nothing(site: Site) -> None:
    row = survey(site, (485.0, 1.0, -90))
    for said in ({"counts": False}, {"counts": True, "resolution_hz": None}):
        surveying.change_survey(actor=site.coordinator, survey=row, **said)
        assert (noise(site), heard_by_zone(site.event)) == ([], {})
    surveying.change_survey(actor=site.coordinator, survey=row, resolution_hz=10_000, floor_told_dbm=-95.0)
    assert noise(site) == []  # five over the instrument's own floor, as told


def test_of_several_surveys_the_highest_counts(site: Site) -> None:
    survey(site, (485.0, 1.0, -90))
    survey(site, (485.0, 1.0, -80), (487.0, 1.0, -95))
    (row,) = noise(site)
    found = levels(row)
    assert max(found.values()) == pytest.approx(-80 + 13.01, abs=0.06)
    assert {round(hz / 1e6) for hz in found} >= {485, 487}


def test_the_solver_keeps_away_from_what_a_survey_shows(site: Site) -> None:
    # Everything from 478 to 484 MHz is noisy; there is room above.
    survey(site, (481.0, 6.0, -80))
    planning.take_back(
        actor=site.coordinator,
        selection=Selection(carriers=("AUD-001", "AUD-002")),
        reason="to be planned anew",
    )
    document = freeze(site.event).problem
    for carrier in document["carriers"]:
        carrier["tuning"] = [{"low_hz": 478_100_000, "high_hz": 489_900_000, "step_hz": 25_000}]
        carrier.pop("previous_hz", None)
    problem = read_problem(document)
    result = solve(problem, seconds=5, seed=0)
    assert not result.unplaced
    assert all(result.assignments[code] > 484_000_000 for code in ("AUD-001", "AUD-002"))


# -- several together, and what they suggest ------------------------------------------------


def test_surveys_of_a_zone_are_laid_together_in_the_widest_bandwidth(site: Site) -> None:
    survey(site, (485.0, 1.0, -90), which="none")
    survey(site, (485.0, 1.0, -70), which="none", resolution_hz=100_000)
    survey(site, (485.0, 1.0, -75), which="none", resolution_hz=100_000)
    found = surveying.of_zone(heard_by_zone(site.event)["main"])
    assert found is not None and found.resolution_hz == 100_000
    # The first is ten decibels higher in ten times the bandwidth: -80, -70 and -75 at 485 MHz.
    assert float(found.highest.between(485e6, 485e6)[0]) == pytest.approx(-70, abs=0.01)
    assert float(found.median.between(485e6, 485e6)[0]) == pytest.approx(-75, abs=0.01)


def test_ranges_over_the_threshold_are_suggested_until_they_are_taken(site: Site) -> None:
    survey(site, (480.0, 0.2, -50), (485.0, 1.0, -60), (488.0, 0.1, -95))
    found = surveying.of_zone(heard_by_zone(site.event)["main"])
    assert found is not None
    rows = surveying.suggestions(site.event, found, -80)
    assert [(row.low_hz, row.high_hz, row.peak_dbm, row.taken) for row in rows] == [
        (484_475_000, 485_525_000, -60, "")
    ]
    assert len(surveying.suggestions(site.event, found, -97)) == 2
    surveying.accept(actor=site.coordinator, zone=site.zone("main"), keys=[rows[0].key], threshold_dbm=-80)
    taken = site.event.occupied.get()
    assert (taken.low_hz, taken.high_hz, taken.source) == (
        484_475_000,
        485_525_000,
        "survey 1 at Main stage, over -80 dBm",
    )
    assert surveying.suggestions(site.event, found, -80)[0].taken == taken.label
    assert [row["low_hz"] for row in freeze(site.event).problem["blocked"]] == [484_475_000]


# -- pages ----------------------------------------------------------------------------------


def send(site: Site, who: str = "coordinator", content: str = "", **fields: Any) -> Any:
    given = {
        "zone": str(site.zone("main").pk),
        "taken_at": "2027-06-11T20:00",
        "resolution_hz": "10",
        "which": "plan",
    }
    file = SimpleUploadedFile("sweep.csv", (content or text((480.0, 0.2, -50), (485.0, 1.0, -60))).encode())
    return site.browser(who).post(BASE, {**given, "file": file, **fields})


def test_a_survey_is_sent_read_looked_at_and_its_suggestion_accepted(site: Site) -> None:
    browser = site.browser("coordinator")
    assert "No survey yet" in browser.get(BASE).content.decode()
    answer = send(site)
    assert (answer.status_code, answer["Location"]) == (302, f"{BASE}1/")
    assert "waiting for a worker" in browser.get(f"{BASE}1/").content.decode()
    assert "HX-Refresh" not in browser.get(f"{BASE}1/progress/")
    reading.read(Survey.objects.get().pk, "test")
    assert browser.get(f"{BASE}1/progress/")["HX-Refresh"] == "true"
    page = browser.get(f"{BASE}1/").content.decode()
    for words in (
        "<svg", "recognised by the size", "1201 points", "3 of ours, agreed in the plan", "Expected and missing",
        "AUD-002",
    ):  # fmt: skip
        assert words in page, words
    assert " style=" not in page and "<script>" not in page
    sent = b"".join(browser.get(f"{BASE}1/file/").streaming_content)
    assert sent.decode() == text((480.0, 0.2, -50), (485.0, 1.0, -60))
    page = browser.get(f"{BASE}zones/main/?threshold_dbm=-80").content.decode()
    key = re.search(r'name="range" value="([^"]+)"', page)
    assert key and "484.475 to 485.525" in page
    answer = browser.post(f"{BASE}zones/main/?threshold_dbm=-80", {"range": key[1], "threshold": "-80"})
    assert answer.status_code == 302 and site.event.occupied.count() == 1
    assert 'name="range"' not in browser.get(f"{BASE}zones/main/?threshold_dbm=-80").content.decode()


def test_a_file_is_kept_whatever_else_is_wrong_with_the_form(site: Site) -> None:
    answer = send(site, resolution_hz="broad", taken_at="yesterday")
    assert answer["Location"] == f"{BASE}1/"
    page = site.browser("coordinator").get(f"{BASE}1/").content.decode()
    assert "The file is kept. Put right" not in page  # the message belongs to the sender's own session
    row = Survey.objects.get()
    assert (row.resolution_hz, row.size > 0) == (None, True)
    reading.read(row.pk, "test")
    browser = site.browser("coordinator")
    assert "until it is, the survey is shown and enters nothing" in browser.get(f"{BASE}1/").content.decode()
    assert "No survey of this zone counts yet" in browser.get(f"{BASE}zones/main/").content.decode()


def test_nothing_is_kept_where_there_is_no_file_or_no_right(site: Site) -> None:
    assert site.browser("coordinator").post(BASE, {"zone": site.zone("main").pk}).status_code == 422
    answer = send(site, "desk")
    assert answer.status_code == 403 and "Only a coordinator" in answer.content.decode()
    refused = {who: send(site, who).status_code for who in ("lead", "observer", "stranger")}
    assert refused == {"lead": 403, "observer": 403, "stranger": 404}
    assert not Survey.objects.exists()


def test_what_is_said_of_a_survey_is_changed_with_its_version(site: Site) -> None:
    row = survey(site)
    browser = site.browser("coordinator")
    said = {
        "zone": str(row.zone_id), "taken_at": "2027-06-11T20:00", "resolution_hz": "25", "antenna": "discone, 6 m up",
        "unit_told": "", "floor_told_dbm": "-100", "which": "", "counts": "on", "version": str(row.version),
    }  # fmt: skip
    assert browser.post(f"{BASE}1/", said).status_code == 302
    row.refresh_from_db()
    assert (row.resolution_hz, row.antenna, row.floor_dbm, len(row.own)) == (
        25_000,
        "discone, 6 m up",
        -100,
        3,
    )
    answer = browser.post(f"{BASE}1/", {**said, "antenna": "whip"})
    assert (
        answer.status_code == 422
        and "Somebody else changed" in answer.content.decode()
        and "whip" in answer.content.decode()
    )
    answer = browser.post(f"{BASE}1/", {**said, "resolution_hz": "-1", "version": str(row.version)})
    assert answer.status_code == 422
    assert (
        site.browser("desk").post(f"{BASE}1/", {"do": "remove"}).status_code == 403
        and Survey.objects.exists()
    )
    assert browser.post(f"{BASE}1/", {"do": "remove"})["Location"] == BASE
    assert not Survey.objects.exists()


def test_a_faulty_file_shows_every_fault(site: Site) -> None:
    send(site, content="MHz;dBm\n478;-100\n479;loud\n480\n")
    reading.read(Survey.objects.get().pk, "test")
    page = site.browser("coordinator").get(f"{BASE}1/").content.decode()
    assert "2 faults" in page and "loud" in page and ">4<" in page


def test_pages_ask_the_database_equally_often_however_much_was_on(
    site: Site, django_assert_max_num_queries: Any
) -> None:
    for _ in range(3):
        survey(site, (480.0, 0.2, -50), (485.0, 1.0, -60), (487.0, 0.1, -70))
    browser = site.browser("desk")
    for path in ("", "1/", "zones/main/"):
        with django_assert_max_num_queries(19):
            assert browser.get(f"{BASE}{path}").status_code == 200


# -- machines -------------------------------------------------------------------------------

API = "/api/v1/events/harbour-days/surveys/"


def post(site: Site, who: str = "coordinator", **fields: Any) -> Any:
    content = text((480.0, 0.2, -50), (485.0, 1.0, -60)).encode()
    given = {"zone": "main", "taken_at": "2027-06-11T18:00:00Z", "resolution_hz": 10_000}
    file = SimpleUploadedFile("sweep.csv", content)
    return site.client(who).post(API, {**given, "file": file, **fields}, format="multipart")


def test_machines_send_surveys_and_read_what_became_of_them(site: Site) -> None:
    answer = post(site)
    assert (answer.status_code, answer.json()["state"]) == (202, "waiting")
    assert answer["Location"].endswith(f"{API}1/")
    client = site.client("coordinator")
    assert client.get(f"{API}1/comparison/").status_code == 404
    reading.read(Survey.objects.get().pk, "test")
    read = client.get(f"{API}1/")
    said = read.json()
    assert (said["state"], said["unit"], said["points"], said["floor_dbm"]) == ("read", "MHz", 1201, FLOOR)
    assert [row["carrier"] for row in said["own"]] == ["AUD-001", "AUD-002", "AUD-003"]
    comparison = client.get(f"{API}1/comparison/").json()
    assert {row["carrier"]: row["state"] for row in comparison["expected"]} == {
        "AUD-001": "seen",
        "AUD-002": "missing",
    }
    assert [row["peak_dbm"] for row in comparison["unexplained"]] == [-60.0]
    body = {"own_on": "none", "floor_dbm": -105}
    changed = client.patch(f"{API}1/", body, format="json", HTTP_IF_MATCH=read["ETag"])
    assert (changed.status_code, changed.json()["own"], changed.json()["floor_dbm"]) == (200, [], -105)
    assert client.patch(f"{API}1/", body, format="json", HTTP_IF_MATCH=read["ETag"]).status_code == 412
    assert client.delete(f"{API}1/", HTTP_IF_MATCH="*").status_code == 204


def test_a_survey_sent_twice_under_one_key_is_kept_once(site: Site) -> None:
    client = site.client("coordinator")

    def again(content: str) -> Any:
        file = SimpleUploadedFile("sweep.csv", content.encode())
        given = {"zone": "main", "taken_at": "2027-06-11T18:00:00Z", "resolution_hz": 10_000, "file": file}
        return client.post(API, given, format="multipart", HTTP_IDEMPOTENCY_KEY="sweep-1")

    first, second = again(text()), again(text())
    assert (first.status_code, second.status_code) == (202, 202) and first.json() == second.json()
    assert again(text((485.0, 1.0, -60))).status_code == 422
    (kept,) = Survey.objects.all()
    assert b"".join(reading.pieces(kept)) == text().encode()


def test_machines_accept_what_surveys_suggest(site: Site) -> None:
    client = site.client("coordinator")
    assert client.get(f"{API}zones/main/").json()["suggestions"] == []
    survey(site, (480.0, 0.2, -50), (485.0, 1.0, -60))
    answer = client.get(f"{API}zones/main/").json()
    assert (answer["threshold_dbm"], answer["surveys"]) == (-100, [1])
    (row,) = answer["suggestions"]
    body = {"ranges": [row["range"]], "threshold_dbm": answer["threshold_dbm"]}
    assert client.post(f"{API}zones/main/", body, format="json").status_code == 201
    assert client.post(f"{API}zones/main/", body, format="json").status_code == 409
    assert client.get(f"{API}zones/main/?threshold_dbm=loud").status_code == 422
    assert client.get(f"{API}zones/moon/").status_code == 404
    assert site.event.occupied.count() == 1


def test_what_machines_send_wrongly_is_told_field_by_field(site: Site) -> None:
    answer = post(site, resolution_hz=0, taken_at="soon", unit="furlong")
    assert (answer.status_code, {row["field"] for row in answer.json()["errors"]}) == (
        422,
        {"resolution_hz", "taken_at", "unit"},
    )
    assert [row["field"] for row in post(site, zone="moon").json()["errors"]] == ["zone"]
    for who, status in (("desk", 403), ("lead", 403), ("observer", 403)):
        assert post(site, who).status_code == status
    assert not Survey.objects.exists()
    survey(site)
    seen = {who: site.client(who).get(f"{API}1/").status_code for who in ("desk", "lead", "observer")}
    assert seen == {"desk": 200, "lead": 404, "observer": 404}
