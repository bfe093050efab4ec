"""Who may report trouble and who answers, as pure predicates: each gives the reason why not, or nothing."""

from apps.events.actors import Actor
from apps.events.rules import refusal_to_write
from apps.registry.models import Carrier


def refusal_to_file(actor: Actor) -> str:
    """Whoever holds a device may: coordinators, the site desk and leads."""
    return refusal_to_write(actor)


def refusal_about(carrier: Carrier | None, zone: object, frequency_hz: int | None) -> dict[str, str]:
    """{field: what is missing for anybody to look into it}."""
    if carrier is None and zone is None and frequency_hz is None:
        return {"carrier": "Say which device, or where, or on which frequency; one of them at least."}
    return {}
