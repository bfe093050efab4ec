"""How the REST interface says no: problem details (RFC 9457), one shape for every refusal."""

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from rest_framework import exceptions, status
from rest_framework.response import Response
from rest_framework.views import exception_handler

from apps.common import errors

MEDIA_TYPE = "application/problem+json"
TITLES = {
    400: "Not understood",
    401: "Log in first",
    403: "Not allowed",
    404: "Not found",
    405: "Not possible here",
    406: "Not available in that form",
    409: "Stands in the way",
    412: "Changed in the meantime",
    415: "Unknown media type",
    422: "Faulty input",
    429: "Too many requests",
}


def problem(code: int, detail: str, **more: Any) -> Response:
    """An answer of RFC 9457: type, title, status, detail, and what the case adds."""
    body = {
        "type": "about:blank",
        "title": TITLES.get(code, "Refused"),
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
        case exceptions.ValidationError():
            return problem(400, "The request is not understood.", errors=_flat(exc.detail))
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


def _flat(detail: Any, field: str = "") -> list[dict[str, Any]]:
    if isinstance(detail, dict):
        return [item for key, value in detail.items() for item in _flat(value, f"{field}.{key}".lstrip("."))]
    if isinstance(detail, list):
        return [item for value in detail for item in _flat(value, field)]
    return [{"row": 0, "field": field, "value": "", "message": str(detail)}]
