"""Requests that may be sent again: done once, answered alike (the header Idempotency-Key).

The claim of a key is committed first, so that a second sender is told that the first is under way. What was done and
its answer are one transaction, fenced by the claim's holder: a process that dies in between leaves nothing but a claim
whose lease runs out, and one that was only slow finds itself overtaken and undoes its own. A refusal changed nothing,
so it is not remembered: the same key may be used for the corrected request.
"""

import gzip
import hashlib
import re
import secrets
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import wraps
from typing import Any, cast

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import HttpResponse, QueryDict
from django.http.response import HttpResponseBase
from django.utils import timezone
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.errors import Conflict, Fault, Faulty
from apps.events.models import Repeat, Token

KEPT_HEADERS = ("ETag", "Location")
UNDER_WAY = "The same request is under way; ask again in a moment, with the same key."


def may_be_repeated(handler: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """A handler of a writing request that is done once for each Idempotency-Key of its token."""

    @wraps(handler)
    def done_once(view: Any, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        key = key_in(request)
        if not key or not isinstance(request.auth, Token):
            return handler(view, request, *args, **kwargs)
        claimed = claim(token=request.auth, key=key, digest=digest_of(request))
        if claimed.status is not None:
            return _as_before(claimed)
        done = False
        try:
            with transaction.atomic():
                answer = handler(view, request, *args, **kwargs)
                refused = answer.status_code >= 400
                if refused:
                    transaction.set_rollback(True)
                else:
                    keep(claimed, answer)
            done = not refused
        finally:
            if not done:
                give_up(claimed)
        return answer

    done_once.may_be_repeated = True  # type: ignore[attr-defined]  # a mark on a function
    return done_once


def key_in(request: Request) -> str:
    """The sender's name for the request, with or without the quotes of a structured field (RFC 9651); empty without."""
    text = request.headers.get("Idempotency-Key", "").strip()
    if text and not re.fullmatch(r'"[\x20\x21\x23-\x7e]{1,255}"|[\x20\x21\x23-\x7e]{1,255}', text):
        raise Faulty(
            [
                Fault(
                    0,
                    "Idempotency-Key",
                    text[:60],
                    "Use 1 to 255 plain letters, digits and signs, such as a UUID.",
                )
            ]
        )
    return text.strip('"')


def digest_of(request: Request) -> str:
    """The same for requests that ask for the same. A form is known by its fields, as its boundary is another each time."""
    media = str(request.content_type).split(";")[0]
    is_form = media.startswith("multipart/")
    said = [request.method, request.get_full_path(), media if is_form else request.content_type]
    digest = hashlib.sha256("\n".join(map(str, said)).encode() + b"\n")
    for part in _parts_of(cast(QueryDict, request.data)) if is_form else [request._request.body]:
        digest.update(part)
    return digest.hexdigest()


def _parts_of(form: QueryDict) -> Iterator[bytes]:
    """The fields of a form in one order, files piece by piece: they may be too long to be held at once."""
    for name, values in sorted(form.lists()):
        for value in values:
            yield f"\n{name}\n".encode()
            if isinstance(value, UploadedFile):
                yield f"{value.name}\n{value.size}\n".encode()
                yield from value.chunks()
                value.seek(0)
            else:
                yield str(value).encode()


def claim(*, token: Token, key: str, digest: str) -> Repeat:
    """Take a key for oneself: a row without a status is to be done now, one with a status was done before.

    Raises Conflict while somebody else does it, Faulty when the key was used for something else.
    """
    now, holder = timezone.now(), secrets.token_hex(16)
    until = now + timedelta(seconds=settings.REPEAT_LEASE_S)
    forgotten = now - timedelta(days=settings.REPEAT_DAYS)
    # Looked for first, so that who asks again is told at once, and does not wait for whoever is writing.
    row = Repeat.objects.filter(token=token, key=key, at__gte=forgotten).first()
    if row is None:
        Repeat.objects.filter(token=token, at__lt=forgotten).delete()
        row, new = Repeat.objects.get_or_create(
            token=token, key=key, defaults={"digest": digest, "holder": holder, "lease_until": until}
        )
        if new:
            return row
    if row.digest != digest:
        raise Faulty(
            [
                Fault(
                    0,
                    "Idempotency-Key",
                    key,
                    "This key was used for another request; give this one a key of its own.",
                )
            ]
        )
    if row.status is None:
        silent = Repeat.objects.filter(pk=row.pk, status=None, lease_until__lt=now)
        if not silent.update(holder=holder, lease_until=until):
            raise Conflict(UNDER_WAY)
        row.holder = holder
    return row


def keep(claimed: Repeat, answer: HttpResponseBase) -> None:
    """Write the answer, in the transaction of what was done. Raises Conflict when another took the claim over."""
    body = b""
    if isinstance(answer, Response) and answer.data is not None:
        body = gzip.compress(JSONRenderer().render(answer.data), mtime=0)
    mine = Repeat.objects.filter(pk=claimed.pk, holder=claimed.holder, status=None)
    headers = {name: answer.headers[name] for name in KEPT_HEADERS if name in answer.headers}
    if not mine.update(status=answer.status_code, headers=headers, body=body):
        raise Conflict(UNDER_WAY)


def give_up(claimed: Repeat) -> None:
    """Free the key of a request that changed nothing."""
    Repeat.objects.filter(pk=claimed.pk, holder=claimed.holder, status=None).delete()


def _as_before(done: Repeat) -> HttpResponse:
    body = gzip.decompress(done.body) if done.body else b""
    answer = HttpResponse(body, status=done.status, headers=done.headers)
    answer["Content-Type"] = "application/json"
    return answer
