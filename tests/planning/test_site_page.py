"""The site's pages: who hears whom, how the figures came about, and a figure set by hand."""

from itertools import combinations

import pytest
from django.http import HttpResponse

from apps.events import actions as events
from apps.events.models import Zone
from apps.planning.site_pages import Drawing
from apps.planning.siting import sited
from apps.planning.snapshot import standing_carriers
from apps.radio.propagation import free_space_db
from apps.spectrum.models import KnownLoss
from tests.site import Site, line, make_site, register

BASE = "/e/harbour-days/site/"

pytestmark = pytest.mark.django_db


@pytest.fixture
def site() -> Site:
    return make_site()


@pytest.fixture
def planned(site: Site) -> Site:
    """Audio on the main stage and video at the gate; no frequency is needed to say who hears whom."""
    register(site.coordinator, line(quantity=4), line("camera", department="VID", zone="gate"))
    return site


def text(answer: HttpResponse) -> str:
    return answer.content.decode()


def heard(site: Site, listener: str, sender: str) -> list[float]:
    model = sited(site.event, standing_carriers(site.event))
    return [
        row.level_dbm
        for row in model.demands.heard
        if row.receiver.startswith(f"{listener}/") and row.sender.startswith(f"{sender}/")
    ]


def test_an_empty_site_says_what_to_do(site: Site) -> None:
    page = text(site.browser("coordinator").get(BASE))
    assert "Nothing is registered yet" in page


def test_every_zone_names_whom_it_hears(planned: Site) -> None:
    page = text(planned.browser("coordinator").get(BASE))
    for zone in planned.event.zones.all():
        assert zone.name in page
    assert "<svg" in page and "how they go together" in page


def test_within_a_zone_levels_separations_and_limits_show_their_sums(planned: Site) -> None:
    page = text(planned.browser("coordinator").get(f"{BASE}main/main/"))
    assert "free space (P.525)" in page or "P.525" in page
    assert "rejection needed" in page and "− protection" in page and "Main stage, antennas" in page


def test_a_figure_set_by_hand_stands_in_place_of_the_model(planned: Site) -> None:
    boss = planned.browser("coordinator")
    before = heard(planned, "main", "gate")
    given = {"loss_db": "45", "note": "measured across the yard, Monday", "version": "0"}
    boss.post(f"{BASE}main/gate/", given)
    after = heard(planned, "main", "gate")
    # 45 dB is about free space over 7 m at 600 MHz (ITU-R P.525), far louder than the yard between the two.
    assert 44 < float(free_space_db(600_000_000, 7.07)) < 46
    assert max(after) > max(before, default=-200.0)
    page = text(boss.get(f"{BASE}gate/main/"))
    assert "measured across the yard" in page and "Set by hand: 45 dB" in page
    boss.post(f"{BASE}gate/main/", {"remove": "1"})
    assert not KnownLoss.objects.exists() and heard(planned, "main", "gate") == before


def test_a_figure_without_a_word_how_it_is_known_is_refused_and_kept_in_the_form(planned: Site) -> None:
    answer = planned.browser("coordinator").post(
        f"{BASE}main/gate/", {"loss_db": "300", "note": "", "version": "0"}
    )
    page = text(answer)
    assert answer.status_code == 422 and 'value="300"' in page and not KnownLoss.objects.exists()


def test_two_coordinators_do_not_overwrite_each_other(planned: Site) -> None:
    boss = planned.browser("coordinator")
    boss.post(f"{BASE}main/gate/", {"loss_db": "60", "note": "first", "version": "0"})
    page = text(boss.post(f"{BASE}main/gate/", {"loss_db": "70", "note": "second", "version": "0"}))
    assert "changed by somebody else" in page and KnownLoss.objects.get().loss_db == 60


def test_leads_do_not_see_the_site(planned: Site) -> None:
    assert planned.browser("lead").get(BASE).status_code == 403


def test_distances_of_a_zone_must_rise(site: Site) -> None:
    page = text(
        site.browser("coordinator").post(
            "/e/harbour-days/set-up/zones/main/",
            {
                "name": "Main", "east_m": 0, "north_m": 0, "antenna_height_m": 3, "own_distance_m": 20, "nearest_m": 30,
                "farthest_m": 10, "rack_m": 3, "walls": "traditional", "noise_rise_db": 0, "version": site.zone("main").version,
            },
        )
    )  # fmt: skip
    assert "no farther than usual, 20 m" in page and "no nearer than usual, 20 m" in page


def test_a_nearer_own_device_needs_no_less_from_others(planned: Site) -> None:
    """Coming nearer makes the zone's own strongest carrier louder, and never anybody else."""
    zone = planned.zone("main")
    before = max(heard(planned, "main", "main"))
    events.change_zone(actor=planned.coordinator, zone=zone, version=zone.version, nearest_m=1.0)
    assert max(heard(planned, "main", "main")) > before


def test_the_number_of_queries_does_not_grow(planned: Site, django_assert_num_queries) -> None:  # type: ignore[no-untyped-def]
    boss = planned.browser("coordinator")
    boss.get(BASE)
    with django_assert_num_queries(PINNED):
        boss.get(BASE)
    for number in range(30):
        events.add_zone(
            actor=planned.coordinator, code=f"z{number}", name=f"Zone {number}", east_m=50.0 * number
        )
    with django_assert_num_queries(PINNED):
        boss.get(BASE)


PINNED = 16


def test_no_name_on_the_drawing_lies_on_another_or_on_a_mark() -> None:
    """Nine zones in a clump, as stages and compounds of one field are: every pair of boxes is held against each other."""
    zones = [
        Zone(code=f"zone-{number}", name=f"Compound number {number}", east_m=400.0 * (number % 3), north_m=150.0 * (number // 3))
        for number in range(9)
    ]  # fmt: skip
    drawing = Drawing.of([*zones, Zone(code="far", name="Far gate", east_m=1200, north_m=500)], set())
    for size in ("wide", "narrow"):
        boxes = [label.box for label, _, how in drawing.names if how == size]
        assert len(boxes) == 10
        crossing = [
            (a, b) for a, b in combinations(boxes, 2)
            if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
        ]  # fmt: skip
        assert crossing == [], size
        assert all(box[0] >= 0 and box[2] <= 720 for box in boxes)
