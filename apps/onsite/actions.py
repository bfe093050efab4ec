"""All writes of what is told from the site: filing a report, taking it on, answering it."""

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from apps.common.errors import Conflict, Fault, Faulty, require
from apps.events.actions import save_if_unchanged
from apps.events.actors import Actor
from apps.events.models import Event, Zone
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.onsite import rules
from apps.onsite.models import Report
from apps.onsite.states import ReportState, Trouble
from apps.publishing.queries import standing_lines
from apps.registry.models import Carrier


@transaction.atomic
def file_report(
    *,
    actor: Actor,
    trouble: str,
    words: str,
    carrier: Carrier | None = None,
    zone: Zone | None = None,
    frequency_hz: int | None = None,
) -> Report:
    """Tell the coordinators of trouble. The carrier's published frequency is kept with it, for it may be another tomorrow.

    Raises Forbidden for observers, Faulty where neither a device nor a place nor a frequency is named.
    """
    require(rules.refusal_to_file(actor))
    if missing := rules.refusal_about(carrier, zone, frequency_hz):
        raise Faulty([Fault(0, field, "", why) for field, why in missing.items()])
    event = Event.objects.select_for_update().get(pk=actor.event.pk)
    report = Report(
        event=event, number=(event.reports.aggregate(top=Max("number"))["top"] or 0) + 1, trouble=trouble, words=words,
        carrier=carrier, zone=zone or (carrier.registration.zone if carrier else None), frequency_hz=frequency_hz,
        department=carrier.registration.department if carrier else None, filed_by=actor.email, filed_name=actor.name,
    )  # fmt: skip
    if carrier and frequency_hz is None:
        report.frequency_hz = (
            standing_lines(actor)
            .filter(carrier=carrier.code)
            .values_list("content__frequency_hz", flat=True)
            .first()
        )
    report.save()
    where = " at ".join(
        filter(None, [carrier.code if carrier else "", report.zone.name if report.zone else ""])
    )
    journal.record(
        actor=actor, event=event.slug, verb="filed a report", department=report.department.code if report.department else "",
        subject=f"report {report.number}: {Trouble(trouble).value}{', ' if where else ''}{where}", reason=words,
        changes={f"report {report.number}": {"state": [None, report.state], "frequency_hz": [None, report.frequency_hz]}},
    )  # fmt: skip
    return report


@transaction.atomic
def take_report(*, actor: Actor, report: Report, version: int | None = None) -> Report:
    """Say «I am on it», so that whoever filed it knows and nobody else begins; another coordinator may take it over.

    Raises Forbidden, Stale, Conflict where it was answered already or is the actor's already.
    """
    require(refusal_to_coordinate(actor))
    if report.state == ReportState.ANSWERED:
        raise Conflict(f"Report {report.number} was answered already, by {report.answered_name}.")
    if report.taken_name == actor.name:
        raise Conflict(f"You are on report {report.number} already.")
    changes = save_if_unchanged(
        report,
        version,
        f"Report {report.number}",
        taken_name=actor.name,
        taken_at=timezone.now(),
    )
    journal.record(
        actor=actor, event=actor.event.slug, verb="took on a report", subject=f"report {report.number}",
        department=report.department.code if report.department else "",
        changes={f"report {report.number}": {"taken_by": changes["taken_name"]}},
    )  # fmt: skip
    return report


@transaction.atomic
def answer_report(*, actor: Actor, report: Report, answer: str, version: int | None = None) -> Report:
    """Say what came of it, which ends it. Raises Forbidden, Stale, Conflict where it was answered already."""
    require(refusal_to_coordinate(actor))
    if report.state == ReportState.ANSWERED:
        raise Conflict(f"Report {report.number} was answered already, by {report.answered_name}.")
    changes = save_if_unchanged(
        report, version, f"Report {report.number}",
        state=ReportState.ANSWERED, answer=answer, answered_name=actor.name, answered_at=timezone.now(),
    )  # fmt: skip
    journal.record(
        actor=actor, event=actor.event.slug, verb="answered a report", subject=f"report {report.number}", reason=answer,
        department=report.department.code if report.department else "",
        changes={f"report {report.number}": {"state": changes["state"]}},
    )  # fmt: skip
    return report
