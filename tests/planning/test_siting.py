"""Zones and kinds as places and services of the radio model: receivers let in their own band alone."""

import pytest

from apps.planning.siting import sited, zone_of
from apps.planning.snapshot import standing_carriers
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
