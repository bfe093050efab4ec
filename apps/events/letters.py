"""Letters by e-mail. A letter that cannot be sent never undoes what was done: whoever caused it is told."""

import hashlib
import logging
from smtplib import SMTPException

from django.conf import settings
from django.core.cache import cache
from django.core.mail import send_mail

from apps.events.models import Invitation

log = logging.getLogger(__name__)
LETTERS, WITHIN_S = 5, 900  # to one address or from one machine, in each web process


def may_send_again(*keys: str) -> bool:
    """Whether few enough letters were asked for lately under each of the keys; counts this one."""
    counts = []
    for key in keys:
        name = f"letters:{hashlib.sha256(key.encode()).hexdigest()}"
        cache.add(name, 0, WITHIN_S)
        counts.append(cache.incr(name))
    return max(counts, default=0) <= LETTERS


def send_invitation(invitation: Invitation, address: str) -> bool:
    """Send the link of an invitation; False when no mail server is set or it refused."""
    what = invitation.get_role_display() + (
        f" of {invitation.department.name}" if invitation.department else ""
    )
    text = (
        f"Hello {invitation.name or ''}".strip() + ",\n\n"
        f"{invitation.invited_by} invites you to {invitation.event.name} as {what}.\n\n"
        f"Open this link to take part; it works once, until {invitation.expires_at:%d %B %Y}:\n\n{address}\n\n"
        "If you do not know what this is about, do nothing.\n"
    )
    try:
        send_mail(f"Invitation to {invitation.event.name}", text, None, [invitation.email])
    except (SMTPException, OSError):
        log.exception("An invitation could not be sent")
        return False
    return "console" not in settings.EMAIL_BACKEND
