"""What people are told by e-mail: of which entry of the journal, and who; and of a deadline that comes near."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Count, Q
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode

from apps.events.models import Event, Membership, Role
from apps.journal.models import Entry
from apps.publishing.models import Edition, Mailbox, Notice, Reading
from apps.publishing.occurrences import PUBLISHED, lines_reaching, number_of
from apps.publishing.rules import letter_due_at
from apps.publishing.states import NoticeTopic
from apps.registry.models import Registration
from apps.registry.states import RegistrationState

NAMED = 5


@dataclass(frozen=True)
class Posted:
    """One notice for some people."""

    key: str
    topic: str
    department: str
    words: str
    path: str
    people: frozenset[int]
    but: str = ""  # whoever did it knows already


def fill_mailboxes(row: Reading, entries: Iterable[Entry]) -> None:
    """Put what some entries mean, and a deadline that is near, into the mailboxes of those whom it concerns.

    Inside the transaction that notes how far the journal was read. Who wants no such notice, or did it, gets none.
    """
    event = row.event
    posted = [*_notices(event, entries), *_deadline(row)]
    if not posted:
        return
    everybody = {person for each in posted for person in each.people}
    Mailbox.objects.bulk_create(
        (Mailbox(event=event, person_id=person) for person in sorted(everybody)), ignore_conflicts=True
    )
    # Locked, so that a letter that is just being counted as sent sees what comes in, or this sees that it was.
    locked = event.mailboxes.select_for_update(of=("self",)).order_by("pk")
    boxes = list(locked.filter(person__in=everybody).select_related("person"))
    new = [
        Notice(
            mailbox=box, key=each.key, topic=each.topic, department=each.department, words=each.words, path=each.path,
            made_at=timezone.now(),
        )
        for each in posted
        for box in boxes
        if box.person_id in each.people and each.topic not in box.unwanted and box.person.email != each.but
    ]  # fmt: skip
    Notice.objects.bulk_create(new, batch_size=200, ignore_conflicts=True)
    filled = {notice.mailbox_id for notice in new}
    for pace in Mailbox.Pace.values:
        some = event.mailboxes.filter(pk__in=filled, due_at=None, pace=pace)
        some.update(due_at=letter_due_at(event, pace, timezone.now()))


def _notices(event: Event, entries: Iterable[Entry]) -> Iterator[Posted]:
    for entry in entries:
        if entry.verb == PUBLISHED:
            yield from _published(event, entry)
        elif labels := list(lines_reaching(entry, RegistrationState.SENT_BACK)):
            yield _sent_back(event, entry, labels)


def _sent_back(event: Event, entry: Entry, labels: list[str]) -> Posted:
    named = ", ".join(f"«{label}»" for label in labels[:NAMED])
    more = f" and {len(labels) - NAMED} more" if len(labels) > NAMED else ""
    was = "was" if len(labels) == 1 else "were"
    words = f"{named}{more} of {entry.department} {was} sent back by {entry.actor_name}: {entry.reason}"
    where = urlencode({"department": entry.department, "state": RegistrationState.SENT_BACK})
    path = f"{reverse('planning:devices', args=[event.slug])}?{where}"
    people = frozenset(_leads(event, [entry.department]))
    return Posted(
        f"entry {entry.number}",
        NoticeTopic.SENT_BACK,
        entry.department,
        words,
        path,
        people,
        entry.actor_email,
    )


def _published(event: Event, entry: Entry) -> Iterator[Posted]:
    edition = Edition.objects.filter(event=event, number=number_of(entry)).first()
    if edition is None:
        return
    holders = set(edition.lines.values_list("department", flat=True).distinct())
    whole = event.memberships.filter(role__in=[Role.DESK, Role.OBSERVER, Role.COORDINATOR])
    part = f" for {edition.department}" if edition.department else ""
    note = f": {edition.note}" if edition.note else ""
    stop = "" if note.endswith((".", "!", "?", "…")) else "."
    words = (
        f"Edition {edition.number} is published{part}{note}{stop} Paper of earlier editions counts no more."
    )
    everybody = set(_leads(event, holders))
    if not edition.department:
        everybody |= set(whole.values_list("person", flat=True))
    else:
        # Observers are not told of a part: it may be a confidential department's.
        everybody |= set(whole.exclude(role=Role.OBSERVER).values_list("person", flat=True))
    yield Posted(
        f"entry {entry.number}", NoticeTopic.PUBLISHED, edition.department, words,
        reverse("publishing:sheets", args=[event.slug]), frozenset(everybody), entry.actor_email,
    )  # fmt: skip


def _deadline(row: Reading) -> Iterator[Posted]:
    """Leads hear once of each deadline that comes near, with how their own lines stand."""
    event, now = row.event, timezone.now()
    closes = event.registration_closes_at
    if closes is None or closes == row.deadline_told:
        return
    if not now < closes <= now + timedelta(hours=settings.NOTICE_DEADLINE_H):
        return
    row.deadline_told = closes
    open_lines = Registration.objects.filter(event=event).exclude(state=RegistrationState.WITHDRAWN)
    counted = open_lines.values("department").annotate(
        lines=Count("pk"), back=Count("pk", filter=Q(state=RegistrationState.SENT_BACK))
    )
    standing = {each["department"]: (each["lines"], each["back"]) for each in counted.order_by()}
    led: dict[int, list[Membership]] = defaultdict(list)
    leads = event.memberships.filter(role=Role.LEAD).select_related("department")
    for membership in leads.order_by("department__code"):
        led[membership.person_id].append(membership)
    local = closes.astimezone(ZoneInfo(event.timezone))
    for person, memberships in led.items():
        parts = [_standing_of(each, *standing.get(each.department_id or 0, (0, 0))) for each in memberships]
        words = f"Registration closes on {local:%A %d %B, %H:%M}. {' '.join(parts)} Later lines wait for a coordinator."
        yield Posted(
            f"deadline {closes:%Y-%m-%dT%H:%M}", NoticeTopic.DEADLINE, "", words,
            reverse("planning:devices", args=[event.slug]), frozenset([person]),
        )  # fmt: skip


def _standing_of(membership: Membership, lines: int, back: int) -> str:
    name = membership.department.name if membership.department else ""
    waiting = f", {back} of them sent back" if back else ""
    return f"{name}: {lines or 'no'} line{'s' if lines != 1 else ''}{waiting}."


def _leads(event: Event, codes: Iterable[str]) -> Iterator[int]:
    found = event.memberships.filter(role=Role.LEAD, department__code__in=list(codes))
    yield from found.values_list("person", flat=True)
