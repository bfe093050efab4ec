"""Who acts: a person, or a person's machine, within one event. Every action and every query begins with one."""

from dataclasses import dataclass

from apps.events.models import Event, Role


@dataclass(frozen=True)
class Actor:
    """Somebody within an event, with what they are there.

    departments: primary keys of the departments that they lead; None where the role reaches all of them.
    writes: False for observers and for tokens that only read.
    """

    event: Event
    name: str
    email: str
    role: str
    departments: frozenset[int] | None
    writes: bool

    @property
    def coordinates(self) -> bool:
        return self.role == Role.COORDINATOR

    @property
    def role_name(self) -> str:
        return str(Role(self.role).label)

    @property
    def sees_all(self) -> bool:
        """Coordinators and the site desk see every department; observers all but the confidential ones."""
        return self.role in (Role.COORDINATOR, Role.DESK)


def the_service(event: Event) -> Actor:
    """The service itself, where the journal has to name it: the worker that ends a run."""
    return Actor(event, "Fairband", "", Role.COORDINATOR, None, True)


def founder(event: Event, name: str, email: str) -> Actor:
    """Whoever makes an event coordinates it from its first moment."""
    return Actor(event, name, email, Role.COORDINATOR, None, True)


def onlooker_of(event: Event) -> Actor:
    """Whoever reads an event from outside: an observer's eyes, which see no confidential department, and no hands."""
    return Actor(event, "", "", Role.OBSERVER, None, False)


def reader_of(event: Event, department: int) -> Actor:
    """Whoever reads a department's papers: its lead's eyes, and no hands."""
    return Actor(event, "", "", Role.LEAD, frozenset([department]), False)
