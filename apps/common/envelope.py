"""How the REST interface says no: problem details (RFC 9457), one shape for every refusal."""

import json
from collections.abc import Iterable
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from rest_framework import exceptions, status
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.parsers import JSONParser
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import exception_handler

from apps.common import errors
from apps.common.serializers import faults_of

MEDIA_TYPE = "application/problem+json"
# The phrases of RFC 9110 where Python 3.11 still has older ones.
PHRASES = {413: "Content Too Large", 422: "Unprocessable Content"}


class Unguarded(exceptions.APIException):
    """An edit that does not say which version it is for (RFC 6585, section 3)."""

    status_code = status.HTTP_428_PRECONDITION_REQUIRED
    default_detail = (
        'Say which version you change: send its ETag in the header If-Match, such as «If-Match: "3"», '
        "or «If-Match: *» to change it whatever it is by now."
    )


class TooLarge(exceptions.APIException):
    """More bytes than a request may hold."""

    status_code = status.HTTP_413_REQUEST_ENTITY_TOO_LARGE

    def __init__(self, limit: int) -> None:
        super().__init__(f"At most {limit:,} bytes are taken at once; send the rows in several requests.")


class JSONBody(JSONParser):
    """JSON whose every text can be stored and answered again."""

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        try:
            content = super().parse(stream, media_type, parser_context)
            json.dumps(content, ensure_ascii=False).encode()
        except UnicodeEncodeError as half:
            raise exceptions.ParseError(
                "A text holds half a character (a lone surrogate); remove it."
            ) from half
        except RecursionError as deep:
            raise exceptions.ParseError("The JSON is nested too deeply.") from deep
        return content


class OneForm(DefaultContentNegotiation):
    """An address answers in one form, or in the one that `?as=` names; the header Accept changes nothing.

    RFC 9110, section 12.4.1, lets a server disregard it rather than refuse.
    """

    def select_renderer(
        self, request: Request, renderers: Iterable[BaseRenderer], format_suffix: str | None = None
    ) -> tuple[BaseRenderer, str]:
        first = next(iter(renderers))
        return first, first.media_type


def problem(code: int, detail: str, **more: Any) -> Response:
    """An answer of RFC 9457: type, title, status, detail, and what the case adds.

    With the type about:blank the title is the phrase of the status code (section 4.2.1).
    """
    body = {
        "type": "about:blank",
        "title": PHRASES.get(code) or HTTPStatus(code).phrase,
        "status": code,
        "detail": detail,
        **more,
    }
    return Response(body, status=code, content_type=MEDIA_TYPE)


def problem_details(exc: Exception, context: dict[str, Any]) -> Response | None:
    """The exception handler of the whole interface."""
    match exc:
        case errors.Forbidden():
            return problem(403, str(exc))
        case errors.Missing():
            return problem(404, str(exc) or "There is nothing here that you may see.")
        case errors.Stale():
            return problem(412, str(exc), current_version=exc.current_version)
        case errors.Conflict():
            return problem(409, str(exc), **{exc.key: exc.details})
        case errors.Faulty():
            return problem(422, str(exc), errors=[fault.as_dict() for fault in exc.faults])
        case Http404():
            return problem(404, "There is nothing here that you may see.")
        case PermissionDenied():
            return problem(403, str(exc) or "You may not do this.")
        case UnicodeEncodeError():
            return problem(
                400, "The request holds half a character (a lone surrogate), which no text can hold."
            )
        case exceptions.ValidationError():
            refusal = errors.Faulty(faults_of(exc.detail))
            return problem(422, str(refusal), errors=[fault.as_dict() for fault in refusal.faults])
        case exceptions.APIException():
            answer = exception_handler(exc, context)
            if answer is None:
                return None
            shaped = problem(answer.status_code, _text(exc))
            for name, value in answer.headers.items():
                if name.lower() != "content-type":
                    shaped[name] = value
            return shaped
    return None


def _text(exc: exceptions.APIException) -> str:
    if exc.status_code == status.HTTP_401_UNAUTHORIZED:
        return "Send the header «Authorization: Token …» with a token that is still valid."
    return str(exc.detail)


def status_of_rows(outcomes: Iterable[str]) -> int:
    """The status of a list whose rows are answered one by one: «new», «changed», «unchanged» or «faulty».

    422 when all are faulty, 207 when some are, 201 when any is new, else 200.
    """
    found = set(outcomes)
    if "faulty" in found:
        return 422 if found == {"faulty"} else 207
    return 201 if "new" in found else 200
