"""The pages of a department's list: the form, its help, the list, bulk decisions and the import."""

import re
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.utils import timezone
from hypothesis import given as given_any
from hypothesis import strategies as st

from apps.journal.models import Entry
from apps.planning.actions import change_frequency
from apps.registry import actions, queries, tuning
from apps.registry.forms import ManyForm
from apps.registry.models import Carrier, Draft, Registration, Upload
from apps.spectrum.actions import mark_occupied
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
BASE = "/e/harbour-days/"
TYPED = {
    "label": "lead vocals", "kind": "mic", "zone": "main", "quantity": "2", "units": "1", "spares": "0", "all_day": "on",
    "priority": "2", "can_change": "freely", "settings": "pairing key=17\ngain = -6", "contact": "Ada, 555 0100",
}  # fmt: skip


@pytest.fixture
def site() -> Site:
    return make_site()


def text(answer: HttpResponse) -> str:
    return answer.content.decode()


def hidden(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found, name
    return found[1]


# -- the form -------------------------------------------------------------------------------


def test_what_is_typed_becomes_the_same_line_as_from_a_file(site: Site) -> None:
    lead = site.browser("lead")
    given = TYPED | {"fixed_hz": "", "low_hz": "470,5", "high_hz": "520.25"}
    assert lead.post(f"{BASE}devices/new/", given)["Location"] == f"{BASE}devices/"
    row = Registration.objects.get()
    assert (row.low_hz, row.high_hz, row.quantity, row.all_day) == (470_500_000, 520_250_000, 2, True)
    assert row.settings == {"pairing key": "17", "gain": "-6"}
    assert (row.department.code, row.carriers.count()) == ("AUD", 2)


def test_faults_stand_beside_their_fields_and_nothing_typed_is_lost(site: Site) -> None:
    given = TYPED | {
        "quantity": "many", "low_hz": "900", "notes": "please <soon>", "all_day": "", "start": "2027-06-11T18:00", "kind": "mic",
    }  # fmt: skip
    answer = site.browser("lead").post(f"{BASE}devices/new/", given)
    page = text(answer)
    assert answer.status_code == 422
    assert Registration.objects.count() == 0
    assert "Not a whole number" in page
    assert "With a start comes an end" in page
    for kept in (
        'value="many"',
        'value="900"',
        "please &lt;soon&gt;",
        'value="2027-06-11T18:00"',
        "gain = -6",
    ):
        assert kept in page


def test_an_empty_form_is_told_everything_that_is_missing(site: Site) -> None:
    answer = site.browser("coordinator").post(f"{BASE}devices/new/", {"all_day": "on"})
    assert answer.status_code == 422
    assert "Say which department" in text(answer)
    with_department = site.browser("coordinator").post(
        f"{BASE}devices/new/", {"all_day": "on", "department": "AUD"}
    )
    page = text(with_department)
    assert "Give the line a label" in page and "Say which kind" in page and "Say which zone" in page


def test_form_and_interface_give_the_same_faults(site: Site) -> None:
    row = line(quantity="0", power_mw="strong", fixed_hz="470.1 MHz", can_change="perhaps")
    said = (
        site.client("lead")
        .post(f"/api/v1{BASE.replace('/e/', '/events/')}registrations/", [row], format="json")
        .json()
    )
    given = TYPED | {"quantity": "0", "power_mw": "strong", "fixed_hz": "470.1", "can_change": "perhaps"}
    page = text(site.browser("lead").post(f"{BASE}devices/new/", given))
    assert {error["field"] for error in said[0]["errors"]} == {"quantity", "power_mw", "can_change"}
    for error in said[0]["errors"]:
        assert error["message"] in page


def test_a_change_made_in_between_shows_both_values_and_overwrites_only_on_purpose(site: Site) -> None:
    register(site.lead, line(contact="Ada"))
    row = Registration.objects.get()
    lead = site.browser("lead")
    version = hidden(text(lead.get(f"{BASE}devices/{row.pk}/")), "version")
    actions.change(actor=site.coordinator, registration=row, values={"contact": "Berta"})
    answer = lead.post(f"{BASE}devices/{row.pk}/", TYPED | {"contact": "Carla", "version": version})
    page = text(answer)
    assert answer.status_code == 409
    assert "Berta" in page and "Carla" in page
    assert Registration.objects.get().contact == "Berta"
    again = TYPED | {"contact": "Carla", "version": hidden(page, "version")}
    assert lead.post(f"{BASE}devices/{row.pk}/", again).status_code == 302
    assert Registration.objects.get().contact == "Carla"


def test_opening_a_line_and_saving_it_changes_nothing(site: Site) -> None:
    register(
        site.lead,
        line(
            start="2027-06-11T18:00", end="2027-06-11T23:30", fixed_hz="470.125 MHz", power_mw=10, settings={"gain": "-3"},
            can_change="between shows", priority=3, external_id="A7", notes="two\nlines",
        ),
    )  # fmt: skip
    row = Registration.objects.get()
    lead = site.browser("lead")
    form = lead.get(f"{BASE}devices/{row.pk}/").context["form"]
    given = {name: form[name].value() for name in form.fields if form[name].value() not in (None, False)}
    lead.post(f"{BASE}devices/{row.pk}/", given)
    again = Registration.objects.get()
    assert (again.version, again.starts_at, again.fixed_hz) == (row.version, row.starts_at, 470_125_000)


def test_copying_takes_the_line_but_not_its_number_or_frequency(site: Site) -> None:
    register(site.lead, line(external_id="A7", fixed_hz="470.125 MHz", contact="Ada"))
    form = (
        site.browser("lead").get(f"{BASE}devices/new/?copy={Registration.objects.get().pk}").context["form"]
    )
    assert form["label"].value() == "lead vocals 2"
    register(site.lead, line("lead vocals 2"))
    key = Registration.objects.get(label="lead vocals 2").pk
    third = site.browser("lead").get(f"{BASE}devices/new/?copy={key}").context["form"]
    assert third["label"].value() == "lead vocals 3"
    assert (form["external_id"].value(), form["fixed_hz"].value()) == ("", "")
    assert form["contact"].value() == "Ada"


def test_withdrawn_and_submitted_again(site: Site) -> None:
    register(site.lead, line())
    row, lead = Registration.objects.get(), site.browser("lead")
    move = f"{BASE}devices/{row.pk}/move/"
    lead.post(move, {"do": "withdraw", "version": row.version, "reason": "stays at home"})
    row.refresh_from_db()
    assert (row.state, row.carriers.filter(withdrawn=False).count()) == ("withdrawn", 0)
    assert Entry.objects.last().reason == "stays at home"
    lead.post(move, {"do": "submit", "version": row.version})
    row.refresh_from_db()
    assert (row.state, row.carriers.filter(withdrawn=False).count()) == ("accepted", 1)


# -- help while typing ----------------------------------------------------------------------


def test_help_says_what_is_permitted_taken_and_movable(site: Site) -> None:
    mark_occupied(
        actor=site.coordinator, label="channel 30", low_hz=542_000_000, high_hz=550_000_000, source="survey"
    )
    given = TYPED | {"fixed_hz": "545,1", "can_change": "no"}
    page = text(site.browser("lead").post(f"{BASE}devices/help/", given))
    assert "470.1–607.9 MHz" in page
    assert "channel 30" in page
    assert "545.1 MHz lies in a range that is taken here: channel 30" in page
    assert "It stays there" in page
    off = text(site.browser("lead").post(f"{BASE}devices/help/", given | {"fixed_hz": "545.11"}))
    assert "The nearest that it can tune: 545.1 MHz and 545.125 MHz" in off
    nothing = text(site.browser("lead").post(f"{BASE}devices/help/", {"kind": "hopping", "fixed_hz": "oops"}))
    assert "finds its own channels" in nothing and "Not a frequency" in nothing


def test_help_does_not_scold_for_what_is_not_typed_yet(site: Site) -> None:
    page = text(site.browser("lead").post(f"{BASE}devices/help/", {"label": "", "kind": "mic"}))
    assert "Cannot be saved like this yet" not in page


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("", {"mic", "repeater", "hopping"}),
        ("micro", {"mic"}),
        ("RADIO two", {"repeater"}),
        ("walkie talkie", {"repeater"}),
        ("wireless mic", {"mic"}),
        ("microfone", {"mic"}),
        ("wireless microfone", {"mic"}),
        ("hand held", {"mic"}),
        ("trumpet", set()),
    ],
)
def test_kinds_are_found_by_plain_words(site: Site, words: str, found: set[str]) -> None:
    site.event.kinds.filter(code="repeater").update(words="walkie talkie handheld")
    assert {kind.code for kind in queries.kinds_in_words(site.lead, words)} == found
    page = text(site.browser("lead").get(f"{BASE}devices/kinds/", {"words": words, "kind": "mic"}))
    # The one chosen stays, whatever the words say.
    assert 'value="mic" id="kind-mic" checked' in page
    assert ("No kind says «trumpet»" in page) == (words == "trumpet")


def test_a_word_that_others_say_does_not_hide_the_kind_that_is_meant(site: Site) -> None:
    """What is asked for stands last in English; a word that only other kinds say leaves it first all the same."""
    site.event.kinds.filter(code="repeater").update(words="wireless")
    found = [kind.code for kind in queries.kinds_in_words(site.lead, "wireless microphone")]
    assert found == ["mic", "repeater"]
    site.event.kinds.filter(code="mic").update(words="wireless")
    assert [kind.code for kind in queries.kinds_in_words(site.lead, "wireless microphone")] == ["mic"]


def test_the_kind_that_was_chosen_stands_first_when_a_faulty_form_comes_back(site: Site) -> None:
    page = text(
        site.browser("lead").post(f"{BASE}devices/new/", TYPED | {"kind": "repeater", "quantity": "many"})
    )
    assert re.findall(r'name="kind" value="(\w+)"( .*checked)?', page)[0][0] == "repeater"


def test_a_new_line_never_changes_one_that_is_there(site: Site) -> None:
    register(site.lead, line("lead vocals", quantity=1))
    lead = site.browser("lead")
    help_page = text(lead.post(f"{BASE}devices/help/", TYPED | {"quantity": "7"}))
    answer = lead.post(f"{BASE}devices/new/", TYPED | {"quantity": "7", "notes": "kept"})
    for page in (help_page, text(answer)):
        assert "AUD has this line already: «lead vocals», 1 × Microphone, Main stage." in page
    assert answer.status_code == 422 and "kept" in text(answer)
    assert [row.quantity for row in Registration.objects.all()] == [1]
    # Changing the line itself is no duplicate of it.
    key = Registration.objects.get().pk
    assert "already" not in text(lead.post(f"{BASE}devices/help/?line={key}", TYPED | {"quantity": "7"}))


def test_all_that_is_wrong_is_said_at_once(site: Site) -> None:
    """470.1 MHz and steps of 25 kHz are the kind's own: 470.11 lies between two of its points."""
    wrong = TYPED | {
        "label": "",
        "all_day": "",
        "stretches": "some day",
        "fixed_hz": "470.11",
        "can_change": "no",
    }
    answer = site.browser("lead").post(f"{BASE}devices/new/", wrong)
    page = text(answer)
    assert answer.status_code == 422
    assert set(answer.context["form"].errors) == {"label", "stretches", "fixed_hz", "quantity"}
    assert "in steps of 25 kHz, nearest 470.1 MHz and 470.125 MHz" in page
    assert page.count("leave «Uses now» empty if we may choose") + page.count("Leave «Uses now» empty") >= 2
    assert "data-fb-kept" in page


def test_what_could_not_be_saved_is_the_draft_and_what_was_set_back_is_none(site: Site) -> None:
    lead = site.browser("lead")
    lead.post(f"{BASE}devices/new/", TYPED | {"quantity": "many", "notes": "newest"})
    page = text(lead.get(f"{BASE}devices/new/"))
    assert "did not save it" in page and "newest" in page
    lead.post(f"{BASE}devices/new/", TYPED)
    row = Registration.objects.get()
    form = lead.get(f"{BASE}devices/{row.pk}/").context["form"]
    typed = {name: "" if (value := form[name].value()) is None else value for name in form.fields}
    help_address = f"{BASE}devices/help/?line={row.pk}"
    lead.post(help_address, typed | {"quantity": "7"})
    assert "unfinished changes" in text(lead.get(f"{BASE}devices/"))
    lead.post(help_address, typed)
    assert "unfinished changes" not in text(lead.get(f"{BASE}devices/"))


def test_what_asks_for_the_same_under_another_label_is_pointed_out_and_can_be_saved(site: Site) -> None:
    register(site.lead, line("choir", quantity=2), line("fixed", fixed_hz="470.125 MHz", quantity=1))
    register(site.coordinator, line("video choir", quantity=2, department="VID"))
    lead = site.browser("lead")
    page = text(lead.post(f"{BASE}devices/help/", TYPED))
    assert "Is it on the list already?" in page and ">choir</a>" in page
    assert "fixed" not in page and "video choir" not in page
    page = text(lead.post(f"{BASE}devices/help/", TYPED | {"quantity": "1", "fixed_hz": "470.125"}))
    assert ">fixed</a>" in page and ">choir</a>" not in page
    assert lead.post(f"{BASE}devices/new/", TYPED).status_code == 302


def test_a_line_is_accepted_or_sent_back_on_its_own_page(site: Site) -> None:
    site.event.accepts_automatically = False
    site.event.save()
    register(site.again("lead"), line())
    row, boss = Registration.objects.get(), site.browser("coordinator")
    page = text(boss.get(f"{BASE}devices/{row.pk}/"))
    assert "Accept this line" in page and "Send it back to its lead" in page
    assert "Send it back" not in text(site.browser("lead").get(f"{BASE}devices/{row.pk}/"))
    move = f"{BASE}devices/{row.pk}/move/"
    answer = boss.post(move, {"do": "send back", "version": row.version}, follow=True)
    assert "Say what the lead should change" in text(answer)
    boss.post(move, {"do": "send back", "version": row.version, "reason": "which rack?"})
    row.refresh_from_db()
    assert (row.state, row.reason) == ("sent back", "which rack?")
    page = text(site.browser("lead").get(f"{BASE}devices/{row.pk}/"))
    assert "which rack?" in page and "nothing else of your list is touched" in page


def test_amending_what_was_sent_back_is_not_late_and_waits_after_the_deadline(site: Site) -> None:
    register(site.lead, line("a"), line("b"))
    a, b = Registration.objects.order_by("label")
    actions.send_back(actor=site.coordinator, registration=a, reason="which rack?")
    site.event.registration_closes_at = timezone.now() - timedelta(hours=1)
    site.event.save()
    register(site.again("lead"), line("a", notes="rack B"), line("b", notes="more"), line("c"))
    assert list(Registration.objects.order_by("label").values_list("label", "late", "state")) == [
        ("a", False, "submitted"),
        ("b", True, "submitted"),
        ("c", True, "submitted"),
    ]
    boss = site.browser("coordinator")
    page = text(boss.get(f"{BASE}devices/?state=late"))
    assert {row.label for row, _, _ in boss.get(f"{BASE}devices/?state=late").context["lines"]} == {"b", "c"}
    assert page.count("◔</span> late") == 2
    rows = site.client("lead").get("/api/v1/events/harbour-days/registrations/").json()["results"]
    assert {row["label"]: row["late"] for row in rows} == {"a": False, "b": True, "c": True}
    assert "submitted,yes," in text(site.browser("lead").get(f"{BASE}devices/export.csv"))
    # What a coordinator changes keeps the mark and still waits for being accepted.
    b.refresh_from_db()
    actions.change(actor=site.again("coordinator"), registration=b, values={"priority": 1})
    b.refresh_from_db()
    assert (b.late, b.state) == (True, "submitted")


# -- many new lines -------------------------------------------------------------------------


def table(*rows: dict[str, str]) -> dict[str, list[str]]:
    """Rows as a browser sends them: every field of every row, in order."""
    names = [name for name in ManyForm.FIELDS if name != "department"]
    return {name: [row.get(name, "") for row in rows] for name in names}


ROW = {"label": "one", "kind": "Microphone", "zone": "Main stage"}


def test_many_lines_are_registered_from_a_table_and_empty_rows_passed_over(site: Site) -> None:
    lead = site.browser("lead")
    given = table(
        ROW, {}, ROW | {"label": "two", "quantity": "3", "fixed_hz": "", "start": "2027-06-11 18:00", "end": "2027-06-11T23:00"},
        {"can_change": "freely"}, ROW | {"label": "three", "fixed_hz": "470,125", "can_change": "between shows"},
    )  # fmt: skip
    answer = lead.post(f"{BASE}devices/many/", given, follow=True)
    assert "3 lines are registered." in text(answer)
    assert list(
        Registration.objects.order_by("pk").values_list("label", "quantity", "fixed_hz", "can_change")
    ) == [
        ("one", 1, None, "freely"),
        ("two", 3, None, "freely"),
        ("three", 1, 470_125_000, "between shows"),
    ]
    assert not Registration.objects.get(label="two").all_day
    assert Entry.objects.filter(verb="registered").count() == 1


def test_one_faulty_row_keeps_all_out_and_faults_stand_below_their_rows(site: Site) -> None:
    register(site.lead, line("there"))
    lead = site.browser("lead")
    given = table(
        ROW, {}, ROW | {"label": "there"}, ROW, ROW | {"label": "bad <b>", "kind": "trumpet"}, {"label": "bare"},
    )  # fmt: skip
    answer = lead.post(f"{BASE}devices/many/", given)
    page = text(answer)
    assert answer.status_code == 422 and Registration.objects.count() == 1
    assert {(fault.row, fault.field) for fault in answer.context["form"].faults} == {
        (3, "label"), (4, "label"), (5, "kind"), (6, "kind"), (6, "zone"),
    }  # fmt: skip
    assert "AUD has this line already: «there»" in page and "bad &lt;b&gt;" in page
    assert page.index('id="r3-label"') < page.index('id="r3-faults"') < page.index('id="r4-label"')


def test_rows_are_judged_while_they_are_typed_and_survive_a_closed_browser(site: Site) -> None:
    register(site.lead, line("there"))
    lead = site.browser("lead")
    given = table(ROW, {"label": "bare"}, {}, ROW | {"label": "there"})
    page = text(lead.post(f"{BASE}devices/many/help/", given))
    assert "1 row can be saved" in page and "2 not yet" in page
    assert "Row 4, Label" in page and "Row 2" not in page
    site.event.kinds.get(code="mic").roles.update(
        tuning=[{"low_hz": 406_000_000, "high_hz": 406_100_000, "step_hz": 25_000}]
    )
    barred = text(lead.post(f"{BASE}devices/many/help/", given))
    assert "Not permitted here" in barred and ">Row 1</a>" in barred and ">Row 4</a>" not in barred
    again = text(site.browser("lead").get(f"{BASE}devices/many/"))
    assert "You began this on" in again and 'value="bare"' in again and 'id="r4-label" value="there"' in again
    assert "You began this on" not in text(site.browser("coordinator").get(f"{BASE}devices/many/"))
    # The draft of the single form is another one.
    assert "You began this on" not in text(lead.get(f"{BASE}devices/new/"))
    more = text(lead.post(f"{BASE}devices/many/", given | {"more": "1"}))
    assert (
        'value="bare"' in more
        and 'id="r12-label"' in more
        and not Registration.objects.exclude(label="there")
    )
    lead.post(f"{BASE}devices/many/", table(ROW))
    assert not Draft.objects.exists()


def test_a_coordinator_says_for_whom_each_row_is(site: Site) -> None:
    boss = site.browser("coordinator")
    assert "Say which department" in text(
        boss.post(f"{BASE}devices/many/", table(ROW) | {"department": [""]})
    )
    boss.post(f"{BASE}devices/many/", table(ROW) | {"department": ["Video"]})
    assert Registration.objects.get().department.code == "VID"


@pytest.mark.parametrize("rows", [1, 30])
def test_a_table_is_judged_and_saved_with_the_same_queries_however_long(
    site: Site, rows: int, django_assert_max_num_queries
) -> None:
    lead, given = site.browser("lead"), table(*(ROW | {"label": f"line {n}"} for n in range(rows)))
    with django_assert_max_num_queries(20):
        lead.post(f"{BASE}devices/many/help/", given)
    with django_assert_max_num_queries(50):
        assert lead.post(f"{BASE}devices/many/", given).status_code == 302


# -- who may --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "code"),
    [("coordinator", 200), ("lead", 200), ("desk", 403), ("observer", 403), ("stranger", 404)],
)
@pytest.mark.parametrize("path", ["devices/new/", "devices/many/", "devices/kinds/", "import/"])
def test_who_may_register(site: Site, who: str, code: int, path: str) -> None:
    assert site.browser(who).get(BASE + path).status_code == code


def test_a_lead_reaches_no_line_of_another_department(site: Site) -> None:
    register(site.coordinator, line("secret camera", department="VID"))
    row, lead = Registration.objects.get(), site.browser("lead")
    for path in (f"devices/{row.pk}/", f"devices/new/?copy={row.pk}"):
        assert lead.get(BASE + path).status_code == 404
    assert lead.post(f"{BASE}devices/{row.pk}/", TYPED).status_code == 404
    assert lead.post(f"{BASE}devices/{row.pk}/move/", {"do": "withdraw"}).status_code == 404
    assert lead.post(f"{BASE}devices/help/?line={row.pk}", TYPED).status_code == 404
    assert "secret camera" not in text(lead.get(f"{BASE}devices/export.csv"))
    answer = lead.post(f"{BASE}devices/new/", TYPED | {"department": "VID"})
    assert (
        answer.status_code == 302 and Registration.objects.get(label="lead vocals").department.code == "AUD"
    )


def test_observers_and_the_desk_read_a_line_without_its_form(site: Site) -> None:
    register(site.lead, line(contact="Ada"))
    row = Registration.objects.get()
    for who in ("observer", "desk"):
        page = text(site.browser(who).get(f"{BASE}devices/{row.pk}/"))
        assert "Ada" in page and 'id="line"' not in page
        assert site.browser(who).post(f"{BASE}devices/{row.pk}/", TYPED).status_code == 403


# -- many at once ---------------------------------------------------------------------------


def rows_of(page: str) -> list[str]:
    return re.findall(r'name="row" value="(\d+:\d+)"', page)


def test_many_are_sent_back_with_one_reason_that_stands_in_every_row(site: Site) -> None:
    register(site.coordinator, *(line(f"line {number}") for number in range(3)), line("kept", zone="side"))
    boss = site.browser("coordinator")
    page = text(boss.get(f"{BASE}devices/?zone=main"))
    given = {"scope": "all", "all": hidden(page, "all"), "do": "send back"}
    asked = boss.post(f"{BASE}devices/decide/?zone=main", given)
    assert "Send back 3 lines?" in text(asked) and "Send back all 3" in text(asked)
    assert not Registration.objects.filter(state="sent back").exists()
    confirm = {"row": hidden(text(asked), "row"), "do": "send back", "confirmed": "1"}
    empty = boss.post(f"{BASE}devices/decide/?zone=main", confirm | {"reason": " "})
    assert "Say what the leads should change" in text(empty)
    done = boss.post(f"{BASE}devices/decide/?zone=main", confirm | {"reason": "name the pairing keys"})
    assert done["Location"] == f"{BASE}devices/?zone=main"
    back = Registration.objects.filter(state="sent back")
    assert sorted(back.values_list("label", "reason")) == [
        (f"line {number}", "name the pairing keys") for number in range(3)
    ]
    assert Entry.objects.last().subject == "batch 1: 3 lines"
    assert "name the pairing keys" in text(site.browser("lead").get(f"{BASE}devices/"))


def test_a_row_changed_since_it_was_ticked_refuses_them_all(site: Site) -> None:
    register(site.lead, line("a"), line("b"))
    boss = site.browser("coordinator")
    ticked = rows_of(text(boss.get(f"{BASE}devices/")))
    actions.change(
        actor=site.lead, registration=Registration.objects.get(label="b"), values={"contact": "Ada"}
    )
    given = {"row": ticked, "do": "send back", "confirmed": "1", "reason": "no"}
    assert "Somebody changed 1 of these 2 rows" in text(boss.post(f"{BASE}devices/decide/", given))
    assert not Registration.objects.filter(state="sent back").exists()


def test_all_that_the_filter_left_is_refused_when_that_is_another_list_by_now(site: Site) -> None:
    register(site.lead, line("a"))
    boss = site.browser("coordinator")
    digest = hidden(text(boss.get(f"{BASE}devices/")), "all")
    register(site.lead, line("b"))
    answer = boss.post(
        f"{BASE}devices/decide/", {"scope": "all", "all": digest, "do": "send back"}, follow=True
    )
    assert "The list changed since you looked" in text(answer)


def test_only_coordinators_decide(site: Site) -> None:
    register(site.lead, line())
    for who in ("lead", "desk", "observer"):
        assert site.browser(who).post(f"{BASE}devices/decide/", {"do": "accept"}).status_code == 403


# -- import ---------------------------------------------------------------------------------

HEADER = "label,kind,zone,quantity\r\n"


def upload(client: Client, content: str | bytes, **fields: str) -> HttpResponse:
    raw = content if isinstance(content, bytes) else content.encode()
    return client.post(f"{BASE}import/", {"file": SimpleUploadedFile("list.csv", raw), **fields}, follow=True)


def test_every_row_is_judged_before_anything_is_saved(site: Site) -> None:
    register(site.lead, line("old", quantity=1), line("same", quantity=1))
    lead = site.browser("lead")
    answer = upload(
        lead, HEADER + "old,mic,main,3\r\nsame,mic,main,1\r\nfresh,mic,side,1\r\nbad,trumpet,main,x\r\n"
    )
    page = text(answer)
    for words in (
        "1 faulty",
        "1 new",
        "1 changed",
        "1 unchanged",
        "UTF-8",
        "comma",
        "«trumpet»",
        "1 of 4 rows cannot be taken",
    ):
        assert words in page, words
    assert Registration.objects.count() == 2
    address = answer.redirect_chain[-1][0]
    assert "quantity: " in text(lead.get(f"{address}?show=changed"))
    refused = lead.post(address, {"seen": "whatever"}, follow=True)
    assert "would now do something else" in text(refused)
    assert Registration.objects.get(label="old").quantity == 1
    kept = lead.get(f"{address}file/").content
    assert kept.startswith(HEADER.encode())


def test_a_good_list_is_saved_as_a_whole_and_only_once(site: Site) -> None:
    lead = site.browser("lead")
    answer = upload(lead, HEADER + "one,mic,main,2\r\ntwo,mic,side,1\r\n")
    address, seen = answer.redirect_chain[-1][0], hidden(text(answer), "seen")
    assert "Save 2 rows" in text(answer)
    assert "2 new" in text(lead.post(address, {"seen": seen}, follow=True))
    assert Registration.objects.count() == 2
    assert "saved already" in text(lead.post(address, {"seen": seen}, follow=True))
    assert Upload.objects.get().outcome == {"new": 2, "changed": 0, "unchanged": 0, "left_out": 0}


def test_a_list_that_would_now_do_something_else_is_looked_at_again(site: Site) -> None:
    lead = site.browser("lead")
    answer = upload(lead, HEADER + "one,mic,main,2\r\n")
    address, seen = answer.redirect_chain[-1][0], hidden(text(answer), "seen")
    register(site.coordinator, line("one", quantity=5))
    assert "would now do something else" in text(lead.post(address, {"seen": seen}, follow=True))
    assert Registration.objects.get().quantity == 5
    assert Upload.objects.get().saved_at is None


def test_remarks_stand_beside_the_rows_and_the_file_with_them_reads_again(site: Site) -> None:
    lead = site.browser("lead")
    answer = upload(lead, HEADER + "one,trumpet,main,2\r\n")
    remarks = lead.get(f"{answer.redirect_chain[-1][0]}file/?as=remarks").content.decode()
    assert "There is no kind «trumpet»" in remarks
    again = upload(lead, remarks.replace("trumpet", "mic"))
    assert "All 1 row can be taken" in text(again)


def test_a_file_that_cannot_be_read_is_kept_and_said(site: Site) -> None:
    answer = upload(site.browser("lead"), b"PK\x03\x04" + bytes([1, 2, 0, 4] * 40))
    assert "The workbook is damaged" in text(answer)
    assert Upload.objects.get().size == 164


def test_encoding_and_separator_are_said(site: Site) -> None:
    content = (HEADER + "Gesangsbühne,mic,main,1\r\n").replace(",", ";").encode("cp1252")
    page = text(upload(site.browser("lead"), content))
    assert "Windows-1252" in page and "semicolon" in page and "Gesangsbühne" in page


def test_a_coordinator_says_whose_rows_they_are(site: Site) -> None:
    page = text(upload(site.browser("coordinator"), HEADER + "one,mic,main,1\r\n", department="VID"))
    assert "All 1 row can be taken" in page and "belong to Video" in page


def test_an_upload_is_seen_by_its_sender_and_by_coordinators(site: Site) -> None:
    upload(site.browser("other"), HEADER + "one,mic,main,1\r\n")
    address = f"{BASE}import/{Upload.objects.get().pk}/"
    assert site.browser("lead").get(address).status_code == 404
    assert site.browser("lead").get(f"{address}file/").status_code == 404
    assert site.browser("coordinator").get(address).status_code == 200
    assert "list.csv" not in text(site.browser("lead").get(f"{BASE}import/"))


def test_template_and_export_read_back(site: Site) -> None:
    register(site.lead, line(contact="Ada"))
    lead = site.browser("lead")
    assert text(lead.get(f"{BASE}import/template.csv")).startswith("external_id,label,kind,")
    page = text(upload(lead, lead.get(f"{BASE}devices/export.csv").content))
    assert "there is nothing to save" in page


@pytest.mark.parametrize("rows", [1, 30])
def test_an_upload_is_judged_with_the_same_queries_however_long_it_is(
    site: Site, rows: int, django_assert_max_num_queries
) -> None:
    lead = site.browser("lead")
    address = upload(lead, HEADER + "".join(f"line {n},mic,main,1\r\n" for n in range(rows))).redirect_chain[
        -1
    ][0]
    with django_assert_max_num_queries(16):
        lead.get(address)


def test_a_file_too_large_is_refused_beside_its_field_and_not_kept(site: Site, settings) -> None:
    settings.IMPORT_MAX_BYTES = 100
    answer = upload(site.browser("lead"), b"x" * 101)
    assert answer.status_code == 422
    assert "101 bytes; at most 100 are taken" in text(answer)
    assert not Upload.objects.exists()


def test_a_late_line_waits_for_a_coordinator_and_says_so(site: Site) -> None:
    site.event.registration_closes_at = timezone.now() - timedelta(hours=1)
    site.event.save()
    lead = site.browser("lead")
    assert "Registration closed" in text(lead.get(f"{BASE}devices/new/"))
    page = text(lead.post(f"{BASE}devices/new/", TYPED, follow=True))
    assert "waits for a coordinator: registration has closed" in page
    row = Registration.objects.get()
    boss = site.browser("coordinator")
    asked = text(boss.post(f"{BASE}devices/decide/", {"row": f"{row.pk}:{row.version}", "do": "accept"}))
    assert "Accept 1 line?" in asked
    boss.post(f"{BASE}devices/decide/", {"row": f"{row.pk}:{row.version}", "do": "accept", "confirmed": "1"})
    row.refresh_from_db()
    assert row.state == "accepted"


def test_what_is_not_permitted_here_is_recorded_with_the_rule_and_cannot_be_accepted(site: Site) -> None:
    site.event.kinds.get(code="mic").roles.update(
        tuning=[{"low_hz": 406_000_000, "high_hz": 406_100_000, "step_hz": 25_000}]
    )
    page = text(site.browser("lead").post(f"{BASE}devices/new/", TYPED, follow=True))
    assert "registered, but not permitted here" in page
    assert "▲</span> not permitted here" in page
    row = Registration.objects.get()
    given = {"row": f"{row.pk}:{row.version}", "do": "accept", "confirmed": "1", "reason": ""}
    refused = text(site.browser("coordinator").post(f"{BASE}devices/decide/", given))
    assert "A permission must lift this first" in refused


def place(actor, code: str, frequency_hz: int) -> None:
    carrier = Carrier.objects.get(code=code)
    change_frequency(actor=actor, carrier=carrier, frequency_hz=frequency_hz, reason="by hand")


# -- drafts, the line's own page, figures of kinds --------------------------------------------


def test_a_closed_browser_loses_nothing_and_a_saved_line_leaves_no_draft(site: Site) -> None:
    lead = site.browser("lead")
    half = TYPED | {"label": "half typed", "quantity": "many", "all_day": ""}
    lead.post(f"{BASE}devices/help/", half)
    page = text(lead.get(f"{BASE}devices/new/"))
    assert "did not save it" in page and 'value="half typed"' in page and 'value="many"' in page
    assert not lead.get(f"{BASE}devices/new/").context["form"]["all_day"].value()
    assert "half typed" not in text(site.browser("other").get(f"{BASE}devices/new/"))
    assert Registration.objects.count() == 0
    lead.post(f"{BASE}devices/new/", half | {"quantity": "1", "all_day": "on"})
    assert "did not save it" not in text(lead.get(f"{BASE}devices/new/"))


def test_a_draft_of_a_line_is_shown_and_can_be_thrown_away(site: Site) -> None:
    register(site.lead, line())
    row = Registration.objects.get()
    lead, address = site.browser("lead"), f"{BASE}devices/{row.pk}/"
    given = TYPED | {"contact": "somebody else", "version": "1"}
    lead.post(f"{BASE}devices/help/?line={row.pk}", given)
    assert 'value="somebody else"' in text(lead.get(address))
    assert lead.post(address, {"forget": "1"}).status_code == 302
    assert "somebody else" not in text(lead.get(address))
    # Who may not change the line leaves no draft of it.
    site.browser("other").post(f"{BASE}devices/help/?line={row.pk}", given)
    assert not Draft.objects.exists()


def test_drafts_are_told_of_where_one_looks_next_and_thrown_away_there(site: Site) -> None:
    register(site.lead, line())
    row = Registration.objects.get()
    lead = site.browser("lead")
    lead.post(f"{BASE}devices/help/", TYPED | {"label": "half typed"})
    lead.post(f"{BASE}devices/help/?line={row.pk}", TYPED | {"contact": "somebody else", "version": "1"})
    for path in ("", "devices/"):
        page = text(lead.get(f"{BASE}{path}"))
        assert (
            "You have an unfinished line for «half typed»." in page and f'href="{BASE}devices/new/"' in page
        )
        assert "You have unfinished changes to «lead vocals»." in page
        assert "half typed" not in text(site.browser("coordinator").get(f"{BASE}{path}", follow=True))
    page = text(lead.post(f"{BASE}devices/new/", {"forget": "elsewhere"}, follow=True))
    assert "is thrown away" in page and "half typed" not in page and "unfinished changes" in page


def test_help_that_was_asked_for_as_the_line_was_saved_leaves_no_draft_behind(site: Site) -> None:
    lead = site.browser("lead")
    lead.post(f"{BASE}devices/new/", TYPED)
    lead.post(f"{BASE}devices/help/", TYPED)
    assert not Draft.objects.exists()
    row = Registration.objects.get()
    given = TYPED | {"contact": "Berta", "version": str(row.version)}
    assert lead.post(f"{BASE}devices/{row.pk}/", given).status_code == 302
    lead.post(f"{BASE}devices/help/?line={row.pk}", given)
    assert not Draft.objects.exists()
    # What is typed into the saved line from now on is a draft again.
    row.refresh_from_db()
    lead.post(f"{BASE}devices/help/?line={row.pk}", given | {"version": str(row.version), "contact": "C"})
    assert Draft.objects.get().typed["contact"] == "C"


def test_a_label_that_another_line_has_does_not_cost_the_draft(site: Site) -> None:
    register(site.lead, line(TYPED["label"]))
    lead = site.browser("lead")
    opened = lead.get(f"{BASE}devices/new/").context["form"]["opened"].value()
    lead.post(f"{BASE}devices/help/", TYPED | {"opened": opened, "contact": "Berta"})
    assert 'value="Berta"' in text(lead.get(f"{BASE}devices/new/"))
    # Saved meanwhile under another label, with help still under way: no draft.
    given = TYPED | {"opened": opened, "label": "one more"}
    assert lead.post(f"{BASE}devices/new/", given).status_code == 302
    lead.post(f"{BASE}devices/help/", given)
    assert not Draft.objects.exists()


def test_days_outside_the_event_are_pointed_out_and_can_be_saved(site: Site) -> None:
    lead = site.browser("lead")
    given = TYPED | {"all_day": "", "start": "2027-06-13T18:00", "end": "2027-06-20T23:00"}
    page = text(lead.post(f"{BASE}devices/help/", given))
    assert "Outside the event" in page and "Sunday 20 June 2027" in page and "Sunday 13 June" not in page
    assert lead.post(f"{BASE}devices/new/", given).status_code == 302
    inside = given | {"label": "another", "end": "2027-06-13T23:00"}
    assert "Outside the event" not in text(lead.post(f"{BASE}devices/help/", inside))


@pytest.mark.parametrize(
    ("high", "beyond"), [("582.6", False), ("5826", True), ("607.9", False), ("608", True)]
)
def test_a_limit_beyond_what_the_kind_tunes_is_pointed_out(site: Site, high: str, beyond: bool) -> None:
    page = text(site.browser("lead").post(f"{BASE}devices/help/", TYPED | {"low_hz": "582", "high_hz": high}))
    assert ("Beyond what it tunes" in page) is beyond


def test_what_is_wrong_stands_before_what_the_line_got(site: Site) -> None:
    register(site.lead, line())
    row = Registration.objects.get()
    given = TYPED | {"quantity": "many", "version": str(row.version)}
    page = text(site.browser("lead").post(f"{BASE}devices/{row.pk}/", given))
    assert page.index("Nothing was saved") < page.index("What it got")


def test_a_draft_does_not_overwrite_what_somebody_saved_meanwhile(site: Site) -> None:
    register(site.lead, line(contact="Ada"))
    row = Registration.objects.get()
    lead, address = site.browser("lead"), f"{BASE}devices/{row.pk}/"
    lead.post(f"{BASE}devices/help/?line={row.pk}", TYPED | {"contact": "Carla", "version": "1"})
    actions.change(actor=site.coordinator, registration=row, values={"contact": "Berta"})
    form = lead.get(address).context["form"]
    given = {name: form[name].value() for name in form.fields if form[name].value()}
    answer = lead.post(address, given)
    assert answer.status_code == 409 and "Berta" in text(answer) and "Carla" in text(answer)


def test_faults_are_named_above_the_form_with_links_to_their_fields(site: Site) -> None:
    page = text(site.browser("lead").post(f"{BASE}devices/new/", TYPED | {"quantity": "many"}))
    assert '<a href="#id_quantity">Frequencies</a>: Not a whole number' in page
    assert 'id="id_quantity"' in page


def test_the_help_says_how_many_fit_by_spacing_alone(site: Site) -> None:
    mark_occupied(actor=site.coordinator, label="all but 1 MHz", low_hz=470_000_000, high_hz=606_800_000)
    help_for = lambda **more: text(  # noqa: E731
        site.browser("lead").post(f"{BASE}devices/help/", TYPED | more)
    )
    # 606.9 to 607.9 MHz with 350 kHz between neighbours: 606.9, 607.25, 607.6.
    assert "at most 3 fit side by side" in help_for(quantity="3")
    assert "at most 3</span> fit side by side by spacing alone, and you ask for 5" in help_for(
        quantity="4", spares="1"
    )
    assert "606.9–607.9 MHz" in help_for()
    beside_the_range = help_for(quantity="4", spares="1").partition('id="room"')[2]
    assert "At most 3 of its 5 fit in what is left here, 606.9–607.9 MHz" in beside_the_range
    assert "At most" not in help_for(quantity="3").partition('id="room"')[2]


@pytest.mark.parametrize(("low", "high"), [("300", "310"), ("520", "500")])
def test_limits_that_leave_nothing_are_said_once_and_blame_no_power(site: Site, low: str, high: str) -> None:
    given = TYPED | {"quantity": "9", "low_hz": low, "high_hz": high}
    page = text(site.browser("lead").post(f"{BASE}devices/help/", given))
    assert "▲ Your limits leave nothing of what it tunes here, 470.1–607.9 MHz" in page
    assert "At most 0" not in page and "fit in nothing" not in page
    assert "Cannot be saved like this yet" in page and "can be saved all the same" not in page
    assert "mW" not in page
    assert ">Only from, in MHz</a>:" in page or ">Only up to, in MHz</a>:" in page
    assert "✓ permitted" in text(site.browser("lead").post(f"{BASE}devices/help/", TYPED))


def test_a_range_too_narrow_is_said_when_the_line_is_saved(site: Site) -> None:
    lead = site.browser("lead")
    narrow = TYPED | {"quantity": "9", "low_hz": "583", "high_hz": "583.2"}
    page = text(lead.post(f"{BASE}devices/new/", narrow, follow=True))
    row = Registration.objects.get()
    assert "«AUD: lead vocals» is registered. But at most 1 of its 9 fits" in page
    assert (
        f'between 583 and 583.2 MHz: <a href="{BASE}devices/{row.pk}/#id_low_hz">widen its range</a>.' in page
    )
    mark = f'href="{BASE}devices/{row.pk}/#id_low_hz"><span aria-hidden="true">▲</span> at most 1 of its 9 fits between'
    assert mark in page
    wide = narrow | {"high_hz": "607", "version": str(row.version)}
    page = text(lead.post(f"{BASE}devices/{row.pk}/", wide, follow=True))
    assert "widen its range" not in page and "at most" not in page
    assert "is saved. " in page and "Those that it keeps stay until then." in page


def test_what_is_left_here_is_said_when_the_line_is_saved(site: Site) -> None:
    mark_occupied(actor=site.coordinator, label="all but 1 MHz", low_hz=470_000_000, high_hz=606_800_000)
    page = text(site.browser("lead").post(f"{BASE}devices/new/", TYPED | {"quantity": "9"}, follow=True))
    assert "But at most 3 of its 9 fit in what is left here, 606.9–607.9 MHz" in page
    assert "#id_quantity" in page
    within = TYPED | {"label": "within", "low_hz": "500", "high_hz": "510"}
    page = text(site.browser("lead").post(f"{BASE}devices/new/", within, follow=True))
    assert "But nothing that it tunes between 500 and 510 MHz is permitted and free here" in page


def test_a_change_that_concerns_people_alone_says_so(site: Site) -> None:
    register(site.lead, line(contact="Ada", quantity=2))
    row = Registration.objects.get()
    given = TYPED | {"settings": "", "version": str(row.version)}
    page = text(site.browser("lead").post(f"{BASE}devices/{row.pk}/", given, follow=True))
    assert "«AUD: lead vocals» is saved; nothing of that concerns its frequencies." in page
    assert "is registered" not in page


def test_a_spare_stands_in_for_one_frequency_as_the_form_says(site: Site) -> None:
    page = text(site.browser("lead").get(f"{BASE}devices/new/"))
    assert "1 is for the first alone, as many as frequencies are one for each" in page
    register(site.lead, line("one", quantity=3, spares=1), line("each", quantity=3, spares=3))
    for label, served in (("one", [1]), ("each", [1, 2, 3])):
        spares = Carrier.objects.filter(registration__label=label, spare_of__isnull=False)
        assert sorted(spares.values_list("spare_of__position", flat=True)) == served


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("about 480", "Not a frequency; write megahertz, such as 470.125."),
        ("480.1250001", "megahertz have six decimals at most"),
        ("0", "Out of range; use 0.000001 to 1000000 MHz."),
        ("2000000", "Out of range; use 0.000001 to 1000000 MHz."),
        ("0x10", "write megahertz"),
    ],
)
def test_a_form_that_takes_megahertz_speaks_of_megahertz(site: Site, typed: str, said: str) -> None:
    lead = site.browser("lead")
    for field in ("fixed_hz", "low_hz", "high_hz"):
        answer = lead.post(f"{BASE}devices/new/", TYPED | {"quantity": "1", field: typed})
        assert answer.status_code == 422
        errors = answer.context["form"].errors
        assert list(errors) == [field] and said in errors[field][0], errors
        assert f'value="{typed}"' in text(answer)
        told = text(lead.post(f"{BASE}devices/help/", TYPED | {"quantity": "1", field: typed}))
        assert said in told and "hertz such as 470125000" not in told
    many = {"label": "one", "kind": "mic", "zone": "main", "quantity": "1", "fixed_hz": typed}
    page = text(lead.post(f"{BASE}devices/many/", many))
    assert '<a href="#r1-fixed_hz">Uses now, MHz</a>' in page and said in page
    # A unit that is typed counts, here as everywhere.
    given = TYPED | {"quantity": "1", "low_hz": "480125 kHz", "high_hz": "0,5 GHz"}
    assert lead.post(f"{BASE}devices/new/", given).status_code == 302


@given_any(
    parts=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 12)), min_size=1, max_size=3),
    spacing=st.integers(1, 9),
    step=st.integers(1, 3),
)
def test_side_by_side_equals_counting_point_by_point(parts, spacing, step) -> None:
    ranges, low = [], 0
    for gap, length in parts:
        start = low + gap
        ranges.append(tuning.Range(low_hz=start, high_hz=start + length * step, step_hz=step))
        low = start + length * step + 1
    count, free_from = 0, 0
    for hz in sorted({hz for part in ranges for hz in range(part["low_hz"], part["high_hz"] + 1, step)}):
        if hz >= free_from:
            count, free_from = count + 1, hz + spacing
    assert tuning.side_by_side(ranges, spacing) == count


def test_a_line_shows_what_it_got_and_its_facts_in_words(site: Site) -> None:
    register(site.lead, line(quantity=2, low_hz=480_000_000))
    row = Registration.objects.get()
    place(site.coordinator, "AUD-001", 481_000_000)
    page = text(site.browser("lead").get(f"{BASE}devices/{row.pk}/"))
    assert "What it got" in page and "481.000" in page and "usually" in page and "not planned yet" in page
    page = text(site.browser("observer").get(f"{BASE}devices/{row.pk}/"))
    assert "Main stage" in page and "480 MHz" in page and "Microphone" in page and "480000000" not in page


KIND = {
    "name": "Microphone", "power_mw": "10, 50", "cells": "2 × AA", "running_h": "6", "settings": "pairing key", "version": "1",
    "tuning-mic": "470.1 to 607.9 by 0.025", "bandwidth_hz-mic": "200", "spacing_hz-mic": "350",
}  # fmt: skip


def test_a_kinds_figures_are_changed_for_its_event_and_its_lines_judged_again(site: Site) -> None:
    register(site.lead, line(low_hz=480_000_000, high_hz=490_000_000))
    boss, address = site.browser("coordinator"), f"{BASE}set-up/kinds/mic/"
    page = text(boss.get(address))
    assert "470.1 to 607.9 by 0.025" in page and 'value="350"' in page
    revision = site.event.revision
    # 870 MHz: no microphones there by the ruleset of this site.
    given = KIND | {"tuning-mic": "870 to 872 by 0.1\n900", "bandwidth_hz-mic": "180.5"}
    assert boss.post(address, given)["Location"] == f"{BASE}set-up/kinds/"
    role = site.event.kinds.get(code="mic").roles.get()
    assert role.tuning[0] == {"low_hz": 870_000_000, "high_hz": 872_000_000, "step_hz": 100_000}
    assert role.tuning[1] == {"low_hz": 900_000_000, "high_hz": 900_000_000, "step_hz": 1}
    assert role.bandwidth_hz == 180_500
    row = Registration.objects.get()
    assert row.not_permitted and row.state == "submitted"
    site.event.refresh_from_db()
    assert site.event.revision > revision
    assert Entry.objects.filter(verb="changed a kind").get().changes["mic"]["mic: bandwidth_hz"] == [
        200_000,
        180_500,
    ]
    answer = boss.post(address, KIND)
    assert "Somebody else changed this" in text(answer)
    assert site.browser("lead").get(address).status_code == 403


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"tuning-mic": "470 bis 500"}, "«470 bis 500»: write"),
        ({"tuning-mic": "470 to 500 by 0.7"}, "must end on a step"),
        ({"tuning-mic": ""}, "This field is required"),
        ({"power_mw": "10; strong"}, "milliwatts separated by commas"),
        ({"power_mw": "-1"}, "above 0"),
        ({"bandwidth_hz-mic": "0"}, "greater than or equal"),
    ],
)
def test_wrong_figures_of_a_kind_are_named_and_what_was_typed_stays(
    site: Site, wrong: dict[str, str], said: str
) -> None:
    page = text(site.browser("coordinator").post(f"{BASE}set-up/kinds/mic/", KIND | {"note": "kept"} | wrong))
    assert said in page and 'value="kept"' in page
    assert site.event.kinds.get(code="mic").version == 1


def test_a_taken_range_is_changed_in_place(site: Site) -> None:
    row = mark_occupied(actor=site.coordinator, label="channel 33", low_hz=566_000_000, high_hz=574_000_000)
    boss, address = site.browser("coordinator"), f"{BASE}set-up/surroundings/occupied/{row.pk}/"
    given = {
        "label": "channel 33",
        "low_hz": "566",
        "high_hz": "573,5",
        "source": "heard it",
        "version": "1",
    }
    assert 'value="574"' in text(boss.get(address))
    assert boss.post(address, given)["Location"] == f"{BASE}set-up/surroundings/"
    row.refresh_from_db()
    assert (row.high_hz, row.source) == (573_500_000, "heard it")
    assert "Somebody else changed this" in text(boss.post(address, given | {"high_hz": "570"}))


def test_lists_and_reviews_take_the_same_number_of_queries_with_one_row_and_with_thirty(
    site: Site, django_assert_max_num_queries
) -> None:
    lead, boss = site.browser("lead"), site.browser("coordinator")
    register(site.lead, line("first"))
    key = Registration.objects.get().pk
    pages = [
        (lead, "devices/"), (boss, "devices/"), (boss, "review/"), (boss, "runs/"), (lead, f"devices/{key}/"), (lead, "import/"),
        (lead, "devices/new/"),
    ]  # fmt: skip
    few = []
    for browser, path in pages:
        browser.get(f"{BASE}{path}")
        with django_assert_max_num_queries(32) as counted:
            browser.get(f"{BASE}{path}")
        few.append(len(counted))
    register(site.lead, *(line(f"more {number}", quantity=2, spares=1) for number in range(30)))
    for (browser, path), count in zip(pages, few, strict=True):
        browser.get(f"{BASE}{path}")
        with django_assert_max_num_queries(count):
            assert browser.get(f"{BASE}{path}").status_code == 200
