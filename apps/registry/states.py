"""The states of a registration and the moves between them."""

from django.db import models


class RegistrationState(models.TextChoices):
    DRAFT = "draft", "draft"
    SUBMITTED = "submitted", "submitted"
    ACCEPTED = "accepted", "accepted"
    SENT_BACK = "sent back", "sent back"
    WITHDRAWN = "withdrawn", "withdrawn"


# Not a state but a mark beside it: the ruleset opens nothing of what the line asks for.
NOT_PERMITTED = "not permitted here"
# Another one: it was asked for after registration had closed.
LATE = "late"

S = RegistrationState
MOVES: dict[str, frozenset[str]] = {
    S.DRAFT: frozenset([S.SUBMITTED, S.WITHDRAWN]),
    S.SUBMITTED: frozenset([S.SUBMITTED, S.ACCEPTED, S.SENT_BACK, S.WITHDRAWN]),
    S.ACCEPTED: frozenset([S.SUBMITTED, S.SENT_BACK, S.WITHDRAWN]),
    S.SENT_BACK: frozenset([S.SUBMITTED, S.WITHDRAWN]),
    S.WITHDRAWN: frozenset([S.SUBMITTED]),
}


def may_move(old: str, new: str) -> bool:
    return new in MOVES[old]


class UploadState(models.TextChoices):
    """A list is kept when it comes; a short one is saved at once, a long one by a worker."""

    KEPT = "kept", "judged, nothing saved"
    QUEUED = "queued", "waiting for a worker"
    SAVING = "saving", "being saved"
    SAVED = "saved", "saved"
