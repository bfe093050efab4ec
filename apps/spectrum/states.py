"""The states of a survey (its file is kept, then read by a worker) and of a permission, with its moves."""

from django.db import models


class SurveyState(models.TextChoices):
    WAITING = "waiting", "waiting"
    READING = "reading", "being read"
    READ = "read", "read"
    FAULTY = "faulty", "faulty"


READING = (SurveyState.WAITING, SurveyState.READING)


class PermissionState(models.TextChoices):
    ASKED = "asked", "asked"
    GRANTED = "granted", "granted"
    REFUSED = "refused", "refused"
    LAPSED = "lapsed", "lapsed"


P = PermissionState
# Whoever decides may decide again; what was granted never goes back to asked, it lapses or is refused.
MOVES: dict[str, frozenset[str]] = {
    P.ASKED: frozenset([P.ASKED, P.GRANTED, P.REFUSED, P.LAPSED]),
    P.GRANTED: frozenset([P.GRANTED, P.REFUSED, P.LAPSED]),
    P.REFUSED: frozenset([P.REFUSED, P.ASKED, P.GRANTED]),
    P.LAPSED: frozenset([P.LAPSED, P.ASKED, P.GRANTED]),
}


def may_move(old: str, new: str) -> bool:
    return new in MOVES[old]
