"""Shared reads of reports. Each begins with what the actor may see."""

import re
from datetime import timedelta

from django.db.models import Q, QuerySet
from django.utils import timezone

from apps.events import queries as events
from apps.events.actors import Actor
from apps.onsite.models import Report
from apps.onsite.states import ReportState
from apps.registry.models import Carrier
from apps.registry.queries import carriers_of


def reports_of(actor: Actor) -> QuerySet[Report]:
    """Those of one's departments, the latest first; of no department's those that one filed oneself, or all for who sees all."""
    nobodys = Q(event=actor.event, department=None)
    if not actor.sees_all:
        nobodys &= Q(filed_by=actor.email)
    found = Report.objects.filter(events.in_scope(actor) | nobodys)
    return found.select_related("carrier__registration", "department", "zone", "event").order_by("-number")


FRESH = timedelta(hours=12)  # so long an answer is news: a day on site


def current_reports_of(actor: Actor) -> QuerySet[Report]:
    """Those that wait for an answer, and those whose answer is fresh."""
    fresh = Q(answered_at__gte=timezone.now() - FRESH)
    return reports_of(actor).filter(Q(state=ReportState.OPEN) | fresh)


def carrier_named(actor: Actor, code: str) -> Carrier | None:
    """The carrier of that number, among those that the actor may see.

    A device's own number («AUD-007/1») means its carrier, and people write «aud 7».
    """
    bare = code.partition("/")[0].strip()
    spoken = re.fullmatch(r"(.*?[^\W\d_])[\s-]*(\d+)", bare)
    padded = f"{spoken[1]}-{int(spoken[2]):03d}" if spoken else bare
    return carriers_of(actor).filter(Q(code__iexact=bare) | Q(code__iexact=padded)).first()
