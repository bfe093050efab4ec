"""The pages of planning: devices with what they got, runs, a frequency by hand, breaches."""

import re
from datetime import timedelta

import pytest
from django.http import HttpResponse
from django.utils import timezone

from apps.planning import actions, documents, running
from apps.planning.actions import Selection
from apps.planning.models import Acceptance, Assignment, LeftOut, Run, RunDocument
from apps.registry import actions as registry
from apps.registry.models import Carrier, Registration
from apps.solver import read_problem, solve
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
BASE = "/e/harbour-days/"
ON_RASTER = 470_100_000


@pytest.fixture
def site() -> Site:
    return make_site()


def text(answer: HttpResponse) -> str:
    """The page without its tokens, whose letters are drawn by lot and may spell anything."""
    return re.sub(
        r'(X-CSRFToken": "|csrfmiddlewaretoken" value=")[A-Za-z0-9]+', r"\1", answer.content.decode()
    )


def hidden(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found, name
    return found[1]


def place(site: Site, code: str, hertz: int) -> Assignment:
    carrier = Carrier.objects.get(code=code)
    return actions.change_frequency(
        actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="agreed on site"
    )


def ended_run(site: Site) -> Run:
    """A run carried to its end by the solver itself, without a worker's process."""
    run = running.request_run(actor=site.coordinator, seconds=5)
    claimed = running.claim(run.pk, "test")
    assert claimed
    result = solve(read_problem(documents.read(claimed, RunDocument.Role.PROBLEM)), seconds=5, seed=0)
    running.finish(claimed, result.document(), None)
    claimed.refresh_from_db()
    return claimed


# -- the list -------------------------------------------------------------------------------


def test_the_list_says_what_was_got_and_what_is_missing(site: Site) -> None:
    register(site.lead, line(quantity=2, contact=""))
    place(site, "AUD-001", ON_RASTER)
    page = text(site.browser("lead").get(f"{BASE}devices/"))
    assert "470.100 MHz" in page and "○</span> proposed" in page
    assert "not planned yet" in page
    assert "Still to fill in: contact, pairing key" in page


def test_filters_are_kept_in_the_address_and_all_hold_together(site: Site) -> None:
    register(
        site.coordinator,
        line("vocals", zone="main"), line("choir", zone="side"), line("camera", department="VID"),
        line("abroad", low_hz="606.5 MHz", high_hz="607.5 MHz"),
    )  # fmt: skip
    Registration.objects.filter(label="abroad").update(not_permitted="reserved")
    boss = site.browser("coordinator")

    def shown(query: str) -> set[str]:
        answer = boss.get(f"{BASE}devices/?{query}")
        return {row.label for row, _, _ in answer.context["lines"]}

    assert shown("") == {"vocals", "choir", "camera", "abroad"}
    assert shown("department=AUD&zone=main") == {"vocals", "abroad"}
    assert shown("state=accepted&department=AUD") == {"vocals", "choir"}
    assert shown("state=not permitted here") == {"abroad"}
    assert shown("text=micro CHO") == {"choir"}
    assert shown("kind=repeater") == set()
    place(site, "AUD-001", ON_RASTER)
    first = Carrier.objects.get(code="AUD-001").registration.label
    assert shown("frequency=proposed") == {first}
    assert shown("frequency=not permitted here") == {"abroad"} - {first}
    assert shown("frequency=not planned yet") == {"vocals", "choir", "camera"} - {first}
    assert shown("frequency=left out") == shown("frequency=nonsense") == set()
    page = text(boss.get(f"{BASE}devices/?zone=side&text=cho"))
    assert 'value="cho"' in page and '<option value="side" selected>' in page
    assert "No line fits these filters" in text(boss.get(f"{BASE}devices/?zone=nowhere"))


def test_an_empty_list_says_what_to_do(site: Site) -> None:
    assert "Register the first line" in text(site.browser("lead").get(f"{BASE}devices/"))
    assert "Register the first line" not in text(site.browser("observer").get(f"{BASE}devices/"))


def test_the_deadline_shows_with_its_distance(site: Site) -> None:
    site.event.registration_closes_at = timezone.now() + timedelta(days=3, minutes=5)
    site.event.save()
    assert re.search(
        r"Registration closes <time data-fb-clock [^>]*>in 3 days</time>",
        text(site.browser("lead").get(f"{BASE}devices/")),
    )
    site.event.registration_closes_at = timezone.now() - timedelta(hours=2, minutes=5)
    site.event.save()
    assert re.search(
        r"Registration closed <time data-fb-clock [^>]*>2 hours ago</time>",
        text(site.browser("lead").get(f"{BASE}devices/")),
    )


def test_a_lead_reads_why_without_names_or_frequencies_of_others(site: Site) -> None:
    register(site.coordinator, line("mine"), line("agents", department="GRD", quantity=2))
    place(site, "GRD-001", 481_325_000)
    carrier, run = Carrier.objects.get(code="AUD-001"), ended_run(site)
    LeftOut.objects.create(
        event=site.event, carrier=carrier, run=run,
        blocked_by=[
            {"cause": "separation", "carrier": "GRD-001", "share": 0.7},
            {"cause": "product", "family": "2A-B", "carriers": ["GRD-001", "GRD-002"], "share": 0.3},
        ],
    )  # fmt: skip
    for path in ("devices/", "review/AUD-001/", "review/"):
        page = text(site.browser("lead").get(BASE + path))
        assert "another department, Main stage" in page, path
        for secret in ("GRD", "Guest protection", "agents", "481.325"):
            assert secret not in page, (path, secret)


@pytest.mark.parametrize("who", ["coordinator", "lead"])
def test_the_list_costs_the_same_queries_however_long_it_is(
    site: Site, who: str, django_assert_num_queries
) -> None:
    client, counts = site.browser(who), []
    for size in (1, 30):
        register(site.coordinator, *(line(f"line {number}", quantity=2) for number in range(size)))
        with django_assert_num_queries(13, exact=False) as seen:
            client.get(f"{BASE}devices/")
        counts.append(len(seen))
    assert counts[0] == counts[1]


# -- runs -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "code"),
    [("coordinator", 200), ("desk", 200), ("lead", 403), ("observer", 403), ("stranger", 404)],
)
@pytest.mark.parametrize("path", ["runs/", "runs/1/", "runs/1/progress/", "breaches/"])
def test_who_sees_runs_and_breaches(site: Site, who: str, code: int, path: str) -> None:
    register(site.lead, line())
    ended_run(site)
    assert site.browser(who).get(BASE + path).status_code == code


def test_only_coordinators_ask_stop_and_adopt(site: Site) -> None:
    register(site.lead, line())
    desk = site.browser("desk")
    assert "Only a coordinator" in text(desk.post(f"{BASE}runs/", {"seconds": 5}))
    assert not Run.objects.exists()
    run = running.request_run(actor=site.coordinator, seconds=5)
    for deed in ("stop", "adopt"):
        assert "Only a coordinator" in text(desk.post(f"{BASE}runs/{run.number}/", {"do": deed}, follow=True))
    run.refresh_from_db()
    assert run.state == "queued"


def test_asking_for_a_run_with_nothing_to_place_says_so(site: Site) -> None:
    answer = site.browser("coordinator").post(f"{BASE}runs/", {"seconds": "5"})
    assert answer.status_code == 422
    assert "nothing to place" in text(answer)
    assert "No run yet" in text(answer)


def test_a_run_is_watched_stopped_and_refreshed_when_it_has_ended(site: Site) -> None:
    register(site.lead, line())
    boss = site.browser("coordinator")
    assert boss.post(f"{BASE}runs/", {"seconds": "5"})["Location"] == f"{BASE}runs/1/"
    page = text(boss.get(f"{BASE}runs/1/"))
    assert "queued" in page and 'aria-live="polite"' in page and 'hx-trigger="every 2s"' in page
    running_part = boss.get(f"{BASE}runs/1/progress/")
    assert "HX-Refresh" not in running_part
    again = boss.post(f"{BASE}runs/", {"seconds": "5"})
    assert "Run 1 is queued" in text(again)
    boss.post(f"{BASE}runs/1/", {"do": "stop"})
    assert boss.get(f"{BASE}runs/1/progress/")["HX-Refresh"] == "true"
    assert "Stopped before it found anything" in text(boss.get(f"{BASE}runs/1/"))


def test_a_failed_run_shows_its_sentence(site: Site) -> None:
    register(site.lead, line())
    run = running.request_run(actor=site.coordinator, seconds=5)
    claimed = running.claim(run.pk, "test")
    assert claimed
    running.fail(claimed, "The memory ran out; ask for a shorter run.")
    page = text(site.browser("coordinator").get(f"{BASE}runs/1/"))
    assert "The memory ran out" in page and "the plan is as it was" in page


def test_adopting_lists_what_it_would_do_and_refuses_another_plan(site: Site) -> None:
    register(site.lead, line(quantity=3))
    place(site, "AUD-001", ON_RASTER)
    run = ended_run(site)
    boss = site.browser("coordinator")
    page = text(boss.get(f"{BASE}runs/{run.number}/"))
    assert "What adopting it would change" in page and "AUD-003" in page
    place(site, "AUD-002", 480_000_000 + 100_000)
    refused = boss.post(
        f"{BASE}runs/{run.number}/", {"do": "adopt", "seen": hidden(page, "seen")}, follow=True
    )
    assert "The plan changed since you looked" in text(refused)
    assert "changed since the run began" in text(refused)
    assert Assignment.objects.count() == 2
    boss.post(f"{BASE}runs/{run.number}/", {"do": "adopt", "seen": hidden(text(refused), "seen")})
    assert Assignment.objects.get(carrier__code="AUD-002").frequency_hz == 480_100_000
    assert Assignment.objects.count() == 3


def test_what_was_agreed_is_moved_little_unless_somebody_says_otherwise(site: Site) -> None:
    register(site.lead, line())
    boss = site.browser("coordinator")
    assert not boss.get(f"{BASE}runs/").context["form"]["repair"].value()
    place(site, "AUD-001", ON_RASTER)
    assert not boss.get(f"{BASE}runs/").context["form"]["repair"].value()
    actions.approve(actor=site.coordinator, selection=Selection(carriers=("AUD-001",)))
    assert boss.get(f"{BASE}runs/").context["form"]["repair"].value()


def test_a_run_counts_whom_it_left_out_and_marks_spares(site: Site) -> None:
    # One point of the raster for a main, its spare and one other, and a line that has all the room.
    point = {"low_hz": "470.1 MHz", "high_hz": "470.1 MHz"}
    register(site.lead, line(spares=1, priority=1, **point), line("choir", spares=1, low_hz="500 MHz"))
    register(site.other, line("camera", department="VID", **point))
    place(site, "AUD-003", 510_100_000)  # there is a plan, so that the run stays a proposal
    run = ended_run(site)
    assert run.left_out == 2
    page = text(site.browser("coordinator").get(f"{BASE}runs/{run.number}/"))
    assert "In 2 lines of 2 departments; 1 of them is a spare; <strong>1 of priority 1</strong>." in page
    changes = page[page.index("What adopting it would change") :]
    assert re.search(r"AUD-004<br><span[^>]*>spare of AUD-003,<br>off until needed", changes)
    # Five carriers: two left out, one moves or stays, the others are new; those without a frequency keep none.
    told = re.search(
        r"(\d+) new, (\d+) moved, (\d+) taken away.*?; (\d+) keeps? (?:its|their) frequency", changes, re.S
    )
    assert told
    assert sum(map(int, told.groups())) == run.carriers - run.left_out
    assert "1 of all these is a spare" in changes


def test_the_stages_of_a_run_are_told_in_plain_words(site: Site) -> None:
    register(site.lead, line())
    run = running.request_run(actor=site.coordinator, seconds=5)
    Run.objects.filter(pk=run.pk).update(state="running", stage="bringing back")
    page = text(site.browser("coordinator").get(f"{BASE}runs/1/"))
    assert "looking for room for those without a frequency" in page and "bringing back" not in page


def test_a_lead_reads_what_follows_for_a_line(site: Site) -> None:
    register(site.lead, line("new"), line("proposed"), line("agreed"))
    place(site, "AUD-002", ON_RASTER)
    place(site, "AUD-003", 480_100_000)
    actions.approve(actor=site.coordinator, selection=actions.Selection(carriers=("AUD-003",)))
    lead = site.browser("lead")
    assert list(lead.get(f"{BASE}devices/").context["follows"].values()) == [
        "",
        "Coordinator, the coordinator, plans the frequencies next. Nothing need be done now; a letter comes with the sheet.",
        "Planned; a coordinator has yet to agree.",
    ]
    row = Registration.objects.get(label="new")
    assert "plans the frequencies next" in text(lead.get(f"{BASE}devices/{row.pk}/"))
    Registration.objects.filter(pk=row.pk).update(state="submitted")
    assert "Coordinator, the coordinator, looks at it next." in text(lead.get(f"{BASE}devices/{row.pk}/"))


def test_whoever_comes_for_a_reason_finds_it_first_and_acts_are_for_what_is_ticked(site: Site) -> None:
    register(site.lead, line(quantity=2, low_hz="470.1 MHz", high_hz="470.1 MHz"), line("fine"))
    ended_run(site)
    row, lead = Registration.objects.get(label="lead vocals"), site.browser("lead")
    plain, asked = (text(lead.get(f"{BASE}devices/{query}")) for query in ("", "?frequency=left+out"))
    link = f'href="{BASE}devices/{row.pk}/#why"'
    assert link not in plain and asked.index(link) < asked.index("Which lines show")
    assert asked.count("too near to AUD-00") == plain.count("too near to AUD-00")  # said in one place only
    assert 'id="why"' in text(lead.get(f"{BASE}devices/{row.pk}/"))
    assert re.findall(r'name="scope" id="scope-(\w+)" value="\w+" checked', plain) == ["ticked"]


def test_what_is_left_out_is_said_in_words(site: Site) -> None:
    # One point of the raster for two carriers: one of them is left out because of the other.
    register(site.lead, line(quantity=2, low_hz="470.1 MHz", high_hz="470.1 MHz"))
    run = ended_run(site)
    page = text(site.browser("coordinator").get(f"{BASE}runs/{run.number}/"))
    assert re.search(r"too near to AUD-00[12] \(100% of what it can tune\)", page)
    lead = text(site.browser("lead").get(f"{BASE}devices/"))
    assert "left out" in lead and re.search(r"too near to AUD-00[12]", lead)
    assert "changed since" not in lead
    # The lead gives it room: what the run said is no longer the last word, and somebody has to ask for another.
    row = Registration.objects.get()
    registry.change(actor=site.lead, registration=row, values={"high_hz": "480 MHz"})
    assert "The line was changed since; the next run tries it again." in text(
        site.browser("lead").get(f"{BASE}devices/")
    )
    event_page = text(site.browser("coordinator").get(BASE))
    assert "1 accepted frequency waits for a run" in event_page and "Start a run" in event_page


# -- a frequency by hand --------------------------------------------------------------------


def test_a_frequency_shows_what_it_breaks_before_it_is_saved(site: Site) -> None:
    register(site.coordinator, line("mine"), line("theirs", department="VID", contact="Bo, 555 0101"))
    place(site, "VID-001", ON_RASTER)
    boss = site.browser("coordinator")
    address = f"{BASE}review/AUD-001/"
    version = hidden(text(boss.get(address)), "version")
    given = {"frequency_hz": "470,2", "reason": "the old crystal", "version": version}
    page = text(boss.post(address, given | {"do": "look"}))
    assert "It would break 1 rule" in page
    assert re.search(r"(AUD|VID)-001 and (AUD|VID)-001 are 100 kHz apart; they need [0-9.]+ kHz", page)
    assert "VID-001: theirs, Video, Main stage – Bo, 555 0101" in page
    assert not Assignment.objects.filter(carrier__code="AUD-001").exists()
    boss.post(address, given | {"do": "save", "shown": hidden(page, "shown")})
    saved = Assignment.objects.get(carrier__code="AUD-001")
    assert (saved.frequency_hz, saved.state, saved.reason) == (470_200_000, "proposed", "the old crystal")


def test_saving_without_having_looked_looks_first(site: Site) -> None:
    register(site.lead, line())
    boss, address = site.browser("coordinator"), f"{BASE}review/AUD-001/"
    page = text(boss.post(address, {"frequency_hz": "480.1", "reason": "x", "version": "0", "do": "save"}))
    assert "It would break no rule" in page
    assert not Assignment.objects.exists()


def test_a_plan_that_changed_since_the_look_is_looked_at_again(site: Site) -> None:
    register(site.lead, line(quantity=2))
    boss, address = site.browser("coordinator"), f"{BASE}review/AUD-001/"
    given = {"frequency_hz": "480.1", "reason": "x", "version": "0"}
    shown = hidden(text(boss.post(address, given | {"do": "look"})), "shown")
    place(site, "AUD-002", 480_150_000)
    page = text(boss.post(address, given | {"do": "save", "shown": shown}))
    assert "changed since you looked" in page and "It would break 1 rule" in page
    assert Assignment.objects.count() == 1


def test_two_coordinators_never_overwrite_each_other(site: Site) -> None:
    register(site.lead, line())
    place(site, "AUD-001", 480_100_000)
    boss, address = site.browser("coordinator"), f"{BASE}review/AUD-001/"
    version = hidden(text(boss.get(address)), "version")
    place(site, "AUD-001", 490_100_000)
    given = {"frequency_hz": "500.1", "reason": "mine", "version": version, "do": "look"}
    answer = boss.post(address, given)
    page = text(answer)
    assert answer.status_code == 409
    assert "500.100 MHz" in page and "490.100 MHz" in page
    assert Assignment.objects.get().frequency_hz == 490_100_000
    assert 'value="500.1"' in page


def test_a_locked_frequency_says_who_locked_it(site: Site) -> None:
    register(site.lead, line())
    place(site, "AUD-001", 480_100_000)
    for act in (actions.approve, actions.lock):
        act(actor=site.coordinator, selection=Selection(carriers=("AUD-001",)), reason="promised")
    page = text(site.browser("coordinator").get(f"{BASE}review/AUD-001/"))
    assert "Locked by coordinator@harbour-days.example" in page and "Show what it would break" not in page


def test_faulty_frequencies_keep_what_was_typed(site: Site) -> None:
    register(site.lead, line())
    answer = site.browser("coordinator").post(
        f"{BASE}review/AUD-001/",
        {"frequency_hz": "fast", "reason": "why <not>", "version": "0", "do": "look"},
    )
    assert answer.status_code == 422
    assert 'value="fast"' in text(answer) and "why &lt;not&gt;" in text(answer)


def test_taking_a_frequency_away_needs_a_reason(site: Site) -> None:
    register(site.lead, line())
    version = place(site, "AUD-001", 480_100_000).version
    boss, address = site.browser("coordinator"), f"{BASE}review/AUD-001/"
    given = {"do": "clear", "version": str(version)}
    assert "Say why" in text(boss.post(address, given | {"reason": ""}, follow=True))
    assert Assignment.objects.exists()
    boss.post(address, given | {"reason": "crew stayed home"})
    assert not Assignment.objects.exists()


@pytest.mark.parametrize("who", ["lead", "desk", "observer"])
def test_only_coordinators_move_a_frequency(site: Site, who: str) -> None:
    register(site.lead, line())
    place(site, "AUD-001", 480_100_000)
    given = {"frequency_hz": "500.1", "reason": "x", "version": "1"}
    for deed in ("look", "save", "clear"):
        page = text(site.browser(who).post(f"{BASE}review/AUD-001/", given | {"do": deed}, follow=True))
        assert "Only a coordinator" in page
    assert Assignment.objects.get().frequency_hz == 480_100_000


# -- breaches -------------------------------------------------------------------------------


@pytest.fixture
def broken(site: Site) -> Site:
    register(site.lead, line(quantity=2))
    place(site, "AUD-001", 480_100_000)
    place(site, "AUD-002", 480_200_000)
    return site


def test_a_breach_is_signed_for_by_name_and_the_signature_taken_back(broken: Site) -> None:
    boss, address = broken.browser("coordinator"), f"{BASE}breaches/"
    page = text(boss.get(address))
    assert "Without a signature: 1" in page and "AUD-001 and AUD-002 are 100 kHz apart" in page
    key = hidden(page, "breach")
    unsigned = boss.post(address, {"do": "accept", "breach": key, "reason": "", "until": "2030-01-01T10:00"})
    assert "your name stands under it" in text(unsigned) and 'value="2030-01-01T10:00"' in text(unsigned)
    boss.post(address, {"do": "accept", "breach": key, "reason": "one microphone at a time", "until": ""})
    page = text(boss.get(address))
    assert "Without a signature: 0" in page and "«one microphone at a time»" in page
    assert Acceptance.objects.get().accepted_by == "coordinator@harbour-days.example"
    given = {"do": "end", "acceptance": hidden(page, "acceptance")}
    assert "Say why" in text(boss.post(address, given | {"reason": ""}, follow=True))
    boss.post(address, given | {"reason": "both are on"})
    assert not Acceptance.objects.exists()


def test_a_breach_that_is_gone_cannot_be_signed(broken: Site) -> None:
    boss, address = broken.browser("coordinator"), f"{BASE}breaches/"
    key = hidden(text(boss.get(address)), "breach")
    place(broken, "AUD-002", 490_100_000)
    answer = boss.post(address, {"do": "accept", "breach": key, "reason": "fine"}, follow=True)
    assert not Acceptance.objects.exists()
    assert answer.status_code in (200, 422)


def test_the_desk_reads_breaches_and_signs_none(broken: Site) -> None:
    desk, address = broken.browser("desk"), f"{BASE}breaches/"
    page = text(desk.get(address))
    assert "AUD-001 and AUD-002" in page and "Accept this breach" not in page
    key = hidden(text(broken.browser("coordinator").get(address)), "breach")
    desk.post(address, {"do": "accept", "breach": key, "reason": "fine"})
    assert not Acceptance.objects.exists()


def test_no_signature_makes_a_frequency_permitted(site: Site) -> None:
    register(site.lead, line())
    # 406.05 MHz: satellite distress beacons (ITU Radio Regulations, No. 5.266); no microphone tunes or may tune it.
    place(site, "AUD-001", 406_050_000)
    boss, address = site.browser("coordinator"), f"{BASE}breaches/"
    page = text(boss.get(address))
    assert "Without a signature: 1" in page and "no signature changes that" in page
    assert "Accept this breach" not in page
    key = boss.get(address).context["rows"][0].breach.key
    answer = boss.post(address, {"do": "accept", "breach": key, "reason": "we dare"})
    assert not Acceptance.objects.exists()
    assert "no signature changes that" in text(answer)


@pytest.mark.parametrize("path", ["runs/1/", "runs/", "breaches/", "review/AUD-001/"])
def test_pages_of_runs_and_breaches_cost_the_same_queries_however_much_they_show(
    path: str, django_assert_num_queries
) -> None:
    counts = []
    for slug, size in (("small-days", 2), ("large-days", 31)):
        site = make_site(slug)
        # One point of the raster: all but one are left out, and placed there by hand they all stand in each other's way.
        register(site.lead, line(quantity=size, low_hz="470.1 MHz", high_hz="470.1 MHz"))
        ended_run(site)
        for carrier in Carrier.objects.filter(event=site.event)[: 3 if size == 2 else 8]:
            actions.change_frequency(
                actor=site.coordinator, carrier=carrier, frequency_hz=ON_RASTER, reason="all at once"
            )
        boss = site.browser("coordinator")
        boss.get(f"/e/{slug}/{path}")
        with django_assert_num_queries(30, exact=False) as seen:
            assert boss.get(f"/e/{slug}/{path}").status_code == 200
        counts.append(len(seen))
    assert counts[0] == counts[1]
