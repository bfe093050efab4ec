"""Publishing: the plan, or a department's part of it, frozen into a numbered edition. And what the post is set up to do."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.db import transaction
from django.db.models import Max, Q
from django.utils import timezone

from apps.common.errors import Conflict, Fault, Faulty, require
from apps.events.actions import save_if_unchanged
from apps.events.actors import Actor
from apps.events.models import Department, Event, Person
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.journal.models import Entry
from apps.planning import actions as planning
from apps.planning import verdicts
from apps.planning.actions import Selection
from apps.planning.margins import standing_margins
from apps.planning.states import AssignmentState
from apps.publishing import freezing, queries, reaching, signing, turns
from apps.publishing.models import Delivery, Edition, EditionLine, Hook, Mailbox
from apps.publishing.occurrences import OF_THE_WHOLE_EVENT, PUBLISHED, TRIAL, Topic
from apps.publishing.rules import letter_due_at, refusal_to_keep_hook
from apps.publishing.states import NoticeTopic, PostState
from apps.spectrum.rulesets import ruleset

MOST_HOOKS = 20  # of one event or department


def publish(
    *,
    actor: Actor,
    note: str = "",
    department: Department | None = None,
    seen: str | None = None,
    lock: bool = False,
) -> Edition:
    """Freeze what is agreed into the next edition, for everybody or for one department."""
    return publish_parts(actor=actor, parts=[department], note=note, seen=seen, lock=lock)[0]


def publish_parts(
    *,
    actor: Actor,
    parts: Sequence[Department | None],
    note: str = "",
    seen: str | None = None,
    lock: bool = False,
) -> list[Edition]:
    """Freeze what is agreed into an edition for each of `parts` (None: for everybody), all of them or none.

    With `lock` what goes out is locked in the same act, so that no run moves what stands on paper.

    The exact plan is recounted first. Raises Conflict with every breach under which no coordinator's signature stands,
    when there is nothing agreed to publish, and when the plan is not the one of the digest `seen` any more.
    """
    require(refusal_to_coordinate(actor))
    # Counted and kept before anything is locked, so that nobody else waits for it; what changed since is counted again.
    now = Event.objects.get(pk=actor.event.pk)
    verdicts.recount(now, agreed_only=True)
    standing_margins(now, freezing.agreed_frequencies(now), named=True)
    with transaction.atomic():
        event = Event.objects.select_for_update().get(pk=actor.event.pk)
        counted = verdicts.recount(event, agreed_only=True)
        if seen is not None and seen != counted.digest:
            raise Conflict("The plan changed since you looked. Look again at what this edition would change.")
        standing = [breach for breach in counted.standing if concerns_any(breach, parts)]
        if standing:
            raise Conflict(
                f"The plan breaks {len(standing)} rule{'s' if len(standing) > 1 else ''} that nobody has accepted. "
                "Change it, or sign under each breach that stays.",
                [breach.as_dict() for breach in standing],
                "breaches",
            )
        margins = standing_margins(event, freezing.agreed_frequencies(event), named=True)
        for part in parts if lock else ():
            whose = {"department": part.code} if part else {}
            planning.lock(
                actor=actor, selection=Selection(filter={**whose, "state": AssignmentState.APPROVED})
            )
        event.refresh_from_db(fields=["revision"])  # locking raises it
        return [_freeze(actor, event, part, note, freezing.Counted(counted, margins)) for part in parts]


def _freeze(
    actor: Actor, event: Event, department: Department | None, note: str, model: freezing.Counted
) -> Edition:
    counted = model.recount
    lines = freezing.lines_of(actor, department, model)
    if not any(line["frequency_hz"] and line["department"] for line in lines):
        whose = f" of {department.name}" if department else ""
        raise Conflict(f"Nothing{whose} is approved yet; approve assignments first.")
    accepted = [
        {"description": breach.words, "accepted_by": row.accepted_by, "reason": row.reason}
        for breach, row in counted.signed
        if concerns(breach, department)
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
        actor=actor, event=event.slug, verb=PUBLISHED, subject=f"edition {number}", reason=note,
        department=edition.department, changes={f"edition {number}": {"digest": [None, digest]}},
    )  # fmt: skip
    return edition


def concerns(breach: verdicts.Breach, department: Department | None) -> bool:
    """Carrier codes begin with their department's code."""
    return department is None or any(code.rsplit("-", 1)[0] == department.code for code in breach.carriers)


def concerns_any(breach: verdicts.Breach, parts: Iterable[Department | None]) -> bool:
    return any(concerns(breach, part) for part in parts)


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
        "contact_on_site": event.contact_on_site,
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


# -- webhooks -------------------------------------------------------------------------------


@dataclass(frozen=True)
class KeptHook:
    """A webhook with its secret, which is shown once and never again."""

    hook: Hook
    secret: str


@transaction.atomic
def add_hook(
    *, actor: Actor, label: str, address: str, topics: list[str], department: Department | None = None
) -> KeptHook:
    """Tell an address from now on of what happens in the event, or of what concerns one department."""
    require(refusal_to_keep_hook(actor, department))
    hooks = actor.event.hooks.filter(department=department)
    if hooks.count() >= MOST_HOOKS:
        raise Conflict(f"There are {MOST_HOOKS} webhooks already; remove one that nobody listens to.")
    faults = [*_address_faults(address), *_topic_faults(topics, department)]
    if hooks.filter(label=label).exists():
        faults.append(Fault(0, "label", label, "There is a webhook of that name already; choose another."))
    if faults:
        raise Faulty(faults)
    secret = signing.new_secret()
    hook = Hook.objects.create(
        event=actor.event, department=department, owner=Person.objects.get(email=actor.email), label=label,
        address=address, topics=topics, secret=secret,
    )  # fmt: skip
    changes = {"host": [None, _host(address)], "topics": [None, topics]}
    _listen_from(hook, _hook_entry(actor, hook, "set up a webhook", changes))
    return KeptHook(hook, secret)


@transaction.atomic
def change_hook(
    *, actor: Actor, hook: Hook, label: str, address: str, topics: list[str], version: int | None = None
) -> Hook:
    """Change where a webhook goes and what it is told. Whose affairs it tells stays; what waits goes to the new address."""
    require(refusal_to_keep_hook(actor, hook.department))
    faults = [*_topic_faults(topics, hook.department)]
    if address != hook.address:
        faults += _address_faults(address)
    same = actor.event.hooks.filter(department=hook.department, label=label).exclude(pk=hook.pk)
    if same.exists():
        faults.append(Fault(0, "label", label, "There is a webhook of that name already; choose another."))
    if faults:
        raise Faulty(faults)
    changes = save_if_unchanged(
        hook, version, f"Webhook {hook.label}", label=label, address=address, topics=topics
    )
    if "address" in changes:
        changes["host"] = [_host(each) for each in changes.pop("address")]
        _at_once(hook)
    _hook_entry(actor, hook, "changed a webhook", changes)
    return hook


@transaction.atomic
def renew_secret(*, actor: Actor, hook: Hook) -> KeptHook:
    """Give a webhook a new secret. For a while the former one signs as well, so that the receiver can change over."""
    require(refusal_to_keep_hook(actor, hook.department))
    secret = signing.new_secret()
    until = timezone.now() + timedelta(hours=settings.WEBHOOK_OLD_SECRET_H)
    save_if_unchanged(
        hook, None, f"Webhook {hook.label}", secret=secret, former_secret=hook.secret, former_until=until
    )
    _hook_entry(actor, hook, "renewed the secret of a webhook", {"former_until": [None, until]})
    return KeptHook(hook, secret)


@transaction.atomic
def silence_hook(*, actor: Actor, hook: Hook) -> None:
    """Tell it nothing more until it is turned on again; what happens meanwhile it never hears."""
    require(refusal_to_keep_hook(actor, hook.department))
    if hook.off:
        raise Conflict("It is off already.")
    save_if_unchanged(hook, None, f"Webhook {hook.label}", off=f"Turned off by {actor.name}.")
    _hook_entry(actor, hook, "turned off a webhook")


@transaction.atomic
def resume_hook(*, actor: Actor, hook: Hook) -> None:
    """Tell it again, of what happens from now on; whoever turns it on answers for it from now on."""
    require(refusal_to_keep_hook(actor, hook.department))
    if not hook.off:
        raise Conflict("It is on already.")
    owner = Person.objects.get(email=actor.email)
    save_if_unchanged(hook, None, f"Webhook {hook.label}", off="", owner=owner)
    _listen_from(hook, _hook_entry(actor, hook, "turned on a webhook"))
    _at_once(hook)


@transaction.atomic
def remove_hook(*, actor: Actor, hook: Hook) -> None:
    """Take a webhook away, with its log and whatever still waits."""
    require(refusal_to_keep_hook(actor, hook.department))
    _hook_entry(actor, hook, "removed a webhook", {"host": [_host(hook.address), None]})
    hook.delete()


@transaction.atomic
def try_hook(*, actor: Actor, hook: Hook) -> Delivery:
    """Send a message that says nothing, to see whether it arrives."""
    require(refusal_to_keep_hook(actor, hook.department))
    if hook.off:
        raise Conflict("It is off; turn it on first.")
    now = timezone.now()
    content = {
        "type": TRIAL,
        "timestamp": now.isoformat(),
        "data": {"event": actor.event.slug, "by": actor.name},
    }
    delivery = Delivery.objects.create(
        hook=hook, key=signing.new_key(), topic=TRIAL, subject=TRIAL, words=f"asked for by {actor.name}",
        body=json.dumps(content, ensure_ascii=False, separators=(",", ":")), made_at=now, since=now, next_at=now,
    )  # fmt: skip
    _hook_entry(actor, hook, "tried a webhook")
    _at_once(hook)
    return delivery


@transaction.atomic
def send_again(*, actor: Actor, hook: Hook, deliveries: Iterable[int]) -> int:
    """Send messages once more, with the name and the content that they had. Returns how many."""
    require(refusal_to_keep_hook(actor, hook.department))
    if hook.off:
        raise Conflict("It is off; turn it on first.")
    now = timezone.now()
    done = Delivery.objects.filter(hook=hook, pk__in=list(deliveries)).update(
        state=PostState.WAITING, since=now, next_at=now, delivered_at=None
    )
    if not done:
        raise Conflict("Nothing of that is in the log any more.")
    _hook_entry(actor, hook, "sent messages again", {"messages": [None, done]})
    _at_once(hook)
    return done


def _address_faults(address: str) -> list[Fault]:
    refusal = reaching.refusal_to_reach(address)
    return [Fault(0, "address", address, refusal)] if refusal else []


def _topic_faults(topics: list[str], department: Department | None) -> list[Fault]:
    if not topics:
        return [Fault(0, "topics", "", "Choose what it should be told of.")]
    faults = [
        Fault(0, "topics", topic, "There is no such thing to be told of.")
        for topic in topics
        if topic not in Topic.values
    ]
    return faults + [
        Fault(0, "topics", topic, f"That {Topic(topic).label} concerns the whole event; leave it out for a department.")
        for topic in topics
        if department is not None and topic in OF_THE_WHOLE_EVENT
    ]  # fmt: skip


def _host(address: str) -> str:
    """What the journal says of an address: the rest of it may be a key that others must not read."""
    parts = urlsplit(address)
    return f"{parts.scheme}://{parts.hostname}"


def _hook_entry(actor: Actor, hook: Hook, verb: str, changes: dict[str, Any] | None = None) -> Entry:
    return journal.record(
        actor=actor, event=actor.event.slug, verb=verb, subject=hook.label,
        department=hook.department.code if hook.department else "", changes={hook.label: changes} if changes else None,
    )  # fmt: skip


def _listen_from(hook: Hook, entry: Entry) -> None:
    hook.reads_from = entry.number
    Hook.objects.filter(pk=hook.pk).update(reads_from=entry.number)


def _at_once(hook: Hook) -> None:
    """Forget what failed before, and ring for the address when this is done."""
    Hook.objects.filter(pk=hook.pk).update(failures=0, quiet_until=None, rung_at=None)
    transaction.on_commit(lambda: turns.ring(queries.hooks_with_work().filter(pk=hook.pk), turns.DELIVER))


# -- notices: no entry in the journal, for they concern nobody but who reads them ----------------


@transaction.atomic
def choose_notices(*, actor: Actor, wanted: list[str], pace: str) -> Mailbox:
    """What the actor wants to be told of this event by e-mail, and how soon. What waits and is not wanted goes."""
    person = Person.objects.get(email=actor.email)
    mailbox, _ = Mailbox.objects.select_for_update().get_or_create(event=actor.event, person=person)
    mailbox.unwanted = [topic for topic in NoticeTopic.values if topic not in wanted]
    mailbox.pace = pace
    return _unburdened(mailbox)


@transaction.atomic
def stop_notices(*, mailbox: Mailbox) -> Mailbox:
    """No more letters of this event: what the link in each of them does, for whoever holds the letter."""
    mailbox = Mailbox.objects.select_for_update().get(pk=mailbox.pk)
    mailbox.unwanted = list(NoticeTopic.values)
    return _unburdened(mailbox)


def _unburdened(mailbox: Mailbox) -> Mailbox:
    mailbox.notices.filter(state=PostState.WAITING, topic__in=mailbox.unwanted).delete()
    left = mailbox.notices.filter(state=PostState.WAITING).exists()
    mailbox.due_at = letter_due_at(mailbox.event, mailbox.pace, timezone.now()) if left else None
    mailbox.save(update_fields=["unwanted", "pace", "due_at"])
    return mailbox
