"""Letters: what waits in a person's mailbox of one event, gathered into one e-mail."""

import logging
from datetime import timedelta
from smtplib import SMTPException

from django.conf import settings
from django.core import signing
from django.core.mail import EmailMessage
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from apps.common.errors import Missing
from apps.events import queries as events
from apps.events.actors import Actor
from apps.publishing import queries, turns
from apps.publishing.models import Mailbox, Notice
from apps.publishing.rules import letter_due_at
from apps.publishing.states import PostState

log = logging.getLogger(__name__)
SALT = "publishing.mailbox"


def write(key: int) -> None:
    """Take a turn at a mailbox: send what waits as one letter, and count it as sent only then."""
    mailbox = turns.take(Mailbox, key)
    if mailbox is None:
        return
    try:
        _write(mailbox)
    finally:
        turns.leave(mailbox)


def _write(mailbox: Mailbox) -> None:
    notices = _still_theirs(mailbox, queries.waiting_in(mailbox))
    if notices:
        try:
            letter(mailbox, notices).send()
        except (SMTPException, OSError):
            log.exception(
                "A letter to a member of %s could not be sent; it is tried again", mailbox.event.slug
            )
            turns.failed(mailbox)
            too_old = timezone.now() - timedelta(hours=settings.POST_GIVEN_UP_AFTER_H)
            mailbox.notices.filter(state=PostState.WAITING, made_at__lt=too_old).update(
                state=PostState.GIVEN_UP
            )
            return
    _sent(mailbox, notices)


@transaction.atomic
def _sent(mailbox: Mailbox, notices: list[Notice]) -> None:
    if not turns.keep(mailbox):
        return
    now = timezone.now()
    sent = [notice.pk for notice in notices]
    mailbox.notices.filter(pk__in=sent).update(state=PostState.DELIVERED, sent_at=now)
    old = now - timedelta(days=settings.POST_KEPT_DAYS)
    mailbox.notices.filter(made_at__lt=old).exclude(state=PostState.WAITING).delete()
    more = queries.waiting_in(mailbox)
    again = letter_due_at(mailbox.event, mailbox.pace, now) if more else None
    Mailbox.objects.filter(pk=mailbox.pk).update(due_at=again)
    turns.succeeded(mailbox)


def _still_theirs(mailbox: Mailbox, notices: list[Notice]) -> list[Notice]:
    """Leave out, for good, what a person may not know any more whose role has changed since."""
    codes: frozenset[str] = frozenset()
    member = False
    if mailbox.person.is_active:
        try:
            actor = events.actor_in(mailbox.person, mailbox.event.slug)
        except Missing:
            pass
        else:
            member, codes = True, _codes(actor)
    theirs = [
        notice for notice in notices if member and (not notice.department or notice.department in codes)
    ]
    kept = {notice.pk for notice in theirs}
    mailbox.notices.filter(pk__in=[notice.pk for notice in notices if notice.pk not in kept]).delete()
    return theirs


def _codes(actor: Actor) -> frozenset[str]:
    return frozenset(events.departments_of(actor).values_list("code", flat=True))


def letter(mailbox: Mailbox, notices: list[Notice]) -> EmailMessage:
    """One e-mail for all of it, with the way to where each leads and out of all of them (RFC 2369, RFC 8058)."""
    event = mailbox.event
    first = notices[0].words.split(". ")[0].split(": ")[0]
    subject = f"{event.name}: {first if len(notices) == 1 else f'{len(notices)} notices'}"
    by_path: dict[str, list[str]] = {}
    for notice in notices:
        by_path.setdefault(notice.path, []).append(f"- {notice.words}\n")
    parts = [f"{''.join(words)}  {settings.PUBLIC_ADDRESS}{path}" for path, words in by_path.items()]
    choose = settings.PUBLIC_ADDRESS + reverse("publishing:notices", args=[event.slug])
    stop = settings.PUBLIC_ADDRESS + reverse("no-notices", args=[signing.dumps(mailbox.pk, salt=SALT)])
    text = (
        f"Hello {mailbox.person},\n\n" + "\n\n".join(parts) + "\n\n-- \n"
        f"You take part in {event.name}. What you are told, and how often: {choose}\n"
        f"No more of these letters: {stop}\n"
    )
    headers = {"List-Unsubscribe": f"<{stop}>", "Auto-Submitted": "auto-generated"}
    if settings.BEHIND_TLS:
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    return EmailMessage(" ".join(subject.split()), text, None, [mailbox.person.email], headers=headers)


def mailbox_behind(key: str) -> Mailbox | None:
    """The mailbox to which a letter's link belongs."""
    try:
        number = signing.loads(key, salt=SALT)
    except signing.BadSignature:
        return None
    return Mailbox.objects.select_related("event", "person").filter(pk=number).first()
