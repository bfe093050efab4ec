"""System checks: what is safe on a laptop is refused where FAIRBAND_PRODUCTION says that others depend on it."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, register


@register(Tags.security)
def production_is_safe(app_configs: Any, **_: Any) -> list[CheckMessage]:
    if not settings.PRODUCTION:
        return []
    unsafe = {
        "fairband.E001": (settings.DEBUG, "Debug pages are on.", "Unset FAIRBAND_DEBUG."),
        "fairband.E002": (
            settings.SECRET_KEY_IS_OWN,
            "The secret key is the one made at the first start.",
            "Set FAIRBAND_SECRET_KEY to a long random value that all processes share.",
        ),
        "fairband.E003": (
            not settings.DATABASE_URL,
            "The embedded database serves one machine only.",
            "Set DATABASE_URL=postgresql://user@host/name.",
        ),
        "fairband.E004": (
            not settings.REDIS_URL,
            "The file-system queue serves one machine only.",
            "Set REDIS_URL=redis://host:6379/0.",
        ),
        "fairband.E005": (
            not settings.BEHIND_TLS,
            "Passwords and frequency plans would travel in the clear.",
            "Set FAIRBAND_ADDRESS=https://…, the address that people use.",
        ),
        "fairband.E006": (
            "*" in settings.ALLOWED_HOSTS,
            "Any host name is accepted.",
            "Set FAIRBAND_ALLOWED_HOSTS to the names of this service.",
        ),
    }
    return [Error(text, hint=hint, id=key) for key, (wrong, text, hint) in unsafe.items() if wrong]
