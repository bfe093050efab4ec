"""Signatures of webhooks, as the Standard Webhooks specification says: HMAC-SHA256, version `v1`.

https://github.com/standard-webhooks/standard-webhooks/blob/main/spec/standard-webhooks.md
"""

import base64
import hashlib
import hmac
import secrets
from collections.abc import Iterable

PREFIX = "whsec_"  # marks a symmetric secret
SECRET_BYTES = 32  # the specification asks for 24 to 64


def new_secret() -> str:
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def new_key() -> str:
    """A message's own name; without a full stop, which parts the fields of what is signed."""
    return f"msg_{secrets.token_urlsafe(18)}"


def signature(secret: str, key: str, at_s: int, body: str) -> str:
    """The signature of one secret over a message's key, the second of the attempt and the body, byte for byte."""
    signed = f"{key}.{at_s}.{body}".encode()
    digest = hmac.new(base64.b64decode(secret.removeprefix(PREFIX)), signed, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


def headers(secrets_in_force: Iterable[str], key: str, at_s: int, body: str) -> dict[str, str]:
    """The three headers of an attempt; while a secret is being replaced both sign."""
    signatures = [signature(secret, key, at_s, body) for secret in secrets_in_force]
    return {"webhook-id": key, "webhook-timestamp": str(at_s), "webhook-signature": " ".join(signatures)}
