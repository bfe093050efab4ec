"""The pages that hold the plan against what was published: review and publish."""

import re

import pytest
from django.http import HttpResponse

from apps.common.errors import Conflict
from apps.events.models import Event
from apps.journal.models import Entry
from apps.planning import actions
from apps.planning.actions import Selection
from apps.planning.margins import Margin
from apps.planning.models import Assignment
from apps.planning.outlook import outlook
from apps.publishing.actions import publish
from apps.publishing.models import Edition
from apps.registry import actions as registry
from apps.registry.models import Carrier, Registration
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
BASE = "/e/harbour-days/"
EVERYBODY = ["AUD", "VID", "GRD"]


@pytest.fixture
def site() -> Site:
    return make_site()


@pytest.fixture
def planned(site: Site) -> Site:
    """Three carriers of audio and one of video with frequencies, one of audio without."""
    register(site.coordinator, line(quantity=4), line("camera", department="VID", zone="gate"))
    for number, code in enumerate(("AUD-001", "AUD-002", "AUD-003", "VID-001")):
        place(site, code, 480_100_000 + number * number * 3_000_000)
    return site


def text(answer: HttpResponse) -> str:
    return answer.content.decode()


def hidden(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found, name
    return found[1]


def place(site: Site, code: str, hertz: int) -> Assignment:
    carrier = Carrier.objects.get(code=code)
    return actions.change_frequency(
        actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="by ear"
    )


def agree(site: Site, *codes: str, lock: bool = False) -> None:
    actions.approve(actor=site.coordinator, selection=Selection(carriers=codes))
    if lock:
        actions.lock(actor=site.coordinator, selection=Selection(carriers=codes))


def states() -> dict[str, str]:
    return dict(Assignment.objects.values_list("carrier__code", "state"))


# -- review ---------------------------------------------------------------------------------


def shown(site: Site, query: str, who: str = "coordinator") -> dict[str, str]:
    answer = site.browser(who).get(f"{BASE}review/?{query}")
    return {row.row.carrier.code: row.since for row in answer.context["page"]}


def test_filters_hold_together_and_stay_in_the_address(planned: Site) -> None:
    agree(planned, "AUD-002")
    assert set(shown(planned, "")) == {"AUD-001", "AUD-002", "AUD-003", "AUD-004", "VID-001"}
    assert set(shown(planned, "state=proposed&department=AUD")) == {"AUD-001", "AUD-003"}
    assert set(shown(planned, "state=not planned yet")) == {"AUD-004"}
    assert set(shown(planned, "state=placed")) == {"AUD-001", "AUD-002", "AUD-003", "VID-001"}
    assert set(shown(planned, "state=agreed")) == {"AUD-002"}
    assert set(shown(planned, "zone=gate&kind=mic")) == {"VID-001"}
    assert set(shown(planned, "text=aud-001")) == {"AUD-001"}
    page = text(planned.browser("coordinator").get(f"{BASE}review/?state=approved&text=aud"))
    assert '<option value="approved" selected>' in page and 'value="aud"' in page
    assert "No carrier fits these filters" in text(
        planned.browser("coordinator").get(f"{BASE}review/?state=locked")
    )


def test_what_leads_is_what_rows_wait_for_and_rarer_filters_are_folded(planned: Site) -> None:
    boss = planned.browser("coordinator")

    def leading(query: str) -> list[str]:
        found = text(boss.get(f"{BASE}review/?{query}"))
        return re.findall(r'class="btn btn-primary" name="do" value="(\w+)"', found)

    agree(planned, "AUD-001")
    agree(planned, "AUD-002", lock=True)
    assert [leading(f"state={state}") for state in ("proposed", "approved", "locked")] == [
        ["approve"],
        ["lock"],
        [],
    ]
    for query, opened in (("text=aud", False), ("kind=mic", True), ("order=margin", True)):
        assert (
            '<details class="mt-2" open><summary>More filters' in text(boss.get(f"{BASE}review/?{query}"))
        ) == opened


def test_differences_to_the_last_edition_of_each_department(planned: Site) -> None:
    assert set(shown(planned, "").values()) == {"not published yet"}
    agree(planned, "AUD-001", "AUD-002", "VID-001")
    publish(actor=planned.coordinator)
    place(planned, "AUD-001", 600_100_000)
    carrier = Carrier.objects.get(code="AUD-002")
    actions.clear_frequency(actor=planned.coordinator, carrier=carrier, reason="not coming")
    assert shown(planned, "") == {
        "AUD-001": "moved", "AUD-002": "gone", "AUD-003": "new", "AUD-004": "as published", "VID-001": "as published",
    }  # fmt: skip
    assert set(shown(planned, "since=moved")) == {"AUD-001"}
    agree(planned, "AUD-001")
    publish(actor=planned.coordinator, department=planned.department("AUD"))
    after = shown(planned, "")
    assert (after["AUD-001"], after["AUD-002"], after["VID-001"]) == ("as published",) * 3


def test_many_are_approved_with_the_count_repeated_and_the_rest_named(planned: Site) -> None:
    agree(planned, "AUD-002")
    boss = planned.browser("coordinator")
    page = text(boss.get(f"{BASE}review/?department=AUD"))
    given = {"scope": "all", "all": hidden(page, "all"), "do": "approve"}
    asked = text(boss.post(f"{BASE}decide/?department=AUD", given))
    assert "Approve 2 of the 4 chosen?" in asked and "Approve all 2" in asked
    assert "1 approved" in asked and "1 not planned yet" in asked
    assert states()["AUD-001"] == "proposed"
    confirm = {"row": hidden(asked, "row"), "do": "approve", "confirmed": "1", "reason": "heard at rehearsal"}
    answer = boss.post(f"{BASE}decide/?department=AUD", confirm)
    assert answer["Location"].startswith(f"{BASE}review/?department=AUD&")
    assert states() == {
        "AUD-001": "approved",
        "AUD-002": "approved",
        "AUD-003": "approved",
        "VID-001": "proposed",
    }
    assert Assignment.objects.get(carrier__code="AUD-003").reason == "heard at rehearsal"
    assert Entry.objects.last().subject == "2 frequencies"


def test_what_was_just_approved_can_be_locked_although_the_filter_hides_it_now(planned: Site) -> None:
    agree(planned, "AUD-002")
    boss = planned.browser("coordinator")
    asked = boss.get(f"{BASE}review/?state=proposed&department=AUD")
    rows = re.findall(r'name="row" value="([^"]+)"', text(asked))
    given = {"row": rows, "do": "approve", "confirmed": "1", "reason": ""}
    answer = boss.post(f"{BASE}decide/?state=proposed&department=AUD", given)
    page = text(boss.get(answer["Location"]))
    assert "2 carriers approved." in page and "No carrier fits" in page and "Lock these 2…" in page
    question = text(boss.post(f"{BASE}decide/", {"row": hidden(page, "row"), "do": "lock"}))
    assert "Lock 2 of the 2 chosen?" in question
    boss.post(f"{BASE}decide/", {"row": hidden(question, "row"), "do": "lock", "confirmed": "1"})
    assert [states()[f"AUD-00{number}"] for number in (1, 2, 3)] == ["locked", "approved", "locked"]
    assert "Lock these" not in text(boss.get(answer["Location"]))
    for odd in ("soon", "2027-13-45", "2027-01-01T10:00"):
        assert boss.get(f"{BASE}review/", {"approved": odd}).status_code == 200


def test_the_address_of_a_question_opened_anew_leads_back_to_its_page(planned: Site) -> None:
    boss = planned.browser("coordinator")
    for asked, shown_on in (("decide", "review"), ("devices/decide", "devices")):
        answer = boss.get(f"{BASE}{asked}/?department=AUD&state=proposed")
        assert answer["Location"] == f"{BASE}{shown_on}/?department=AUD&state=proposed"


def test_locking_unlocking_and_taking_back_each_with_a_reason(planned: Site) -> None:
    agree(planned, "AUD-001")
    boss = planned.browser("coordinator")
    for deed, reason, state in (
        ("lock", "", "locked"),
        ("unlock", "", "locked"),
        ("unlock", "moved stage", "approved"),
        ("take back", "", "approved"),
        ("take back", "wrong crew", "proposed"),
    ):
        row = f"AUD-001:{Assignment.objects.get(carrier__code='AUD-001').version}"
        boss.post(f"{BASE}decide/", {"row": row, "do": deed, "confirmed": "1", "reason": reason})
        assert states()["AUD-001"] == state, (deed, reason)


def test_a_row_changed_since_it_was_seen_refuses_them_all(planned: Site) -> None:
    boss = planned.browser("coordinator")
    ticked = re.findall(r'name="row" value="([^"]+)"', text(boss.get(f"{BASE}review/?state=proposed")))
    place(planned, "AUD-003", 555_100_000)
    answer = boss.post(f"{BASE}decide/", {"row": ticked, "do": "approve"}, follow=True)
    assert "Somebody changed 1 of these 4 rows" in text(answer)
    late = boss.post(
        f"{BASE}decide/", {"row": ticked, "do": "approve", "confirmed": "1", "reason": ""}, follow=True
    )
    assert "Somebody changed 1 of these 4 rows" in text(late)
    assert set(states().values()) == {"proposed"}


def test_all_that_the_filter_left_is_refused_when_the_plan_changed(planned: Site) -> None:
    boss = planned.browser("coordinator")
    digest = hidden(text(boss.get(f"{BASE}review/")), "all")
    place(planned, "AUD-003", 555_100_000)
    answer = boss.post(f"{BASE}decide/", {"scope": "all", "all": digest, "do": "approve"}, follow=True)
    assert "The plan changed since you looked" in text(answer)


def test_lines_behind_carriers_are_sent_back_with_a_reason_that_stands_in_them(planned: Site) -> None:
    boss = planned.browser("coordinator")
    rows = re.findall(r'name="row" value="([^"]+)"', text(boss.get(f"{BASE}review/?department=AUD")))
    asked = text(boss.post(f"{BASE}decide/", {"row": rows, "do": "send back"}))
    assert "Send 1 line back?" in asked
    given = {
        "row": hidden(asked, "row"), "lines": hidden(asked, "lines"), "do": "send back", "confirmed": "1",
        "reason": "four is too many",
    }  # fmt: skip
    boss.post(f"{BASE}decide/", given)
    row = Registration.objects.get(department__code="AUD")
    assert (row.state, row.reason) == ("sent back", "four is too many")


def test_nonsense_in_a_choice_is_refused_in_words(planned: Site) -> None:
    boss = planned.browser("coordinator")
    for given in (
        {"do": "approve"},
        {"row": "AUD-001:1", "do": "burn"},
        {"row": "AUD-001", "do": "approve"},
        {"row": "NOPE-1:1", "do": "approve"},
    ):
        assert boss.post(f"{BASE}decide/", given, follow=True).status_code == 200
    assert set(states().values()) == {"proposed"}


@pytest.mark.parametrize(
    ("who", "review", "decide", "publishing"),
    [("coordinator", 200, 302, 200), ("desk", 200, 403, 200), ("lead", 200, 403, 403), ("observer", 200, 403, 403),
     ("stranger", 404, 404, 404)],
)  # fmt: skip
def test_who_reviews_decides_and_publishes(
    planned: Site, who: str, review: int, decide: int, publishing: int
) -> None:
    client = planned.browser(who)
    assert client.get(f"{BASE}review/").status_code == review
    assert client.post(f"{BASE}decide/", {}).status_code == decide
    assert client.get(f"{BASE}publish/").status_code == publishing


def test_a_lead_reviews_only_what_is_theirs(planned: Site) -> None:
    page = text(planned.browser("lead").get(f"{BASE}review/"))
    assert "AUD-001" in page
    for secret in ("VID-001", "Video", "507.100", "Guest protection", 'name="row"'):
        assert secret not in page


def test_observers_see_no_confidential_carrier(site: Site) -> None:
    register(site.coordinator, line("agents", department="GRD"), line())
    place(site, "GRD-001", 481_325_000)
    page = text(site.browser("observer").get(f"{BASE}review/"))
    assert "AUD-001" in page
    for secret in ("GRD", "Guest protection", "481.325", "agents"):
        assert secret not in page


@pytest.mark.parametrize("path", ["review/", "publish/"])
def test_pages_cost_the_same_queries_however_long_the_plan_is(
    site: Site, path: str, django_assert_num_queries
) -> None:
    boss, counts = site.browser("coordinator"), []
    for size in (1, 30):
        register(site.coordinator, *(line(f"line {number}", zone="gate") for number in range(size)))
        for number, carrier in enumerate(Carrier.objects.all()):
            place(site, carrier.code, 470_100_000 + number * 4_000_000)
        boss.get(f"{BASE}{path}")
        with django_assert_num_queries(28, exact=False) as seen:
            boss.get(f"{BASE}{path}")
        counts.append(len(seen))
    assert counts[0] == counts[1]


def test_rows_of_the_review_say_when_they_are_on(site: Site) -> None:
    two = "2027-06-11T18:00/2027-06-11T19:00;2027-06-12T18:00/2027-06-12T19:00"
    register(site.lead, line("host"), line("choir", stretches=two))
    page = text(site.browser("coordinator").get(f"{BASE}review/"))
    assert "Microphone<br>all day" in page
    assert "Microphone<br>Fri 11 Jun 18:00–19:00, Sat 12 Jun 18:00–19:00" in page


# -- publish --------------------------------------------------------------------------------


def test_publishing_says_what_changes_for_whom_and_does_it(planned: Site) -> None:
    agree(planned, "AUD-001", "VID-001")
    boss = planned.browser("coordinator")
    page = text(boss.get(f"{BASE}publish/"))
    assert "Nothing is published yet" in page and "2 carriers are agreed" in page
    assert "2 proposed" in page and "1 not planned yet" in page
    boss.post(
        f"{BASE}publish/",
        {"department": EVERYBODY, "note": "first", "seen": hidden(page, "seen"), "confirmed": "1"},
    )
    assert Edition.objects.get().note == "first"
    agree(planned, "AUD-002")
    page = text(boss.get(f"{BASE}publish/"))
    assert "<strong>Audio</strong>: 1 change; ○ 1 proposed waits for approval" in page
    assert "= Nothing changes for Guest protection, Video." in page or "= Nothing changes for Video." in page
    assert f'href="{BASE}review/?state=proposed&amp;department=AUD"' in page
    boss.post(
        f"{BASE}publish/", {"department": "AUD", "note": "", "seen": hidden(page, "seen"), "confirmed": "1"}
    )
    assert Edition.objects.first().department == "AUD"


def test_those_ticked_are_published_in_one_act_or_none_of_them(planned: Site) -> None:
    agree(planned, "AUD-001", "VID-001")
    boss = planned.browser("coordinator")
    given = {"note": "", "seen": hidden(text(boss.get(f"{BASE}publish/")), "seen")}
    assert "Tick at least one department" in text(boss.post(f"{BASE}publish/", given))
    page = text(boss.post(f"{BASE}publish/", given | {"department": ["AUD", "VID"]}))
    assert "Publish editions 1 and 2?" in page and "2 departments get new sheets" in page
    assert re.findall(r'name="department" value="([^"]*)"', page) == ["AUD", "VID"]
    given["confirmed"] = "1"
    answer = boss.post(f"{BASE}publish/", given | {"department": ["AUD", "GRD"]})
    assert "Nothing of Guest protection is approved yet" in text(answer) and not Edition.objects.exists()
    answer = boss.post(f"{BASE}publish/", given | {"department": ["AUD", "VID"]}, follow=True)
    assert "Editions 1 and 2 are published." in text(answer)
    assert list(Edition.objects.order_by("number").values_list("department", flat=True)) == ["AUD", "VID"]


def test_a_breach_stands_in_the_way_with_a_link_and_a_signature_lets_it_pass(planned: Site) -> None:
    place(planned, "AUD-002", 480_200_000)
    agree(planned, "AUD-001", "AUD-002")
    boss = planned.browser("coordinator")
    page = text(boss.get(f"{BASE}publish/"))
    assert "1 rule broken without a signature" in page
    assert f'href="{BASE}breaches/?breach=' in page
    answer = boss.post(
        f"{BASE}publish/",
        {"department": EVERYBODY, "note": "keep me", "seen": hidden(page, "seen"), "confirmed": "1"},
    )
    assert answer.status_code == 422
    assert "Not published." in text(answer) and "keep me" in text(answer)
    breach = hidden(text(boss.get(f"{BASE}breaches/")), "breach")
    actions.accept_breach(actor=planned.coordinator, breach=breach, reason="never both on")
    page = text(boss.get(f"{BASE}publish/"))
    assert "«never both on»" in page
    boss.post(
        f"{BASE}publish/",
        {"department": EVERYBODY, "note": "", "seen": hidden(page, "seen"), "confirmed": "1"},
    )
    assert Edition.objects.get().accepted[0]["reason"] == "never both on"


def test_a_plan_that_changed_since_the_look_is_not_published(planned: Site) -> None:
    agree(planned, "AUD-001")
    boss = planned.browser("coordinator")
    seen = hidden(text(boss.get(f"{BASE}publish/")), "seen")
    agree(planned, "AUD-002")
    answer = boss.post(
        f"{BASE}publish/", {"department": EVERYBODY, "note": "mine", "seen": seen, "confirmed": "1"}
    )
    assert "The plan changed since you looked" in text(answer) and "mine" in text(answer)
    assert not Edition.objects.exists()


def test_publishing_asks_first_and_says_who_gets_what(planned: Site) -> None:
    agree(planned, "AUD-001", "VID-001")
    boss = planned.browser("coordinator")
    seen = hidden(text(boss.get(f"{BASE}publish/")), "seen")
    given = {"department": EVERYBODY, "note": "for the build-up", "seen": seen}
    page = text(boss.post(f"{BASE}publish/", given))
    assert (
        "Publish edition 1 for everybody?" in page
        and "2 carriers have a frequency" in page
        and "3 must stay off" in page
    )
    assert hidden(page, "note") == "for the build-up"
    assert not Edition.objects.exists()
    boss.post(f"{BASE}publish/", given | {"confirmed": "1"})
    assert Edition.objects.get().note == "for the build-up"


def test_not_yet_keeps_the_note_whom_it_is_for_and_the_lock(planned: Site) -> None:
    agree(planned, "AUD-001", "VID-001")
    boss = planned.browser("coordinator")
    seen = hidden(text(boss.get(f"{BASE}publish/")), "seen")
    given = {"department": ["VID"], "note": "until the evening", "seen": seen, "lock": "on", "not_yet": "1"}
    page = text(boss.post(f"{BASE}publish/", given))
    assert "until the evening</textarea>" in page and "Not published" not in page
    assert re.findall(r'name="department" value="(\w+)" id="[^"]+" checked', page) == ["VID"]
    assert hidden(page, "lock") == "on"
    assert not Edition.objects.exists()


def test_without_a_tick_nothing_is_meant_unless_somebody_chooses_all(planned: Site) -> None:
    boss = planned.browser("coordinator")
    page = text(boss.get(f"{BASE}review/"))
    assert re.findall(r'name="scope" id="scope-(\w+)" value="\w+" checked', page) == ["ticked"]
    assert re.findall(r'class="btn btn-primary" name="do" value="(\w+)"', page) == ["approve"]
    answer = boss.post(f"{BASE}decide/", {"scope": "ticked", "do": "approve"}, follow=True)
    assert "Tick the rows that are meant, or choose all of them" in text(answer)


def test_what_is_only_approved_can_be_locked_in_the_same_act(planned: Site) -> None:
    agree(planned, "AUD-001", "VID-001")
    agree(planned, "AUD-002", lock=True)
    boss = planned.browser("coordinator")
    page = text(boss.get(f"{BASE}publish/"))
    assert "2 of what is agreed are approved and not locked" in page
    given = {"note": "", "department": "AUD", "seen": hidden(page, "seen")}
    assert "Lock the one that is only approved" in text(boss.post(f"{BASE}publish/", given))
    boss.post(f"{BASE}publish/", given | {"confirmed": "1", "lock": "on"})
    assert states() == {
        "AUD-001": "locked", "AUD-002": "locked", "AUD-003": "proposed", "VID-001": "approved",
    }  # fmt: skip
    on_air = [row.content for row in Edition.objects.get().lines.all() if row.content["frequency_hz"]]
    assert {content["status"] for content in on_air} == {"locked"}
    assert Edition.objects.get().revision == Event.objects.get().revision
    boss.post(f"{BASE}publish/", given | {"confirmed": "1", "department": "VID"})
    assert states()["VID-001"] == "approved"  # nobody asked for a lock


def test_a_refused_edition_locks_nothing(planned: Site) -> None:
    agree(planned, "AUD-001")
    place(planned, "AUD-002", 480_100_000)
    agree(planned, "AUD-002")
    with pytest.raises(Conflict):
        publish(actor=planned.coordinator, lock=True)
    assert set(states().values()) == {"approved", "proposed"}


def test_settings_that_nobody_filled_in_are_named_before_they_go_out(planned: Site) -> None:
    registry.change(
        actor=planned.lead,
        registration=Registration.objects.get(department__code="AUD"),
        values={"settings": {"pairing key": ""}},
    )
    agree(planned, "AUD-001", "VID-001")
    line = Registration.objects.get(department__code="AUD")
    assert line.open_settings == ["pairing key"]
    boss = planned.browser("coordinator")
    page = text(boss.get(f"{BASE}publish/"))
    assert "Would stand empty on the sheets" in page and f'href="{BASE}devices/{line.pk}/#settings"' in page
    given = {"note": "", "department": EVERYBODY, "seen": hidden(page, "seen")}
    assert "settings still to be filled in" in text(boss.post(f"{BASE}publish/", given))
    lead = planned.browser("lead")
    assert "settings still to fill in" in text(lead.get(BASE)) and "devices/?sheet=open" in text(
        lead.get(BASE)
    )
    assert line.label in text(lead.get(f"{BASE}devices/?sheet=open"))
    registry.change(actor=planned.lead, registration=line, values={"settings": {"pairing key": "17"}})
    assert "settings still to fill in" not in text(lead.get(BASE))
    assert "No line fits these filters" in text(lead.get(f"{BASE}devices/?sheet=open"))


def test_agreeing_says_what_speaks_against_it(planned: Site) -> None:
    place(planned, "AUD-001", 480_000_000)
    place(planned, "AUD-002", 480_025_000)
    boss = planned.browser("coordinator")
    versions = [row.item for row in boss.get(f"{BASE}review/").context["page"] if row.row.state == "proposed"]
    page = text(boss.post(f"{BASE}decide/", {"do": "approve", "row": versions}))
    assert "broken among them that nobody signed for" in page and "AUD-001" in page
    assert "short of what" in page and "reason to measure" in page


def test_nothing_agreed_says_so(planned: Site) -> None:
    page = text(planned.browser("coordinator").get(f"{BASE}publish/"))
    assert "Nothing is approved yet" in page and "state=proposed" in page


def test_the_desk_looks_but_does_not_publish(planned: Site) -> None:
    agree(planned, "AUD-001")
    desk = planned.browser("desk")
    assert "Only a coordinator" in text(desk.get(f"{BASE}publish/"))
    seen = hidden(text(planned.browser("coordinator").get(f"{BASE}publish/")), "seen")
    assert "Only a coordinator" in text(
        desk.post(f"{BASE}publish/", {"department": EVERYBODY, "note": "", "seen": seen, "confirmed": "1"})
    )
    assert not Edition.objects.exists()


def test_worst_margins_come_first_and_what_has_none_last(planned: Site) -> None:
    answer = planned.browser("coordinator").get(f"{BASE}review/?order=margin&department=AUD")
    rows = list(answer.context["page"])
    known = [row.margin.usual_margin_db for row in rows if row.margin]
    assert known == sorted(known) and len(known) == 3
    assert rows[-1].row.carrier.code == "AUD-004" and rows[-1].margin is None
    assert f"{known[0]} dB over" in text(answer) and "not a promise" in text(answer)
    place(planned, "AUD-002", 480_150_000)
    closer = planned.browser("coordinator").get(f"{BASE}review/?order=margin&department=AUD").context["page"]
    assert {row.row.carrier.code for row in list(closer)[:2]} == {"AUD-001", "AUD-002"}
    assert closer[0].margin.usual_margin_db < known[0]


def test_the_review_says_what_to_expect_and_filters_by_it(planned: Site) -> None:
    answer = planned.browser("coordinator").get(f"{BASE}review/")
    words = {row.row.carrier.code: row.outlook for row in answer.context["page"]}
    assert (
        set(words.values()) <= {"fine", "test at rehearsal", "expect trouble", ""} and words["AUD-004"] == ""
    )
    some = words["AUD-001"]
    assert some in text(answer) and "tick all 5 of this page" in text(answer)
    found = planned.browser("coordinator").get(f"{BASE}review/", {"outlook": some}).context["page"]
    assert {row.row.carrier.code for row in found} == {code for code, word in words.items() if word == some}


@pytest.mark.parametrize(
    ("usual", "worst", "word"),
    [(12, 3, "fine"), (0, 0, "fine"), (12, -1, "test at rehearsal"), (-1, -20, "expect trouble")],
)
def test_a_margin_in_a_word(usual: int, worst: int, word: str) -> None:
    level = 0.0
    assert outlook(Margin("main", level, level, level, level, level, worst, usual, ())) == word
