"""Zones and kinds as places and services of the radio model: receivers let in their own band alone."""

import pytest

from apps.planning import demanding
from apps.planning.siting import sited, zone_of
from apps.planning.snapshot import standing_carriers
from apps.registry.models import Carrier, Kind, KindRole
from tests.site import line, make_site, register

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
