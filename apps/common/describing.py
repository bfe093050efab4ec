"""The interface's description: what every operation answers beside its own answers, and the headers that all share."""

from typing import Any

from drf_spectacular.openapi import AutoSchema

from apps.common.envelope import MEDIA_TYPE
from apps.common.serializers import ProblemSerializer

IF_MATCH = {
    "in": "header", "name": "If-Match", "required": True, "schema": {"type": "string"},
    "description": "the ETag that was read, such as «\"3\"»; «*» changes the row whatever it is by now",
}  # fmt: skip
IDEMPOTENCY_KEY = {
    "in": "header", "name": "Idempotency-Key", "schema": {"type": "string", "minLength": 1, "maxLength": 255},
    "description": (
        "your own name for this request: sent again with the same content, it is answered as the first time "
        "and done no second time"
    ),
}  # fmt: skip
ETAG = {"schema": {"type": "string"}, "description": "the row's version; send it back in If-Match"}
WHY = {
    400: "The body is not understood.",
    401: "No valid token.",
    403: "You may see this, but not do it; `detail` says why.",
    404: "There is nothing here that you may see.",
    409: "The state of things does not allow it, or the same request is under way.",
    412: "Somebody else changed it in the meantime.",
    413: "Too large.",
    415: "Another media type is needed.",
    422: "Faulty input: every fault with row, field, value and remedy.",
    428: "If-Match is missing.",
}


class Description(AutoSchema):
    """Adds the refusals, and the headers of edits and of writes that may be repeated."""

    def get_operation(self, *args: Any, **kwargs: Any) -> dict[str, Any] | None:
        operation: dict[str, Any] | None = super().get_operation(*args, **kwargs)
        if operation is None:
            return None
        writes = self.method != "GET"
        # What has no version, such as a token, is taken away without saying which.
        edits = self.method in ("PUT", "PATCH", "DELETE") and hasattr(self.view, "patch")
        parameters = operation.setdefault("parameters", [])
        if edits:
            parameters.append(IF_MATCH)
        if getattr(getattr(self.view, self.method.lower()), "may_be_repeated", False):
            parameters.append(IDEMPOTENCY_KEY)
        codes = [401, 403, 404, 409, 422]
        codes += [400, 413, 415] if writes else []
        codes += [412, 428] if edits else []
        for code in codes:
            self._add_refusal(operation["responses"], code)
        if hasattr(self.view, "patch"):
            for code, answer in operation["responses"].items():
                if code == "200":
                    answer.setdefault("headers", {})["ETag"] = ETAG
        operation["responses"] = dict(sorted(operation["responses"].items()))
        return operation

    def _add_refusal(self, responses: dict[str, Any], code: int) -> None:
        refusal = self._get_response_for_code(ProblemSerializer, str(code), [MEDIA_TYPE])
        known = responses.setdefault(str(code), refusal | {"description": WHY[code]})
        known["content"] |= refusal["content"]
