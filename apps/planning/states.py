"""The states of a run and of an assignment, and the moves between them."""

from django.db import models


class RunState(models.TextChoices):
    QUEUED = "queued", "queued"
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"
    CANCELLED = "cancelled", "cancelled"


ACTIVE = (RunState.QUEUED, RunState.RUNNING)


class AssignmentState(models.TextChoices):
    PROPOSED = "proposed", "proposed"
    APPROVED = "approved", "approved"
    LOCKED = "locked", "locked"


AGREED = (AssignmentState.APPROVED, AssignmentState.LOCKED)
A = AssignmentState
MOVES: dict[str, frozenset[str]] = {
    A.PROPOSED: frozenset([A.APPROVED]),
    A.APPROVED: frozenset([A.LOCKED, A.PROPOSED]),
    A.LOCKED: frozenset([A.APPROVED, A.PROPOSED]),
}
