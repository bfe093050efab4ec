"""How machines say who they are: `Authorization: Token …`."""

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from knox.auth import TokenAuthentication
from rest_framework.request import Request

from apps.events.actions import note_use
from apps.events.models import Token


class MachineAuthentication(TokenAuthentication):
    """`Authorization: Token …`; remembers when a token was last used."""

    def authenticate(self, request: Request) -> Any:
        found = super().authenticate(request)
        if found and isinstance(found[1], Token):
            note_use(found[1])
        return found


class MachineScheme(OpenApiAuthenticationExtension):
    target_class = MachineAuthentication
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {
            "type": "apiKey", "in": "header", "name": "Authorization",
            "description": "`Token …`, limited to one event, to one department or all of the person's, to reading or writing.",
        }  # fmt: skip
