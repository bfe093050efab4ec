"""The refusals that every door translates into its own words: a page, an HTTP status, a line on a terminal."""

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one field of one row. Rows count from 1; 0 means the file or the request as a whole."""

    row: int
    field: str
    value: str
    message: str

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


class Refusal(Exception):
    """Base of everything an action may answer instead of doing what was asked."""


class Forbidden(Refusal):
    """The actor may see the thing but not do this to it; the text says why."""


class Missing(Refusal):
    """There is nothing of that name that the actor may see."""


class Stale(Refusal):
    """Somebody else changed the row since the actor read it."""

    def __init__(self, what: str, current_version: int) -> None:
        super().__init__(
            f"{what} was changed by somebody else in the meantime (it is at version {current_version}). "
            "Read it again, then repeat your change."
        )
        self.current_version = current_version


class Conflict(Refusal):
    """The state of things does not allow it; `details` names what stands in the way."""

    def __init__(
        self, text: str, details: list[dict[str, Any]] | None = None, key: str = "conflicts"
    ) -> None:
        super().__init__(text)
        self.details = details or []
        self.key = key


class Faulty(Refusal):
    """The input is wrong; every fault at once."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__(
            f"{len(faults)} fault{'s' if len(faults) != 1 else ''} in the input; nothing was saved."
        )
        self.faults = faults


def require(refusal: str) -> None:
    """Raise Forbidden when a rule gave a reason why not."""
    if refusal:
        raise Forbidden(refusal)
