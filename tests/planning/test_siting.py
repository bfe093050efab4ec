"""Zones and kinds as places and services of the radio model: receivers let in their own band alone."""

import pytest

from apps.events import actions as events
from apps.planning import demanding
from apps.planning.siting import sited, zone_of
from apps.planning.snapshot import standing_carriers
from apps.radio.demands import separation
from apps.registry.models import Carrier, Kind, KindRole
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]


def test_receivers_of_a_place_are_told_apart_by_what_they_can_tune() -> None:
    site = make_site()
    register(site.lead, line(zone="gate"), line("crew", kind="repeater", zone="gate", spares=0))
    model = sited(site.event, standing_carriers(site.event)).site
    received = {service.kind: service.received_in[0] for service in model.services}
    assert received == {
        "mic": "gate/antennas, 470.1–607.9 MHz",
        "repeater/in": "gate/antennas, 450–455 MHz",
        "repeater/out": "gate/antennas, 460–465 MHz",
    }
    assert {zone_of(place) for place in received.values()} == {"gate"}
    # The duplex filter: a repeater's inputs do not hear its outputs, and microphones hear neither.
    for kind, place in received.items():
        assert [other for other in received if model.lets_in(place, other)] == [kind]


def test_harmonics_of_a_strong_transmitter_are_kept_clear_in_its_zone_alone() -> None:
    """The n-th harmonic of a band lies at n times its edges: 2 · (475.0 ± 0.1) MHz."""
    site = make_site()
    register(site.lead, line(), line("site radio", kind="repeater", zone="side"))
    KindRole.objects.filter(code="out").update(
        tuning=[{"low_hz": 940_000_000, "high_hz": 960_000_000, "step_hz": 12_500}]
    )
    carriers = list(Carrier.objects.select_related("role", "registration__kind", "registration__zone"))
    mic = next(c for c in carriers if c.registration.kind.code == "mic")
    assert demanding.harmonics(sited(site.event, carriers), [(mic, 475_000_000)]) == []
    Kind.objects.filter(code="mic").update(power_mw=[5000], version=2)
    carriers = list(Carrier.objects.select_related("role", "registration__kind", "registration__zone"))
    rows = demanding.harmonics(sited(site.event, carriers), [(mic, 475_000_000)])
    assert [(row["id"], row["low_hz"], row["high_hz"]) for row in rows] == [
        (f"harmonic 2 of {mic.code}", 949_800_000, 950_200_000)
    ]
    assert all(spot.startswith("main/") for spot in rows[0]["zones"])


def test_harmonics_of_what_may_still_move_are_a_warning_on_the_page() -> None:
    """174 to 216 MHz three times over is 522 to 648 MHz, which holds the upper part of what the microphones tune."""
    site = make_site()
    register(site.lead, line(), line("site radio", kind="repeater", spares=0))
    KindRole.objects.filter(code="in").update(
        tuning=[{"low_hz": 174_000_000, "high_hz": 216_000_000, "step_hz": 12_500}]
    )
    Kind.objects.filter(code="repeater").update(power_mw=[2000], version=2)
    carriers = standing_carriers(site.event)
    found = demanding.possible_harmonics(sited(site.event, carriers), "main")
    assert ("repeater/in", 3, 522_000_000, 648_000_000, ("mic",)) in found
    assert {row[1] for row in found if row[0] == "repeater/in"} == {
        3
    }  # twice: 348 to 432 MHz, where nothing is received
    page = site.browser("coordinator").get("/e/harbour-days/site/main/main/").content.decode()
    assert "harmonic 3 lies somewhere in 522–648 MHz" in page
    assert demanding.possible_harmonics(sited(site.event, carriers), "gate") == []


def reached(site: Site) -> tuple[float, float]:
    """(nearest metres, path loss at the strongest) from the bodies at the gate to the main stage's antennas."""
    model = sited(site.event, standing_carriers(site.event)).site
    found = model.path("gate/bodies", "main/antennas, 470.1–607.9 MHz", "mic")
    return found.distances.nearest_m, found.loss.strong_db


def test_distances_to_other_zones_count_from_a_zones_outline() -> None:
    """The gate's antennas stand 2,000 m off; the queue before it reaches to 300 m, the corner (300, 20)."""
    site = make_site()
    register(site.coordinator, line(), line("gate", zone="gate"))
    nearest, loss = reached(site)
    # Without an outline devices stray twice their usual 20 m from their antennas; 1.5 m lie between heads and antennas.
    assert nearest == pytest.approx(1960.0, abs=0.01)
    ring = [[300.0, -20.0], [2010.0, -20.0], [2010.0, 20.0], [300.0, 20.0]]
    events.change_zone(actor=site.coordinator, zone=site.zone("gate"), outline=[ring])
    near, louder = reached(site)
    assert near == pytest.approx((300.0**2 + 1.5**2) ** 0.5) and louder < loss - 25
    page = site.browser("coordinator").get("/e/harbour-days/site/main/gate/").content.decode()
    assert "nearest edges of their outlines 300 m, the farthest corners 2010 m" in page
    assert 'class="fb-outline"' in site.browser("coordinator").get("/e/harbour-days/site/").content.decode()


def test_walls_noise_and_fading_are_settings_of_zone_and_event() -> None:
    site = make_site()
    register(site.coordinator, line(), line("gate", zone="gate"))

    def gate_disturbs_main() -> tuple[float, float, float]:
        model = sited(site.event, standing_carriers(site.event)).site
        victim = next(service for service in model.services if service.sent_from == ("main/bodies",))
        reason = separation(model, "mic", "gate/bodies", victim, victim.received_in[0])
        return reason.interferer_dbm, reason.noise_dbm, reason.wanted_dbm

    level, noise, wanted = gate_disturbs_main()
    boss = site.coordinator
    events.change_zone(actor=boss, zone=site.zone("gate"), indoor=True)
    behind_brick, *_ = gate_disturbs_main()
    events.change_zone(actor=boss, zone=site.zone("gate"), walls="thermally efficient")
    behind_foil, *_ = gate_disturbs_main()
    # ITU-R P.2109 at 0.5 GHz, tenth percentile: 5.73 dB traditional, 18.06 dB thermally efficient; here at 534.6 MHz.
    assert level - behind_brick == pytest.approx(5.73, abs=0.05)
    assert behind_brick - behind_foil == pytest.approx(18.06 - 5.73, abs=0.2)
    events.change_zone(actor=boss, zone=site.zone("main"), noise_rise_db=7.0)
    assert gate_disturbs_main()[1] == pytest.approx(noise + 7.0)
    site.event.refresh_from_db()
    events.change_event(actor=boss, event=site.event, fade_db=26.0)
    site.event.refresh_from_db()
    assert gate_disturbs_main()[2] == pytest.approx(wanted - 6.0)
    events.change_event(actor=boss, event=site.event, surroundings="urban")
    site.event.refresh_from_db()
    # Antennas at 3 m count as low: ITU-R P.1411 §4.3 lies far over line of sight at 1,960 m.
    assert gate_disturbs_main()[0] < behind_foil - 10
