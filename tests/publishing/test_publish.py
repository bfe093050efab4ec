"""Publishing freezes what is agreed and recounted; sheets show it exact, and nobody sees what is not theirs."""

import csv
import io
import json
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from apps.common.errors import Conflict, Forbidden
from apps.planning import actions as planning
from apps.planning import running, verdicts, working
from apps.planning.actions import Selection
from apps.publishing import actions, paper, queries, rendering
from apps.publishing.sheets import EditionHeader, SheetLine
from apps.registry.models import Carrier, Unit
from tests.site import Site, line, make_site, register

BASE = "/api/v1/events/harbour-days/"
ALL = Selection(filter={})


@pytest.fixture
def site() -> Site:
    site = make_site()
    register(site.lead, line(quantity=3, spares=1, units=2, settings={"pairing key": "=4711"}))
    register(site.other, line("camera talkback", department="VID", zone="side", quantity=2))
    register(site.guard, line("close protection", department="GRD", kind="repeater", zone="gate"))
    run = running.request_run(actor=site.again("coordinator"), seconds=5)
    working.work(run.pk, "this test")
    planning.approve(actor=site.coordinator, selection=ALL)
    return site


store = [pytest.mark.django_db(transaction=True), pytest.mark.store]


class TestEditions:
    pytestmark = store

    def test_an_edition_is_frozen_and_points_to_the_one_it_replaces(self, site: Site) -> None:
        first = actions.publish(actor=site.coordinator, note="one")
        lines = [line.content for line in queries.lines_of(site.coordinator, first)]
        carrier = Carrier.objects.get(code="AUD-001")
        planning.change_frequency(
            actor=site.coordinator, carrier=carrier, frequency_hz=600_100_000, reason="dead spot"
        )
        assert [line.content for line in queries.lines_of(site.coordinator, first)] == lines
        planning.approve(actor=site.coordinator, selection=ALL)
        second = actions.publish(actor=site.coordinator, note="two")
        assert (second.number, second.replaces.number) == (2, 1)
        assert first.digest != second.digest

    def test_the_second_device_stands_before_the_tenth(self, site: Site) -> None:
        unit = Unit.objects.filter(carrier__code="AUD-001").latest("number")
        for number in range(unit.number + 1, 13):
            Unit.objects.create(carrier=unit.carrier, number=number)
        edition = actions.publish(actor=site.coordinator)
        units = [line.content["unit"] for line in edition.lines.filter(department="AUD")]
        assert units[:12] == [f"AUD-001/{number}" for number in range(1, 13)]

    def test_what_nobody_agreed_to_has_no_frequency_on_the_sheet(self, site: Site) -> None:
        planning.take_back(
            actor=site.coordinator, selection=Selection(carriers=("VID-001",)), reason="ask again"
        )
        edition = actions.publish(actor=site.coordinator)
        found = {row.carrier: row.content for row in queries.lines_of(site.coordinator, edition)}
        assert found["VID-001"]["frequency_hz"] is None
        assert "Not agreed" in found["VID-001"]["reason"]
        assert found["VID-002"]["frequency_hz"]

    def test_a_breach_stands_in_the_way_until_somebody_signs(self, site: Site) -> None:
        at = Carrier.objects.get(code="AUD-002").assignment.frequency_hz
        planning.change_frequency(
            actor=site.coordinator,
            carrier=Carrier.objects.get(code="AUD-001"),
            frequency_hz=at + 100_000,
            reason="x",
        )
        planning.approve(actor=site.coordinator, selection=ALL)
        answer = site.client("coordinator").post(f"{BASE}editions/", {"note": "no"}, format="json")
        assert answer.status_code == 409
        breaches = answer.json()["breaches"]
        assert {"AUD-001", "AUD-002"} in [set(breach["carriers"]) for breach in breaches]
        for breach in breaches:
            signed = site.client("coordinator").post(
                f"{BASE}plan/breaches/",
                {"breach": breach["breach"], "reason": "never on together"},
                format="json",
            )
            assert signed.status_code == 201
        answer = site.client("coordinator").post(f"{BASE}editions/", {"note": "yes"}, format="json")
        assert answer.status_code == 201
        assert answer.json()["accepted"][0]["accepted_by"] == "coordinator@harbour-days.example"
        assert verdicts.recount(site.event).breaches

    def test_nothing_agreed_is_said(self, site: Site) -> None:
        planning.take_back(actor=site.coordinator, selection=ALL, reason="all again")
        with pytest.raises(Conflict, match="Nothing is approved"):
            actions.publish(actor=site.coordinator)

    def test_only_coordinators_publish(self, site: Site) -> None:
        for who in (site.lead, site.desk, site.observer):
            with pytest.raises(Forbidden):
                actions.publish(actor=who)

    def test_a_department_alone_can_be_published(self, site: Site) -> None:
        edition = actions.publish(actor=site.coordinator, department=site.department("VID"))
        assert {row.department for row in queries.lines_of(site.coordinator, edition)} == {"VID"}
        assert site.client("lead").get(f"{BASE}editions/").json()["count"] == 0
        assert site.client("other").get(f"{BASE}editions/").json()["count"] == 1

    def test_a_lead_gets_their_own_sheet_only(self, site: Site) -> None:
        edition = actions.publish(actor=site.coordinator)
        client = site.client("lead")
        whole = client.get(f"{BASE}editions/{edition.number}/sheet/?as=json").json()
        assert {row["department"] for row in whole["rows"]} == {"AUD"}
        assert client.get(f"{BASE}editions/{edition.number}/sheet/?department=GRD&as=pdf").status_code == 404

    def test_paper_holds_every_frequency_of_its_department_and_none_of_a_confidential_one(
        self, site: Site
    ) -> None:
        edition = actions.publish(actor=site.coordinator)
        client = site.client("coordinator")
        hidden = {
            rendering.megahertz(row.content["frequency_hz"])
            for row in queries.lines_of(site.coordinator, edition).filter(department="GRD")
        }
        for code in ("AUD", "VID", "GRD"):
            printed = client.get(f"{BASE}editions/{edition.number}/sheet/?department={code}&as=pdf").content
            text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(printed)).pages)
            own = [row.content for row in queries.lines_of(site.coordinator, edition).filter(department=code)]
            assert own
            for row in own:
                assert rendering.megahertz(row["frequency_hz"]) in text
                assert row["unit"] in text
            if code != "GRD":
                assert not any(hertz in text for hertz in hidden)
                assert "Guest protection" not in text and "GRD" not in text

    def test_the_same_edition_gives_the_same_bytes(self, site: Site) -> None:
        edition = actions.publish(actor=site.coordinator)
        client = site.client("coordinator")
        for kind in ("pdf", "csv", "json"):
            path = f"{BASE}editions/{edition.number}/sheet/?department=AUD&as={kind}"
            assert client.get(path).content == client.get(path).content

    def test_the_table_reads_back_and_formulas_are_neutralised(self, site: Site) -> None:
        edition = actions.publish(actor=site.coordinator)
        text = site.client("lead").get(f"{BASE}editions/{edition.number}/sheet/?as=csv").content.decode()
        rows = list(csv.DictReader(io.StringIO(text)))
        assert len(rows) == 8
        placed = {row["carrier"]: int(row["frequency_hz"]) for row in rows}
        exact = {code: Carrier.objects.get(code=code).assignment.frequency_hz for code in placed}
        assert placed == exact
        assert (rows[0]["settings"], rows[0]["at_one_end"]) == ("pairing key==4711; low cut=", "low cut")

    def test_the_sheet_that_counts_is_the_newest_of_the_department(self, site: Site) -> None:
        client = site.client("coordinator")
        assert client.get(f"{BASE}departments/VID/sheet/").status_code == 404
        actions.publish(actor=site.coordinator)
        actions.publish(actor=site.coordinator, department=site.department("VID"))
        for code, number in (("AUD", 1), ("VID", 2)):
            counts = client.get(f"{BASE}departments/{code}/sheet/").content
            assert counts == client.get(f"{BASE}editions/{number}/sheet/?department={code}").content
        one = client.get(f"{BASE}departments/VID/sheet/?carrier=VID-002").json()["rows"]
        assert [row["carrier"] for row in one] == ["VID-002"]
        assert site.client("lead").get(f"{BASE}departments/VID/sheet/").status_code == 404

    def test_json_begins_with_what_is_asked_for_most(self, site: Site) -> None:
        edition = actions.publish(actor=site.coordinator)
        content = site.client("coordinator").get(f"{BASE}editions/{edition.number}/sheet/?as=json").content
        first = json.loads(content)["rows"][0]
        wanted = ["carrier", "unit", "department", "zone", "frequency_hz", "channel", "power_mw", "spare_of"]
        assert list(first)[:8] == wanted


@given(st.integers(1, 10**12))
def test_megahertz_are_exact_and_have_at_least_three_decimals(hertz: int) -> None:
    text = rendering.megahertz(hertz)
    whole, part = text.split(".")
    assert len(part) >= 3
    assert int(whole) * 10**6 + int(part.ljust(6, "0")) == hertz


@pytest.mark.parametrize(
    ("hertz", "text"), [(470_125_000, "470.125"), (446_006_250, "446.00625"), (1_000_000_001, "1000.000001")]
)
def test_megahertz_as_written_by_hand(hertz: int, text: str) -> None:
    assert rendering.megahertz(hertz) == text


def test_cautions_that_matter_for_the_rows_of_a_sheet_come_first() -> None:
    header = EditionHeader(
        "", "", "", "UTC", 1, datetime(2027, 1, 1, tzinfo=UTC), "", "", "", None, "", "",
        ("608 to 614 MHz is kept clear here.", "Ask who is on the air."),
    )  # fmt: skip

    def order(*hertz: int) -> list[str]:
        lines = [SimpleNamespace(frequency_hz=at) for at in hertz]
        return rendering.cautions_for(header, lines)[len(rendering.OWN_CAUTIONS) :]

    assert order(470_100_000)[0] == "Ask who is on the air."
    assert order(470_100_000, 610_000_000)[0] == "608 to 614 MHz is kept clear here."


LINE = SheetLine(
    carrier="AUD-001", unit="AUD-001/1", unit_label="vocals AUD-001/1", unit_key="key", department="AUD",
    department_name="Audio", zone="main", zone_name="Main stage", label="vocals", kind="mic", kind_name="Microphone",
    role="mic", role_name="microphone to receiver", frequency_hz=480_100_000, channel="22", bandwidth_hz=200_000,
    power_mw=10, settings=(("pairing key", ""),), spare_of="", spares=(), starts_at=None, ends_at=None, stretches=(),
    cells="2 × AA", running_h=6, status="locked", reason="", beware=(), contact="", notes="", margin="",
)  # fmt: skip


@pytest.mark.parametrize("count", [3, *range(9, 17)])
def test_the_last_page_of_a_paper_holds_more_than_cautions(count: int) -> None:
    header = EditionHeader(
        "Harbour Days", "harbour-days", "", "UTC", 1, datetime(2027, 1, 1, tzinfo=UTC), "", "", "", None, "", "",
        ("Ask who is on the air.",), "radio channel 1",
    )  # fmt: skip
    lines = [replace(LINE, unit=f"AUD-{number:03d}/1") for number in range(1, count + 1)]
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(paper.pdf(header, lines))).pages]
    assert "radio channel 1" in pages[0]
    assert "Ask who is on the air." in pages[-1] and f"AUD-{count:03d}/1" in pages[-1]
    assert sum(page.count("Ask who is on the air.") for page in pages) == 1


@pytest.mark.parametrize("names", [1, 8, 20, 150])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 9])
def test_devices_with_much_to_set_still_fit_their_paper(count: int, names: int) -> None:
    """As many settings as a kind may ask for, and long notes: rows then are taller than half a page, or than a whole one."""
    header = EditionHeader(
        "Harbour Days", "harbour-days", "", "UTC", 1, datetime(2027, 1, 1, tzinfo=UTC), "", "", "", None, "", "",
        ("Ask who is on the air.",), "radio channel 1",
    )  # fmt: skip
    settings = tuple((f"setting {number}", "a value of some length") for number in range(names))
    tall = replace(LINE, settings=settings, notes="To be told to whoever carries it. " * names)
    lines = [replace(tall, unit=f"AUD-{number:03d}/1") for number in range(1, count + 1)]
    for printed in (paper.pdf(header, lines), paper.unit_page_pdf(header, tall)):
        text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(printed)).pages)
        assert f"setting {names - 1}" in text and text.count("Ask who is on the air.") <= 1


class TestManyBreaches:
    pytestmark = store

    def test_a_device_with_many_accepted_breaches_still_fits_its_papers(self, site: Site) -> None:
        edition = actions.publish(actor=site.coordinator)
        words = tuple(
            f"accepted by somebody: breach {number}; " + "why it stays " * 30 for number in range(60)
        )
        line_of = replace(queries.sheet_line(edition.lines.first()), accepted=words)
        header = queries.header_of(edition)
        for printed in (paper.unit_page_pdf(header, line_of), paper.pdf(header, [line_of])):
            text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(printed)).pages)
            assert "and 56 more" in text
