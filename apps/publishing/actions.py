"""Publishing: the plan, or a department's part of it, frozen into a numbered edition."""

import hashlib
import json
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Max, Q
from django.utils import timezone

from apps.common.errors import Conflict, require
from apps.events.actors import Actor
from apps.events.models import Department, Event
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.planning import verdicts
from apps.publishing import freezing
from apps.publishing.models import Edition, EditionLine
from apps.spectrum.rulesets import ruleset


@transaction.atomic
def publish(
    *, actor: Actor, note: str = "", department: Department | None = None, seen: str | None = None
) -> Edition:
    """Freeze what is agreed into the next edition, for everybody or for one department.

    The exact plan is recounted first. Raises Conflict with every breach under which no coordinator's signature stands,
    when there is nothing agreed to publish, and when the plan is not the one of the digest `seen` any more.
    """
    require(refusal_to_coordinate(actor))
    event = Event.objects.select_for_update().get(pk=actor.event.pk)
    counted = verdicts.recount(event, agreed_only=True)
    if seen is not None and seen != counted.digest:
        raise Conflict("The plan changed since you looked. Look again at what this edition would change.")
    standing = [breach for breach in counted.standing if concerns(breach, department)]
    if standing:
        raise Conflict(
            f"The plan breaks {len(standing)} rule{'s' if len(standing) > 1 else ''} that nobody has accepted. "
            "Change it, or sign under each breach that stays.",
            [breach.as_dict() for breach in standing],
            "breaches",
        )
    lines = freezing.lines_of(actor, department)
    if not any(line["frequency_hz"] and line["department"] for line in lines):
        raise Conflict("Nothing is approved yet; approve assignments first.")
    accepted = [
        {"description": breach.words, "accepted_by": row.accepted_by, "reason": row.reason}
        for breach in counted.breaches
        if (row := counted.acceptances.get(breach.key)) and concerns(breach, department)
    ]
    number = (event.editions.aggregate(last=Max("number"))["last"] or 0) + 1
    replaces = standing_edition(event, department.code if department else "")
    header = _header(event, actor, number, note, replaces)
    digest = hashlib.sha256(
        json.dumps([header, lines], sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode()
    ).hexdigest()
    edition = Edition.objects.create(
        event=event, number=number, department=department.code if department else "", published_at=header["published_at"],
        published_by=actor.name, note=note, replaces=replaces, revision=event.revision, plan_digest=counted.digest,
        digest=digest, accepted=accepted, header={**header, "digest": digest},
    )  # fmt: skip
    EditionLine.objects.bulk_create(
        [
            EditionLine(
                edition=edition,
                position=position,
                carrier=line["carrier"],
                unit_key=line["unit_key"],
                department=line["department"],
                zone=line["zone"],
                content=line,
            )
            for position, line in enumerate(lines, 1)
        ],
        batch_size=500,
    )
    journal.record(
        actor=actor, event=event.slug, verb="published", subject=f"edition {number}", reason=note,
        department=edition.department, changes={f"edition {number}": {"digest": [None, digest], "lines": [None, len(lines)]}},
    )  # fmt: skip
    return edition


def concerns(breach: verdicts.Breach, department: Department | None) -> bool:
    """Carrier codes begin with their department's code."""
    return department is None or any(code.rsplit("-", 1)[0] == department.code for code in breach.carriers)


def standing_edition(event: Event, department: str) -> Edition | None:
    """The newest edition that a department's readers hold: its own part or the whole event's."""
    scope = Q(department="") | Q(department=department) if department else Q(department="")
    return event.editions.filter(scope).order_by("-number").first()


def _header(event: Event, actor: Actor, number: int, note: str, replaces: Edition | None) -> dict[str, Any]:
    law = ruleset(event.ruleset)
    return {
        "event_name": event.name,
        "event_slug": event.slug,
        "site": event.site,
        "timezone": event.timezone,
        "number": number,
        "published_at": timezone.now().isoformat(),
        "published_by": actor.name,
        "note": note,
        "replaces": replaces.number if replaces else None,
        "address": settings.PUBLIC_ADDRESS,
        "ruleset_name": f"{law.name} ({law.edition})",
        "cautions": list(law.cautions),
    }
