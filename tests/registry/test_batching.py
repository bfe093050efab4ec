"""One act on many lines: all that the filter leaves means exactly those, one reason, one batch, undone while that fits."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.utils import timezone

from apps.common.choice import Choice
from apps.common.errors import Conflict, Faulty, Forbidden
from apps.events import actions as events
from apps.journal.models import Entry
from apps.planning import actions as planning
from apps.planning.actions import Selection
from apps.publishing import undoing
from apps.publishing.actions import publish
from apps.registry import actions
from apps.registry.batching import Act, act_on_many, put_back
from apps.registry.models import Batch, Carrier, Registration, Unit
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]
BASE = "/e/harbour-days/"
SIDE = Act("change", {"zone": "side"})


@pytest.fixture
def site() -> Site:
    return make_site()


def text(answer: HttpResponse) -> str:
    return answer.content.decode()


def hidden(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found, name
    return found[1]


def everything(**filters: Any) -> Choice:
    return Choice.of(Registration.objects.filter(**filters).values_list("pk", "version"))


def values_of(*names: str) -> list[tuple[Any, ...]]:
    return list(Registration.objects.order_by("pk").values_list("pk", *names))


def ask_all(browser: Client, query: str = "", **given: str) -> HttpResponse:
    """What the page answers when all lines that a filter leaves are meant, as the list itself sends it."""
    page = text(browser.get(f"{BASE}devices/?{query}"))
    sent = {"scope": "all", "all": hidden(page, "all"), "count": hidden(page, "count")}
    return browser.post(f"{BASE}devices/decide/?{query}", sent | given)


# -- asking, then doing ---------------------------------------------------------------------


def test_all_that_the_filter_leaves_are_changed_for_one_reason_and_nothing_else(site: Site) -> None:
    register(site.coordinator, *(line(f"line {n:03}") for n in range(112)), line("apart", zone="gate"))
    register(site.coordinator, line("camera", department="VID"))
    boss = site.browser("coordinator")
    asked = text(ask_all(boss, "zone=main&department=AUD", do="change"))
    assert "Change 112 lines?" in asked
    given = {"row": hidden(asked, "row"), "do": "change", "set": "zone", "zone": "side", "priority": "9"}
    looked = text(boss.post(f"{BASE}devices/decide/?zone=main&department=AUD", given | {"weigh": "1"}))
    assert "112 would be changed" in looked and "Change all 112" in looked
    assert Registration.objects.filter(zone__code="side").count() == 0
    given |= {"seen": hidden(looked, "seen"), "confirmed": "1"}
    refused = boss.post(f"{BASE}devices/decide/?zone=main&department=AUD", given)
    assert "Say why" in text(refused) and '<option value="side" selected>' in text(refused)
    done = boss.post(f"{BASE}devices/decide/?zone=main&department=AUD", given | {"reason": "rain"})
    assert done["Location"] == f"{BASE}devices/?zone=main&department=AUD"
    moved = Registration.objects.filter(zone__code="side")
    assert moved.count() == 112 and set(moved.values_list("department__code", "priority")) == {("AUD", 2)}
    entry = Entry.objects.last()
    assert (entry.verb, entry.subject, entry.reason) == ("changed together", "batch 1: 112 lines", "rain")
    assert entry.changes["line 000"] == {"zone": ["main", "side"]}
    assert f'href="{BASE}batches/1/"' in text(boss.get(f"{BASE}devices/"))


def test_all_is_refused_with_both_numbers_when_others_fit_by_now(site: Site) -> None:
    register(site.lead, line("a"), line("b"))
    lead = site.browser("lead")
    page = text(lead.get(f"{BASE}devices/"))
    register(site.coordinator, line("c"))
    sent = {"scope": "all", "all": hidden(page, "all"), "count": hidden(page, "count"), "do": "withdraw"}
    answer = text(lead.post(f"{BASE}devices/decide/", sent, follow=True))
    assert "2 lines were meant then; 3 fit by now. Nothing was done" in answer
    assert not Registration.objects.filter(state="withdrawn").exists()


def test_what_cannot_is_named_with_its_reason_and_the_rest_is_done(site: Site) -> None:
    register(
        site.lead, line("wide"), line("narrow", low_hz="470.1 MHz", high_hz="480.1 MHz"), line("gone"),
        line("there", zone="side"),
    )  # fmt: skip
    actions.withdraw(actor=site.lead, registration=Registration.objects.get(label="gone"))
    lead = site.browser("lead")
    given = {"row": everything().text, "do": "change", "set": ["range"], "low_hz": "500", "high_hz": ""}
    looked = text(lead.post(f"{BASE}devices/decide/", given | {"weigh": "1"}))
    assert "Of 4 lines: <strong>3 would be changed" in looked and "1 cannot" in looked
    assert "1 cannot: It is withdrawn; submit it again first." in looked and "AUD: gone" in looked
    given = {
        "row": everything().text,
        "do": "change",
        "set": ["kind", "zone"],
        "kind": "repeater",
        "zone": "side",
    }
    looked = text(lead.post(f"{BASE}devices/decide/", given | {"weigh": "1"}))
    assert "AUD: narrow" in looked and "tunes nothing in this range" in looked
    given |= {"confirmed": "1", "reason": "radios instead", "seen": hidden(looked, "seen")}
    lead.post(f"{BASE}devices/decide/", given)
    assert values_of("label", "kind__code", "zone__code") == [
        (pk, label, *({"narrow": ("mic", "main"), "gone": ("mic", "main")}.get(label, ("repeater", "side"))))
        for pk, label in Registration.objects.order_by("pk").values_list("pk", "label")
    ]


def test_wrong_values_are_said_once_beside_their_field_and_kept(site: Site) -> None:
    register(site.lead, line("a"), line("b"))
    given = {
        "row": everything().text, "do": "change", "set": ["hours", "power", "range"], "weigh": "1", "power_mw": "strong",
        "start": "2027-06-11T18:00", "low_hz": "607", "high_hz": "606,5",
    }  # fmt: skip
    answer = site.browser("lead").post(f"{BASE}devices/decide/", given)
    page = text(answer)
    assert answer.status_code == 422
    assert page.count("Not a power") == 1 and page.count("With a start comes an end") == 1
    assert 'value="strong"' in page and 'value="606,5"' in page


def test_hours_and_limits_are_read_as_in_the_form(site: Site) -> None:
    register(site.lead, line("a"), line("b", power_mw=10))
    values = {
        "all_day": "no", "start": "2027-06-11T18:00", "end": "2027-06-12T01:00", "low_hz": "500 MHz", "high_hz": "",
        "power_mw": "",
    }  # fmt: skip
    act_on_many(actor=site.lead, choice=everything(), act=Act("change", values), reason="later")
    row = Registration.objects.get(label="b")
    assert (row.low_hz, row.power_mw) == (500_000_000, None)
    given = {
        "row": everything().text, "do": "change", "set": ["hours"], "confirmed": "1", "reason": "x",
        "stretches": "2027-06-11T18:00/2027-06-11T20:00\n2027-06-12T18:00/2027-06-12T20:00",
    }  # fmt: skip
    # Vienna is two hours ahead of UTC in June (IANA time zone database).
    assert row.starts_at and row.starts_at.isoformat() == "2027-06-11T16:00:00+00:00"
    assert site.browser("lead").post(f"{BASE}devices/decide/", given).status_code == 302
    row.refresh_from_db()
    assert [len(row.stretches), row.ends_at and row.ends_at.isoformat()] == [2, "2027-06-12T18:00:00+00:00"]


def test_what_tells_lines_apart_is_not_set_on_many(site: Site) -> None:
    register(site.lead, line("a"), line("b"))
    for values in ({"label": "same"}, {"quantity": "3"}, {}):
        with pytest.raises(Faulty):
            act_on_many(actor=site.lead, choice=everything(), act=Act("change", values), reason="x")
    assert not Batch.objects.exists()


def test_what_was_shown_is_what_is_done_or_nothing_and_what_was_typed_stays(site: Site) -> None:
    register(site.coordinator, line("a"), line("b"))
    boss = site.browser("coordinator")
    given = {"row": everything().text, "do": "change", "set": "priority", "priority": "5"}
    looked = text(boss.post(f"{BASE}devices/decide/", given | {"weigh": "1"}))
    actions.change(actor=site.lead, registration=Registration.objects.get(label="b"), values={"zone": "gate"})
    given |= {"seen": hidden(looked, "seen"), "confirmed": "1", "reason": "because of rain"}
    again = text(boss.post(f"{BASE}devices/decide/", given))
    assert "Somebody changed 1 of these 2 rows" in again and "because of rain" in again
    assert set(Registration.objects.values_list("priority", flat=True)) == {2}
    given |= {"row": hidden(again, "row"), "seen": hidden(again, "seen")}
    assert boss.post(f"{BASE}devices/decide/", given).status_code == 302
    assert set(Registration.objects.values_list("priority", flat=True)) == {5}


def test_leads_reach_their_own_lines_only_and_decide_nothing(site: Site) -> None:
    register(site.coordinator, line("mine"), line("theirs", department="VID"))
    with pytest.raises(Conflict):
        act_on_many(actor=site.lead, choice=everything(), act=SIDE, reason="x")
    act_on_many(actor=site.lead, choice=everything(label="mine"), act=SIDE, reason="x")
    assert Registration.objects.get(label="theirs").zone.code == "main"
    for name in ("accept", "send back"):
        with pytest.raises(Forbidden):
            act_on_many(actor=site.lead, choice=everything(label="mine"), act=Act(name), reason="x")
    for actor in (site.desk, site.observer):
        with pytest.raises(Forbidden):
            act_on_many(actor=actor, choice=everything(), act=SIDE, reason="x")


def test_a_change_of_many_shows_the_states_that_it_brings(site: Site) -> None:
    """After the deadline a lead's change of accepted lines waits for a coordinator; that stands on the page before."""
    register(site.lead, line("a"))
    site.event.registration_closes_at = timezone.now() - timedelta(hours=1)
    site.event.save()
    given = {"row": everything().text, "do": "change", "set": "zone", "zone": "gate", "weigh": "1"}
    looked = text(site.browser("lead").post(f"{BASE}devices/decide/", given))
    assert re.search(
        r'state <span class="fb-old">accepted</span>.*?<span class="fb-new">submitted</span>', looked
    )
    act_on_many(
        actor=site.again("lead"), choice=everything(), act=Act("change", {"zone": "gate"}), reason="x"
    )
    row = Registration.objects.get()
    assert (row.state, row.late) == ("submitted", True)
    act_on_many(actor=site.coordinator, choice=everything(), act=Act("change", {"priority": "1"}), reason="x")
    row.refresh_from_db()
    assert (row.state, row.late, row.priority) == ("submitted", True, 1)


def test_one_batch_of_several_departments_is_read_by_each_of_them_for_its_own(site: Site) -> None:
    register(site.coordinator, line("a"), line("b", department="VID"))
    act_on_many(actor=site.coordinator, choice=everything(), act=SIDE, reason="rain")
    entries = Entry.objects.filter(verb="changed together")
    assert sorted(entries.values_list("department", "subject")) == [
        ("AUD", "batch 1: 1 line"),
        ("VID", "batch 1: 1 line"),
    ]
    lead = site.browser("lead")
    # A batch that touched others is not theirs to see as a whole.
    assert lead.get(f"{BASE}batches/1/").status_code == 404
    assert "batch 1: 1 line" in text(lead.get(f"{BASE}journal/?subject=batch+1%3A"))
    act_on_many(actor=site.coordinator, choice=everything(label="a"), act=Act("withdraw"), reason="x")
    assert lead.get(f"{BASE}batches/2/").status_code == 200


# -- undoing --------------------------------------------------------------------------------


KEPT = ("zone__code", "state", "reason", "late", "not_permitted", "priority", "starts_at", "kind__code")


def test_undoing_puts_every_line_back_as_it_was_and_is_written_down(site: Site) -> None:
    register(
        site.coordinator,
        line("a", zone="main", start="2027-06-11T18:00", end="2027-06-11T23:00"), line("b", zone="gate", external_id="B-7"),
        line("c", department="VID"),
    )  # fmt: skip
    actions.send_back(
        actor=site.coordinator, registration=Registration.objects.get(label="b"), reason="which rack?"
    )
    before = values_of(*KEPT)
    act = Act("change", {"zone": "side", "all_day": "yes", "priority": "4"})
    batch = act_on_many(actor=site.coordinator, choice=everything(), act=act, reason="x")
    assert values_of(*KEPT) != before
    boss = site.browser("coordinator")
    page = text(boss.get(f"{BASE}batches/{batch.number}/"))
    assert "3 can be undone" in page and "Undo all 3" in page
    given = {"seen": hidden(page, "seen"), "reason": ""}
    assert "Say why" in text(boss.post(f"{BASE}batches/1/", given))
    boss.post(f"{BASE}batches/1/", given | {"reason": "wrong stage"})
    assert values_of(*KEPT) == before
    entries = Entry.objects.filter(verb="undid")
    assert sorted(entries.values_list("department", "subject", "reason")) == [
        ("AUD", "batch 1: 2 lines", "wrong stage"),
        ("VID", "batch 1: 1 line", "wrong stage"),
    ]
    assert entries.get(department="VID").changes["c"]["zone"] == ["side", "main"]
    assert "All of it is undone" in text(boss.get(f"{BASE}batches/1/"))
    with pytest.raises(Conflict):
        undoing.undo(actor=site.coordinator, batch=batch, reason="again")


def test_undoing_a_withdrawal_brings_the_same_carriers_and_units_back(site: Site) -> None:
    register(site.lead, line("a", quantity=2, spares=1, units=2), line("b"))
    there = set(Carrier.objects.values_list("code", "withdrawn"))
    batch = act_on_many(actor=site.lead, choice=everything(), act=Act("withdraw"), reason="stays at home")
    assert Registration.objects.filter(reason="stays at home", state="withdrawn").count() == 2
    assert not Carrier.objects.filter(withdrawn=False).exists()
    undoing.undo(actor=site.lead, batch=batch, reason="comes after all")
    assert set(Carrier.objects.values_list("code", "withdrawn")) == there
    assert not Unit.objects.filter(withdrawn=True).exists()


def test_undoing_another_kind_gives_the_old_carriers_back_and_takes_the_new_ones(site: Site) -> None:
    register(site.lead, line("a", quantity=2))
    batch = act_on_many(
        actor=site.lead, choice=everything(), act=Act("change", {"kind": "repeater"}), reason="x"
    )
    assert Carrier.objects.filter(withdrawn=False, role__kind__code="repeater").count() == 4
    undoing.undo(actor=site.lead, batch=batch, reason="x")
    assert set(Carrier.objects.filter(withdrawn=False).values_list("code", flat=True)) == {
        "AUD-001",
        "AUD-002",
    }


def test_what_has_come_to_depend_on_a_batch_stays_with_the_reason_named(site: Site) -> None:
    register(
        site.coordinator, line("agreed"), line("edited"), line("free"), line("published", department="VID")
    )
    batch = act_on_many(actor=site.coordinator, choice=everything(), act=SIDE, reason="rain")
    for hertz, label in ((480_100_000, "agreed"), (505_100_000, "published")):
        carrier = Carrier.objects.get(registration__label=label)
        planning.change_frequency(actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="x")
        planning.approve(actor=site.coordinator, selection=Selection(carriers=(carrier.code,)))
    publish(actor=site.coordinator, department=site.department("VID"))
    actions.change(
        actor=site.lead, registration=Registration.objects.get(label="edited"), values={"contact": "Ada"}
    )
    outlook = undoing.outlook(batch)
    assert [line.registration.label for line in outlook.free] == ["free"]
    agreed = Carrier.objects.get(registration__label="agreed").code
    published = Carrier.objects.get(registration__label="published").code
    assert {line.registration.label: why for line, why in outlook.tied} == {
        "agreed": [f"Agreed in the plan since: {agreed}."],
        "edited": ["It was changed since."],
        "published": [f"Agreed in the plan since: {published}.", "It stands in edition 1."],
    }
    page = text(site.browser("coordinator").get(f"{BASE}batches/1/"))
    assert "3 cannot be undone any more" in page and "It stands in edition 1" in page
    with pytest.raises(Conflict):
        put_back(
            actor=site.coordinator, batch=batch, keys=batch.lines.values_list("pk", flat=True), reason="x"
        )
    assert undoing.undo(actor=site.coordinator, batch=batch, reason="x", seen=outlook.digest) == 1
    assert set(Registration.objects.filter(zone__code="side").values_list("label", flat=True)) == {
        "agreed", "edited", "published",
    }  # fmt: skip


def test_a_saved_list_is_a_batch_that_is_undone_where_nothing_depends_on_it(site: Site) -> None:
    register(site.lead, line("choir", quantity=3), line("brass"))
    before, carriers = (
        values_of("zone__code", "quantity", "state"),
        set(Carrier.objects.values_list("code", "withdrawn")),
    )
    lead = site.browser("lead")
    rows = "label,kind,zone,quantity\r\nchoir,mic,side,1\r\nbrass,mic,main,2\r\nsolo,mic,main,1\r\nduet,mic,main,2\r\n"
    sent = lead.post(f"{BASE}import/", {"file": SimpleUploadedFile("crew.csv", rows.encode())}, follow=True)
    given = {"do": "save", "seen": sent.context["seen"]}
    page = text(lead.post(sent.redirect_chain[-1][0], given, follow=True))
    batch = Batch.objects.get()
    assert (batch.act, batch.upload.name) == ("import", "crew.csv")
    assert f'href="{BASE}batches/1/"' in text(lead.get(sent.redirect_chain[-1][0])), page
    assert Entry.objects.get(subject="batch 1: 4 lines").verb == "registered and changed"
    carrier = Carrier.objects.get(registration__label="solo")
    planning.change_frequency(actor=site.coordinator, carrier=carrier, frequency_hz=480_100_000, reason="x")
    planning.approve(actor=site.coordinator, selection=Selection(carriers=(carrier.code,)))
    outlook = undoing.outlook(batch)
    assert [(line.registration.label, why) for line, why in outlook.tied] == [
        ("solo", [f"Agreed in the plan since: {carrier.code}."])
    ]
    assert "imported 4 lines" in text(lead.get(f"{BASE}batches/")) and "From" in text(
        lead.get(f"{BASE}batches/1/")
    )
    assert undoing.undo(actor=site.lead, batch=batch, reason="wrong file", seen=outlook.digest) == 3
    assert values_of("zone__code", "quantity", "state")[:2] == before
    states = dict(Registration.objects.values_list("label", "state"))
    assert (states["duet"], states["solo"]) == ("withdrawn", "accepted")
    assert set(Carrier.objects.filter(registration__label__in=["choir", "brass"], withdrawn=False).values_list(
        "code", "withdrawn"
    )) == carriers  # fmt: skip


def test_an_edition_that_went_out_without_withdrawn_lines_keeps_them_out(site: Site) -> None:
    register(site.coordinator, line("goes"), line("stays"))
    batch = act_on_many(
        actor=site.coordinator, choice=everything(label="goes"), act=Act("withdraw"), reason="x"
    )
    carrier = Carrier.objects.get(registration__label="stays")
    planning.change_frequency(
        actor=site.coordinator, carrier=carrier, frequency_hz=480_000_000, reason="by hand"
    )
    planning.approve(actor=site.coordinator, selection=Selection(carriers=(carrier.code,)))
    publish(actor=site.coordinator)
    assert [why for _, why in undoing.outlook(batch).tied] == [["Published without it: edition 1."]]


def test_an_undoing_looked_at_before_somebody_agreed_is_looked_at_again(site: Site) -> None:
    register(site.coordinator, line("a"), line("b"))
    batch = act_on_many(actor=site.coordinator, choice=everything(), act=SIDE, reason="x")
    boss = site.browser("coordinator")
    seen = hidden(text(boss.get(f"{BASE}batches/1/")), "seen")
    actions.change(actor=site.lead, registration=Registration.objects.get(label="a"), values={"priority": 1})
    answer = boss.post(f"{BASE}batches/1/", {"seen": seen, "reason": "typed <already>"})
    assert "Other lines can be undone by now" in text(answer) and "typed &lt;already&gt;" in text(answer)
    assert not batch.lines.exclude(undone_at=None).exists()


def test_a_label_taken_or_a_zone_gone_since_keeps_a_line_from_coming_back(site: Site) -> None:
    register(site.coordinator, line("a"), line("b", zone="gate"))
    taken = act_on_many(actor=site.coordinator, choice=everything(label="a"), act=Act("withdraw"), reason="x")
    register(site.lead, line("a", external_id="new"))
    assert [why for _, why in undoing.outlook(taken).tied] == [
        ["Another line of this label was registered since."]
    ]
    moved = act_on_many(actor=site.coordinator, choice=everything(label="b"), act=SIDE, reason="x")
    events.remove_zone(actor=site.coordinator, zone=site.zone("gate"))
    assert [why for _, why in undoing.outlook(moved).tied] == [["The zone that it was in is gone."]]


def test_what_is_no_longer_permitted_comes_back_marked_and_waiting(site: Site) -> None:
    """406.0 to 406.1 MHz is kept for distress beacons everywhere (Radio Regulations No. 5.266)."""
    register(site.lead, line("a"))
    batch = act_on_many(actor=site.lead, choice=everything(), act=SIDE, reason="x")
    site.event.kinds.get(code="mic").roles.update(
        tuning=[{"low_hz": 406_000_000, "high_hz": 406_100_000, "step_hz": 25_000}]
    )
    undoing.undo(actor=site.lead, batch=batch, reason="x")
    row = Registration.objects.get()
    assert (row.zone.code, bool(row.not_permitted), row.state) == ("main", True, "submitted")


def test_who_may_undo(site: Site) -> None:
    register(site.coordinator, line("a"))
    back = act_on_many(actor=site.coordinator, choice=everything(), act=Act("send back"), reason="name it")
    with pytest.raises(Forbidden):
        undoing.undo(actor=site.lead, batch=back, reason="no")
    page = text(site.browser("lead").get(f"{BASE}batches/1/"))
    assert "Only a coordinator" in page and "Undo it" not in page
    assert site.browser("lead").post(f"{BASE}batches/1/", {"reason": "x"}).status_code == 403
    assert site.browser("observer").get(f"{BASE}batches/1/").status_code == 200
    assert site.browser("observer").post(f"{BASE}batches/1/", {"reason": "x"}).status_code == 403
    undoing.undo(actor=site.coordinator, batch=back, reason="named")
    row = Registration.objects.get()
    assert (row.state, row.reason) == ("accepted", "")


# -- cost -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "act", [SIDE, Act("change", {"kind": "repeater"}), Act("withdraw"), Act("send back")], ids=str
)
def test_doing_and_undoing_cost_the_same_queries_however_many_lines(
    site: Site, act: Act, django_assert_max_num_queries
) -> None:
    counts = []
    for size in (1, 30):
        labels = [f"{size} lines, {number}" for number in range(size)]
        register(site.coordinator, *map(line, labels))
        choice = everything(label__in=labels)
        with django_assert_max_num_queries(60) as doing:
            batch = act_on_many(actor=site.coordinator, choice=choice, act=act, reason="x")
        with django_assert_max_num_queries(60) as undone:
            assert undoing.undo(actor=site.coordinator, batch=batch, reason="x") == size
        counts.append((len(doing), len(undone)))
    assert counts[0] == counts[1]
