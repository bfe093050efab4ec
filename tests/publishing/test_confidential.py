"""What sheets and the journal tell of a confidential department: not its name, not a frequency, nothing to work one out from."""

import html
import io
import json
import re
from itertools import product

import pytest
from pypdf import PdfReader

from apps.planning import actions as planning
from apps.planning import verdicts
from apps.planning.actions import Selection
from apps.planning.queries import Redaction
from apps.publishing.actions import publish
from apps.registry.models import Carrier
from tests.planning.test_pages import BASE, place
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db
MHZ = 1_000_000
OWN = {"AUD-001": 500_100_000, "AUD-002": 510_100_000, "AUD-003": 560_000_000}
# The first makes three equally spaced (2 · 510.1 − 500.1 = 520.1, 2 · 510.1 − 520.1 = 500.1), the second is too near to 560.
SECRET = {"GRD-001": 520_100_000, "GRD-002": 560_200_000}


@pytest.fixture
def site() -> Site:
    """Audio and a confidential department in one zone, breaking rules together; all of it signed for and published."""
    site = make_site()
    register(site.lead, line(quantity=3))
    register(site.coordinator, line("agents on foot", department="GRD", quantity=2))
    for code, hertz in (OWN | SECRET).items():
        place(site, code, hertz)
    planning.approve(actor=site.coordinator, selection=Selection(carriers=tuple(OWN | SECRET)))
    for breach in verdicts.judge(site.event).breaches:
        planning.accept_breach(actor=site.coordinator, breach=breach.key, reason="agreed at the table")
    publish(actor=site.coordinator, note="first")
    site.event.refresh_from_db()
    return site


def papers(site: Site, who: str) -> dict[str, str]:
    """Everything on which audio's devices stand, as one of the people reads it."""
    browser, machine = site.browser(who), site.client(who)
    found = {
        "sheet": browser.get(f"{BASE}sheets/AUD/").content.decode(),
        "data": browser.get(f"{BASE}sheets/AUD/sheet.json").content.decode(),
        "table": browser.get(f"{BASE}sheets/AUD/sheet.csv").content.decode(),
        "journal": browser.get(f"{BASE}journal/").content.decode(),
        "machine": machine.get(
            "/api/v1/events/harbour-days/editions/1/sheet/?department=AUD"
        ).content.decode(),
        "paper": text_of(browser.get(f"{BASE}sheets/AUD/sheet.pdf").content),
    }
    for code in OWN:
        key = Carrier.objects.get(code=code).units.get().key
        found[code] = browser.get(f"{BASE}sheets/AUD/{key}/").content.decode()
        found[f"{code} on paper"] = text_of(browser.get(f"{BASE}sheets/AUD/{key}/page.pdf").content)
    return {where: re.sub(r"\s+", " ", html.unescape(text)) for where, text in found.items()}


def text_of(paper: bytes) -> str:
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(paper)).pages)


def told_apart(hertz: int) -> set[str]:
    """A distance in the shapes in which it is written: «325 kHz», «+0.325 MHz»."""
    return {f"{abs(hertz) / 1e3:g} kHz apart", f"{abs(hertz) / 1e6:.10g} MHz"}


@pytest.mark.parametrize("who", ["lead", "observer"])
def test_no_sheet_holds_what_a_confidential_frequency_could_be_worked_out_from(site: Site, who: str) -> None:
    broken = {row.rule for row in verdicts.judge(site.event).breaches if concerns_both(row.carriers)}
    assert broken == {"product", "separation"}, "else this test shows nothing"
    secrets = {"GRD", "Guest protection", "agents on foot"}
    secrets |= {f"{hertz / 1e6:.{digits}f}" for hertz in SECRET.values() for digits in (1, 3, 6)}
    secrets |= {str(hertz) for hertz in SECRET.values()}
    for own, other in product(OWN.values(), SECRET.values()):
        secrets |= told_apart(other - own)
    for where, text in papers(site, who).items():
        if where != "journal":
            assert "another department" in text, where
        assert [secret for secret in secrets if secret in text] == [], where
        # No family of products stands beside the letters that are one's own.
        assert not re.search(r"2A−B|A\+B−C|3A−2B", text), where


def concerns_both(carriers: tuple[str, ...]) -> bool:
    return {code[:3] for code in carriers} == {"AUD", "GRD"}


def test_sheets_name_whom_to_have_on_the_air_where_there_is_too_little(site: Site) -> None:
    """Common practice, no source: at a walk test everything that could disturb a device is on the air."""
    place(site, "AUD-001", 607_700_000)  # far from all others, and from their products
    planning.approve(actor=site.coordinator, selection=Selection(carriers=("AUD-001",)))
    publish(actor=site.coordinator, note="second")
    rows = site.browser("coordinator").get(f"{BASE}sheets/AUD/sheet.json").json()["rows"]
    told = {row["carrier"]: row for row in rows}
    assert told["AUD-001"]["outlook"] == "fine" and told["AUD-003"]["outlook"] != "fine"
    for row in rows:
        assert bool(row["at_risk_from"]) == (row["outlook"] != "fine"), row["carrier"]
    # It is its department's paper: whoever prints it, it says no more than the department may know.
    (first, *_) = told["AUD-003"]["at_risk_from"]
    assert first == "another department, Main stage"
    for where, text in papers(site, "lead").items():
        if where.startswith("AUD-003"):
            assert "have them on when you test" in text, where
        if where.startswith("AUD-001"):
            assert "have them on" not in text, where
        if where == "sheet":
            assert f"most at risk from {first}" in text, where


def test_its_own_people_and_coordinators_read_all_of_it(site: Site) -> None:
    own = papers_of_guard(site)
    assert all(code in own for code in SECRET) and "AUD" not in own
    found = verdicts.judge(site.event).breaches
    assert any(
        row.words.startswith("2A−B of AUD-00") and "lands on GRD-001 (520.1 MHz)" in row.words
        for row in found
    )
    assert [Redaction(site.coordinator).breach(row) for row in found] == [row.words for row in found]


def papers_of_guard(site: Site) -> str:
    data = site.browser("guard").get(f"{BASE}sheets/GRD/sheet.json").content
    return json.dumps(json.loads(data)["rows"], ensure_ascii=False)


def test_what_is_said_instead_can_be_acted_on(site: Site) -> None:
    found = verdicts.judge(site.event).breaches
    eyes = Redaction(site.lead)
    near = next(row for row in found if set(row.carriers) == {"AUD-003", "GRD-002"})
    assert (
        eyes.breach(near)
        == "AUD-003 and another department, Main stage are nearer in frequency than they need."
    )
    for hit in (row for row in found if row.rule == "product"):
        assert (
            eyes.breach(hit)
            == "Intermodulation with another department, Main stage, in Main stage, antennas."
        )
    # One that only keeps to itself may be told by how far it is off, as neighbours are, though not by name.
    site.event.departments.filter(code="GRD").update(confidential=False)
    told = Redaction(site.lead).breach(near)
    assert "200 kHz apart" in told and "GRD" not in told
