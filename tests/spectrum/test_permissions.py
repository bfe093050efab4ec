"""Permissions: what has to be asked for, the list going out and coming back, the mark of a line lifted and back again.

The ruleset of these tests is the CEPT one: 470-694 MHz is open to microphones at 50 mW e.r.p. (ERC/REC 25-10 Annex 4,
through the national tables), 694-733 MHz is closed to them, 406.0-406.1 MHz is for distress beacons (Radio Regulations).
"""

import csv
import io
from datetime import UTC, datetime

import pytest

from apps.common.errors import Faulty, Forbidden
from apps.events.models import Event
from apps.journal.models import Entry
from apps.planning import snapshot
from apps.planning.verdicts import recount
from apps.publishing.freezing import Counted, lines_of
from apps.registry import asking, permitting
from apps.registry.models import Registration
from apps.registry.permission_lists import read_list, write_list
from apps.registry.rules import Granted
from apps.spectrum.models import Permission
from apps.spectrum.rulesets import ruleset
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/set-up/permissions/"
API = "/api/v1/events/harbour-days/permissions/"
GRANT = {
    "state": "granted", "low_hz": "700 MHz", "high_hz": "710 MHz", "width_hz": 200_000, "power_mw": 100, "basis": "eirp",
    "authority": "National regulator", "reference": "R/17", "conditions": "Show this paper on demand.",
}  # fmt: skip


@pytest.fixture
def site() -> Site:
    """A site whose microphones tune 698 to 714 MHz, where the ruleset closes everything to them."""
    site = make_site()
    role = site.event.kinds.get(code="mic").roles.get()
    role.tuning = [{"low_hz": 698_000_000, "high_hz": 714_000_000, "step_hz": 25_000}]
    role.save()
    return site


def mark(label: str = "lead vocals") -> tuple[bool, str]:
    row = Registration.objects.get(label=label)
    return bool(row.not_permitted), row.state


def grant(site: Site, **fields: object) -> Permission:
    return permitting.answer(actor=site.coordinator, rows=[GRANT | fields])[0].existing  # type: ignore[return-value]


def test_a_granted_permission_lifts_the_mark_and_narrows_what_is_tuned(site: Site) -> None:
    register(site.lead, line())
    assert mark() == (True, "submitted")
    before = Event.objects.get().revision
    permission = grant(site)
    assert mark() == (False, "accepted")
    assert Event.objects.get().revision > before
    row = snapshot.freeze(site.event).problem["carriers"][0]
    # 200 kHz wide carriers lie wholly inside 700 to 710 MHz.
    assert [(part["low_hz"], part["high_hz"]) for part in row["tuning"]] == [(700_100_000, 709_900_000)]
    assert asking.standing_on(Registration.objects.get(), Granted(site.event)) == [permission]
    said = Entry.objects.get(verb="marked lines by what is permitted")
    assert said.department == "AUD" and said.changes["lead vocals"]["not_permitted"][1] == ""


def test_the_mark_comes_back_when_the_permission_lapses_and_what_was_placed_is_a_breach(site: Site) -> None:
    register(site.lead, line())
    permission = grant(site)
    permitting.answer(actor=site.coordinator, rows=[{"code": permission.code, "state": "lapsed"}])
    assert mark() == (True, "submitted")
    assert snapshot.freeze(site.event).problem["carriers"] == []


def test_what_is_past_its_end_lapses_by_itself(site: Site) -> None:
    register(site.lead, line())
    grant(site, until="2027-06-20T12:00")
    assert permitting.lapse_overdue(datetime(2027, 6, 20, 9, 59, tzinfo=UTC)) == 0
    # 12:00 in Vienna is 10:00 UTC in summer.
    assert permitting.lapse_overdue(datetime(2027, 6, 20, 10, tzinfo=UTC)) == 1
    assert (Permission.objects.get().state, mark()) == ("lapsed", (True, "submitted"))


def test_what_does_not_reach_the_line_lifts_nothing(site: Site) -> None:
    register(site.lead, line(start="2027-06-11T18:00", end="2027-06-11T20:00"))
    for fields in (
        {"state": "asked"},
        {"high_hz": "700.1 MHz", "width_hz": 100_000},
        {"width_hz": 100_000},
        # The kind's smallest step is 10 mW.
        {"power_mw": 9},
        {"zones": "side; gate"},
        {"department": "VID"},
        {"use": "link"},
        {"start": "2027-06-11T18:30", "end": "2027-06-11T23:00"},
        {"until": "2027-06-11T19:00"},
        {"low_hz": "720 MHz", "high_hz": "730 MHz"},
    ):
        grant(site, **fields)
        assert mark() == (True, "submitted"), fields


def test_what_just_reaches_it_does(site: Site) -> None:
    register(site.lead, line(start="2027-06-11T18:00", end="2027-06-11T20:00", power_mw=50))
    # 50 mW e.r.p. allow 82 mW e.i.r.p., so 50 mW into an antenna of 0 dBi.
    grant(
        site, zones="main", department="AUD", use="hand held", start="2027-06-11T18:00", end="2027-06-11T20:00",
        until="2027-06-11T20:00", power_mw="50", basis="e.r.p.",
    )  # fmt: skip
    assert mark() == (False, "accepted")


def test_the_line_takes_the_strongest_step_that_is_granted(site: Site) -> None:
    register(site.lead, line())
    grant(site, power_mw=10)
    assert snapshot.freeze(site.event).power_mw == {"AUD-001": 10}


def test_fixed_antennas_must_not_stand_higher_than_granted(site: Site) -> None:
    role = site.event.kinds.get(code="mic").roles.get()
    role.sent_by = "base"
    role.save()
    register(site.lead, line())
    first = grant(site, antenna_height_m="2.9")
    assert mark() == (True, "submitted")
    permitting.answer(actor=site.coordinator, rows=[{"code": first.code, "antenna_height_m": 3}])
    assert mark() == (False, "accepted")


def test_a_permission_changes_nothing_for_whom_the_ruleset_permits(site: Site) -> None:
    role = site.event.kinds.get(code="mic").roles.get()
    role.tuning = [{"low_hz": 680_000_000, "high_hz": 714_000_000, "step_hz": 25_000}]
    role.save()
    register(site.lead, line())
    before = snapshot.freeze(site.event).problem["carriers"]
    grant(site)
    assert snapshot.freeze(site.event).problem["carriers"] == before


def test_no_permission_opens_what_is_for_distress(site: Site) -> None:
    with pytest.raises(Faulty) as refused:
        grant(site, low_hz="406 MHz", high_hz="406.1 MHz", width_hz=25_000)
    assert "distress beacons" in refused.value.faults[0].message
    # Around it, only what lies beside it.
    wide = grant(site, low_hz="405 MHz", high_hz="407 MHz", width_hz=25_000)
    kind = site.event.kinds.get(code="mic")
    kind.roles.update(
        tuning=[{"low_hz": 405_900_000, "high_hz": 406_200_000, "step_hz": 50_000}], bandwidth_hz=25_000
    )
    register(site.lead, line())
    assert wide.low_hz == 405_000_000
    tuned = snapshot.freeze(site.event).problem["carriers"][0]["tuning"]
    assert [(part["low_hz"], part["high_hz"]) for part in tuned] == [
        (405_900_000, 405_950_000),
        (406_150_000, 406_200_000),
    ]


def test_a_line_that_its_lead_changes_beyond_the_permission_is_marked_again(site: Site) -> None:
    grant(site, start="2027-06-11T18:00", end="2027-06-11T20:00")
    register(site.lead, line(start="2027-06-11T18:00", end="2027-06-11T20:00"))
    assert mark() == (False, "accepted")
    register(site.lead, line(start="2027-06-11T18:00", end="2027-06-11T20:01"))
    assert mark() == (True, "submitted")


# -- asking -----------------------------------------------------------------------------------


def test_what_has_to_be_asked_for_follows_from_the_marked_lines(site: Site) -> None:
    register(site.lead, line(fixed_hz="700.125 MHz"), line("choir", quantity=3), line("again", quantity=2))
    needs = asking.needs_of(site.coordinator)
    assert [(need.row["frequency_hz"], need.row["low_hz"], need.row["high_hz"]) for need in needs] == [
        (None, 697_900_000, 714_100_000),
        (700_125_000, None, None),
    ]
    assert needs[0].row["wanted_for"] == "again (2 × Microphone); choir (3 × Microphone)"
    assert (needs[0].row["power_mw"], needs[0].row["width_hz"], needs[0].state) == (
        50,
        200_000,
        "to be asked for",
    )
    assert "mobile networks" in needs[0].words
    permitting.ask(actor=site.coordinator, needs=[needs[0].key])
    after = {
        need.row["frequency_hz"]: (need.state, need.by and need.by.code)
        for need in asking.needs_of(site.coordinator)
    }
    # What was asked for the choir would serve the fixed one too.
    assert after == {None: ("asked", "PER-001"), 700_125_000: ("asked", "PER-001")}
    assert asking.needs_of(site.other) == []


def test_the_list_goes_out_and_comes_back_with_its_answers(site: Site) -> None:
    register(site.coordinator, line(), line("crane", department="VID", fixed_hz=705_000_000))
    permitting.ask(actor=site.coordinator, needs=[need.key for need in asking.needs_of(site.coordinator)])
    boss = site.browser("coordinator")
    sent = boss.get(f"{BASE}list.csv").content
    rows = list(csv.DictReader(io.StringIO(sent.decode())))
    assert [(row["code"], row["state"], row["frequency_hz"]) for row in rows] == [
        ("PER-001", "asked", ""),
        ("PER-002", "asked", "705000000"),
    ]
    # Sent back unchanged it says nothing new.
    assert {a.status for a in asking.judge(site.coordinator, read_list(sent.decode()))} == {"unchanged"}
    rows[1] |= {
        "state": "granted",
        "authority": "Band manager",
        "reference": "=B 7",
        "until": "2027-06-14T12:00",
    }
    rows[0] |= {"state": "refused", "authority": "Band manager", "conditions": "mobile network\nat the site"}
    back = write_list(rows)
    assert b"'=B 7" in back
    page = boss.post(f"{BASE}answers/", {"file": io.BytesIO(back)})
    seen = page.context["seen"]
    assert page.status_code == 200 and Permission.objects.filter(state="asked").count() == 2
    done = boss.post(
        f"{BASE}answers/", {"text": page.context["text"].replace("\n", "\r\n"), "seen": seen, "save": "1"}
    )
    assert done["Location"] == BASE
    assert Permission.objects.get(code="PER-002").reference == "=B 7"
    assert (mark("crane"), mark()) == ((False, "accepted"), (True, "submitted"))
    assert [need.state for need in asking.needs_of(site.coordinator)] == ["refused"]
    text = boss.get(BASE).content.decode()
    assert "reference =B 7" in text and "until then they stay off" in text


def test_every_fault_of_every_row_is_said_at_once_and_nothing_is_saved(site: Site) -> None:
    text = (
        "code;state;low_hz;high_hz;width_hz;power_mw;zones;reference;authority;until\n"
        ";granted;700 MHz;690 MHz;200000;50;;R1;me;\n"
        ";maybe;700 MHz;701 MHz;2 MHz;0;moon;R1;me;then\n"
        "PER-009;granted;700 MHz;701 MHz;200000;50;;;;2020-01-01T00:00\n"
        ";asked;700 MHz;701 MHz;200000;50;main;;;\n"
    )
    boss = site.browser("coordinator")
    page = boss.post(f"{BASE}answers/", {"text": text})
    assert page.status_code == 422 and Permission.objects.count() == 0
    found = {row.row: sorted(fault.field for fault in row.faults) for row, _ in page.context["rows"]}
    assert found == {
        1: ["high_hz"],
        2: ["power_mw", "state", "until", "width_hz", "zones"],
        3: ["authority", "code", "reference", "until"],
        4: [],
    }
    # What was sent stands in the form, to be mended there.
    assert "PER-009;granted" in page.content.decode()


@pytest.mark.parametrize("text", ["", "one,two\n1,2", "code,code\n1,2", 'code,state\n"a'])
def test_a_list_that_is_none_is_refused_in_words(site: Site, text: str) -> None:
    page = site.browser("coordinator").post(f"{BASE}answers/", {"text": text})
    assert page.status_code == 422 and (page.context["refused"] or page.context["faulty"])


def test_by_hand_with_versions_and_nothing_typed_lost(site: Site) -> None:
    register(site.lead, line())
    boss = site.browser("coordinator")
    given = {
        "state": "granted", "low_hz": "700", "high_hz": "710", "width_hz": "200", "power_mw": "82", "basis": "eirp",
        "authority": "", "reference": "R/17", "zones": ["main"],
    }  # fmt: skip
    page = boss.post(f"{BASE}new/", given)
    assert "Say who granted it" in page.content.decode() and 'value="R/17"' in page.content.decode()
    assert boss.post(f"{BASE}new/", given | {"authority": "Regulator"})["Location"] == BASE
    row = Permission.objects.get()
    assert (row.low_hz, row.high_hz, row.width_hz, row.zones) == (700_000_000, 710_000_000, 200_000, ["main"])
    assert mark() == (False, "accepted")
    at = f"{BASE}{row.code}/"
    assert 'value="700"' in boss.get(at).content.decode()
    assert (
        boss.post(at, given | {"version": "1", "authority": "Regulator", "state": "lapsed"})["Location"]
        == BASE
    )
    assert mark() == (True, "submitted")
    late = boss.post(at, given | {"version": "1", "authority": "Another"})
    assert "Somebody else changed this" in late.content.decode() and "Another" in late.content.decode()
    backwards = boss.post(at, given | {"version": "2", "authority": "Regulator", "state": "asked"})
    assert backwards["Location"] == BASE
    assert "granted cannot become asked" in _moved_back(boss, at, given)


def _moved_back(boss: object, at: str, given: dict[str, object]) -> str:
    post = boss.post  # type: ignore[attr-defined]
    post(at, given | {"version": "3", "authority": "Regulator"})
    return str(
        post(at, given | {"version": "4", "authority": "Regulator", "state": "asked"}).content.decode()
    )


# -- machines, and who may --------------------------------------------------------------------


def test_machines_write_all_rows_or_none_and_read_what_they_may(site: Site) -> None:
    register(site.lead, line())
    boss = site.client("coordinator")
    rows = [GRANT | {"department": "AUD"}, GRANT | {"power_mw": None, "use": "submarine"}]
    refused = boss.post(f"{API}?all_or_nothing=true", rows, format="json")
    assert refused.status_code == 422
    assert [(e["row"], e["field"]) for e in refused.json()["errors"]] == [(2, "use"), (2, "power_mw")]
    each = boss.post(API, rows, format="json")
    said = [(row["row"], row["code"], row["status"], row["version"]) for row in each.json()]
    assert (each.status_code, said) == (207, [(1, "PER-001", "new", 1), (2, "", "faulty", None)])
    grant(site, department="GRD", reference="secret paper")
    assert [row["code"] for row in site.client("lead").get(API).json()["results"]] == ["PER-001"]
    assert [row["code"] for row in site.client("desk").get(API).json()["results"]] == ["PER-001", "PER-002"]
    assert site.client("lead").get(f"{API}PER-002/").status_code == 404
    lead = site.client("lead")
    assert lead.patch(f"{API}PER-001/", {"power_mw": 5}, format="json", HTTP_IF_MATCH="*").status_code == 403
    one = boss.get(f"{API}PER-001/")
    changed = boss.patch(f"{API}PER-001/", {"reference": "R/18"}, format="json", HTTP_IF_MATCH=one["ETag"])
    assert (changed.status_code, changed.json()["reference"]) == (200, "R/18")
    late = boss.patch(f"{API}PER-001/", {"reference": "R/19"}, format="json", HTTP_IF_MATCH=one["ETag"])
    assert late.status_code == 412
    listed = boss.get(f"{API}?as=csv").content
    again = boss.post(API, listed, content_type="text/csv")
    assert {row["status"] for row in again.json()} == {"unchanged"}


def test_what_is_needed_can_be_sent_as_it_was_read(site: Site) -> None:
    register(site.lead, line())
    boss = site.client("coordinator")
    need = boss.get(f"{API}needed/").json()[0]
    assert boss.post(API, [need["permission"]], format="json").status_code == 201
    assert boss.get(f"{API}needed/").json()[0]["by"] == "PER-001"


def test_only_coordinators_write_permissions_down(site: Site) -> None:
    for actor in (site.lead, site.desk, site.observer):
        with pytest.raises(Forbidden):
            permitting.answer(actor=actor, rows=[GRANT])
    for who, status in (("lead", 403), ("desk", 403), ("stranger", 404)):
        assert site.browser(who).get(BASE).status_code == status


def test_a_lead_reads_on_their_own_line_what_it_stands_on(site: Site) -> None:
    register(site.lead, line())
    grant(site, until="2027-06-30T12:00")
    text = (
        site.browser("lead").get(f"/e/harbour-days/devices/{Registration.objects.get().pk}/").content.decode()
    )
    assert "National regulator, reference R/17" in text and "30 Jun 2027" in text
    assert "licensed" not in text.casefold()
    sheet = lines_of(site.coordinator, None, Counted(recount(site.event, agreed_only=True), {}))[0]
    assert sheet["notes"] == (
        "Granted by National regulator, reference R/17 (PER-001), at most 100 mW e.i.r.p., until 30 Jun 2027, 12:00. "
        "Show this paper on demand."
    )


def test_rows_from_memory_say_so_wherever_they_are_told(site: Site) -> None:
    """694 to 733 MHz and the like stand in the European ruleset from memory; 470 to 694 MHz was held against its source."""
    register(site.lead, line())
    assert "from memory, confirm it" in mark_words()
    page = site.browser("lead").get("/e/harbour-days/rules/").content.decode()
    law = ruleset("cept")
    remembered = sum(row.status == "memory" for row in (*law.ranges, *law.reserved))
    assert 0 < remembered < len(law.ranges) and page.count("</span> from memory</strong>") == remembered
    body = page.partition("<footer")[0]  # which says it of all such frequencies
    assert body.count("never to be used") == sum(row.never_use for row in law.reserved)
    assert "121.5" in page and "50 mW e.r.p." in page


def mark_words() -> str:
    return Registration.objects.get(label="lead vocals").not_permitted
