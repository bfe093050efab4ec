"""The plan against what its readers hold on paper: what is new, moved or gone since the last edition."""

from dataclasses import dataclass

from apps.events.actors import Actor
from apps.planning.queries import PlanRow
from apps.publishing.queries import standing_lines

NEW, MOVED, GONE, SAME, NEVER = "new", "moved", "gone", "as published", "not published yet"
WORDS = (NEW, MOVED, GONE, SAME, NEVER)


@dataclass(frozen=True)
class Published:
    """What readers hold: carrier codes with hertz (None: must stay off), their department and the edition's number."""

    frequencies: dict[str, int | None]
    departments: dict[str, str]
    editions: dict[str, int]


def published(actor: Actor) -> Published:
    """What counts now of everything that the actor may see; one query for the lines."""
    found = Published({}, {}, {})
    lines = standing_lines(actor).exclude(department="")
    names = ("carrier", "department", "edition__number", "content__frequency_hz")
    for carrier, department, number, hertz in lines.values_list(*names):
        found.frequencies[carrier] = hertz
        found.departments[carrier] = department
        found.editions[department] = number
    return found


def difference(row: PlanRow, held: Published) -> str:
    """What a reader of the last edition would find changed if the plan were published with this row agreed."""
    now = row.assignment.frequency_hz if row.assignment else None
    if row.carrier.code not in held.frequencies:
        return NEVER if not held.frequencies else NEW if now else SAME
    old = held.frequencies[row.carrier.code]
    if old == now:
        return SAME
    return NEW if old is None else GONE if now is None else MOVED
