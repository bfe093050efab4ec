"""What may be said of the spectrum at a site, as pure predicates that give the reason why not."""

from datetime import date

from apps.events.actors import Actor

CHANNEL_STATES = ("occupied", "free", "unknown")


def refusal_to_mark(state: str, source: str, known_on: date | None) -> dict[str, str]:
    """{field: why not}: an occupied or free channel needs its source and date, since television changes."""
    refused = {}
    if state not in CHANNEL_STATES:
        refused["state"] = f"Use {', '.join(CHANNEL_STATES)}."
    if state in ("occupied", "free"):
        if not source.strip():
            refused["source"] = "Say how this is known: a register, a survey, somebody's word."
        if known_on is None:
            refused["known_on"] = "Give the day on which this was so."
    return refused


def refusal_to_see_surveys(actor: Actor) -> str:
    if actor.sees_all:
        return ""
    return "Surveys show every department's carriers, so only coordinators and the site desk see them."
