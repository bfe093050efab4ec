"""A worker's turn at one webhook: what is due goes out, oldest first, one at a time, for some seconds."""

import time
from datetime import timedelta

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from apps.publishing import queries, reaching, signing, turns
from apps.publishing.models import Attempt, Delivery, Hook
from apps.publishing.states import PostState


def deliver(key: int) -> None:
    """Send what is due to an address until it fails or the turn is over; then ring again if something is left."""
    hook = turns.take(Hook, key)
    if hook is None:
        return
    try:
        _take_turn(hook)
        _forget_old(hook)
    finally:
        turns.leave(hook)
    turns.ring(queries.hooks_with_work().filter(pk=key), turns.DELIVER)


def _take_turn(hook: Hook) -> None:
    if queries.eyes_of(hook) is None:
        why = f"{hook.owner}, who set it up, may no longer see what it tells. Turn it on to answer for it yourself."
        Hook.objects.filter(pk=hook.pk).update(off=why)
        return
    until = time.monotonic() + settings.POST_TURN_S
    while time.monotonic() < until and turns.keep(hook):
        delivery = queries.next_delivery(hook)
        if delivery is None or not _attempt(hook, delivery):
            return


def _attempt(hook: Hook, delivery: Delivery) -> bool:
    """Send one message; whether the next may follow at once."""
    headers = signing.headers(
        hook.secrets_in_force, delivery.key, int(timezone.now().timestamp()), delivery.body
    )
    headers |= {"Content-Type": "application/json", "User-Agent": "Fairband-Webhooks/1"}
    answer = reaching.post(hook.address, headers, delivery.body.encode())
    return _note(hook, delivery, answer)


@transaction.atomic
def _note(hook: Hook, delivery: Delivery, answer: reaching.Answer) -> bool:
    """Write down what came of an attempt, unless the turn passed to somebody else meanwhile."""
    if not turns.keep(hook):
        return False
    now = timezone.now()
    Attempt.objects.create(delivery=delivery, at=now, status=answer.status, words=answer.words[:300])
    values = {"attempts": delivery.attempts + 1, "answer": answer.words[:300]}
    mine = Delivery.objects.filter(pk=delivery.pk)
    if answer.good:
        mine.update(state=PostState.DELIVERED, delivered_at=now, **values)
        turns.succeeded(hook)
        return True
    too_old = now - timedelta(hours=settings.POST_GIVEN_UP_AFTER_H)
    if answer.about_the_message:
        # Its like wait behind it, all others go on.
        again = max(answer.retry_after_s, turns.wait_s(delivery.attempts + 1))
        state = PostState.GIVEN_UP if delivery.since < too_old else PostState.WAITING
        mine.update(state=state, next_at=now + timedelta(seconds=again), **values)
        turns.succeeded(hook)
        return True
    mine.update(**values)
    waiting = Delivery.objects.filter(hook=hook, state=PostState.WAITING, since__lt=too_old)
    waiting.update(state=PostState.GIVEN_UP)
    if answer.gone:
        Hook.objects.filter(pk=hook.pk).update(off="The receiver answered 410 Gone: it wants no more.")
    turns.failed(hook, answer.retry_after_s)
    return False


def _forget_old(hook: Hook) -> None:
    """What was delivered or given up long ago leaves the log."""
    old = timezone.now() - timedelta(days=settings.POST_KEPT_DAYS)
    Delivery.objects.filter(hook=hook, since__lt=old).exclude(state=PostState.WAITING).delete()
