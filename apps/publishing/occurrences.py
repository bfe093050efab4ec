"""What journal entries mean to those who wait for them, told as one reader may see it.

An action's journal entry is the event: nothing below knows of this file. Who writes an entry that somebody outside
waits for adds its verb here.
"""

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.db.models import QuerySet, TextChoices
from django.urls import reverse

from apps.common.choice import whole_number
from apps.events.actors import Actor
from apps.events.queries import departments_of
from apps.journal.models import Entry
from apps.planning.models import Run
from apps.planning.queries import runs_of
from apps.planning.states import RunState
from apps.publishing.queries import editions_of, lines_of
from apps.registry.models import Registration
from apps.registry.queries import registrations_of
from apps.registry.states import RegistrationState


class Topic(TextChoices):
    """What a webhook can be told of; the value is the message's `type`."""

    ACCEPTED = "registration.accepted", "a line is accepted"
    SENT_BACK = "registration.sent_back", "a line is sent back"
    PUBLISHED = "edition.published", "an edition is published"
    REPORTED = "report.filed", "trouble is reported"
    RUN_ENDED = "run.ended", "a run has ended"


# Runs concern every department; whoever leads one alone does not hear of them.
OF_THE_WHOLE_EVENT = frozenset([Topic.RUN_ENDED])
TRIAL = "trial"
BY_STATE = {RegistrationState.ACCEPTED: Topic.ACCEPTED, RegistrationState.SENT_BACK: Topic.SENT_BACK}
ENDS = (*(f"ended the run as {state}" for state in RunState.values), "gave up the run", "stopped the run")
PUBLISHED, REPORTED = "published", "filed a report"


@dataclass(frozen=True)
class Occurrence:
    """One thing that happened. Those of one `subject` are told in the order in which they happened."""

    topic: Topic
    subject: str
    words: str
    data: dict[str, Any]


def lines_reaching(entry: Entry, *states: str) -> dict[str, str]:
    """The lines, by label, that an entry brings into one of some states, with which; by whatever act."""
    reached = {}
    for label, fields in entry.changes.items():
        old_new = fields.get("state") if isinstance(fields, dict) else None
        if isinstance(old_new, list) and len(old_new) == 2 and old_new[1] in states:
            reached[label] = old_new[1]
    return reached


def number_of(entry: Entry) -> int:
    """The number at the end of an entry's subject: of «edition 3» 3; 0, which nothing bears, where there is none."""
    return whole_number(entry.subject.rsplit(" ", 1)[-1]) or 0


class Reader:
    """Somebody who is told, with the departments whose affairs they may know."""

    def __init__(self, actor: Actor) -> None:
        self.actor = actor
        self.of_all = actor.departments is None
        self.codes = frozenset(departments_of(actor).values_list("code", flat=True))

    def told(self, entry: Entry) -> list[Occurrence]:
        """What an entry means to this reader; nothing where it is not theirs to know, or not of interest."""
        mine = entry.department in self.codes
        if mine and (lines := lines_reaching(entry, *BY_STATE)):
            return self._lines(entry, lines)
        if entry.verb == PUBLISHED:
            return self._edition(entry)
        if entry.verb == REPORTED and (mine or (self.of_all and not entry.department)):
            words = ": ".join(filter(None, [entry.subject, entry.reason]))
            subject = entry.subject.partition(":")[0][:60]
            return [self._plain(entry, Topic.REPORTED, subject, words, report=words)]
        if entry.verb in ENDS and self.of_all:
            return self._run(entry)
        return []

    def _plain(self, entry: Entry, topic: Topic, subject: str, words: str = "", **data: Any) -> Occurrence:
        known = {
            "event": entry.event,
            "entry": entry.number,
            "by": entry.actor_name,
            "department": entry.department or None,
        }
        return Occurrence(topic, subject, (words or entry.subject)[:300], known | data)

    def _lines(self, entry: Entry, reached: dict[str, str]) -> list[Occurrence]:
        rows = registrations_of(self.actor).filter(
            department__code=entry.department, label__in=list(reached), created_at__lte=entry.at
        )
        # Labels are given again once a line is withdrawn: who is not withdrawn, and came last, bears it.
        known: dict[str, Registration] = {
            row.label: row
            for row in sorted(rows, key=lambda row: (row.state != RegistrationState.WITHDRAWN, row.pk))
        }
        return [self._line(entry, label, state, known.get(label)) for label, state in reached.items()]

    def _line(self, entry: Entry, label: str, state: str, row: Registration | None) -> Occurrence:
        reason = entry.changes[label].get("reason", ["", ""])[1] or entry.reason
        return self._plain(
            entry, BY_STATE[RegistrationState(state)],
            f"registration {row.pk}" if row else f"registration {entry.department} {label}"[:60],
            f"{entry.department} {label}: {state}",
            registration={
                "id": row.pk if row else None, "external_id": row.external_id if row else None,
                "label": label, "state": state, "reason": reason,
            },
            address=_address("api:registration", entry.event, row.pk) if row else None,
        )  # fmt: skip

    def _edition(self, entry: Entry) -> list[Occurrence]:
        edition = editions_of(self.actor).filter(number=number_of(entry)).first()
        if edition is None:
            return []
        lines = lines_of(self.actor, edition).count()
        return [
            self._plain(
                entry, Topic.PUBLISHED, "editions", f"edition {edition.number}",
                edition={
                    "number": edition.number, "published_at": edition.published_at.isoformat(), "note": edition.note,
                    "replaces": edition.replaces.number if edition.replaces else None, "digest": edition.digest,
                    "lines": lines,
                },
                address=_address("api:edition", entry.event, edition.number),
            )
        ]  # fmt: skip

    def _run(self, entry: Entry) -> list[Occurrence]:
        runs: QuerySet[Run] = runs_of(self.actor)
        run = runs.filter(number=number_of(entry)).first()
        # Who stops a run that is under way only asks for it; its end has an entry of its own.
        if (
            run is None
            or run.finished_at is None
            or (entry.verb == "stopped the run" and run.finished_at > entry.at)
        ):
            return []
        return [
            self._plain(
                entry, Topic.RUN_ENDED, "runs", f"run {run.number}: {run.state}",
                run={
                    "number": run.number, "state": run.state, "carriers": run.carriers, "placed": run.placed,
                    "left_out": run.left_out, "failure": run.failure,
                },
                address=_address("api:run", entry.event, run.number),
            )
        ]  # fmt: skip


def _address(name: str, *parts: object) -> str:
    return settings.PUBLIC_ADDRESS + reverse(name, args=parts)
