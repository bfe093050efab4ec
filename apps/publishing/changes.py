"""What is different between two editions of one device's line, in the words of the person who holds the device."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from apps.events.actors import Actor
from apps.planning.margins import standing_margins
from apps.planning.outlook import OUTLOOKS, outlook
from apps.publishing import freezing, queries, rendering
from apps.publishing.models import Edition
from apps.publishing.sheets import SheetLine, Since, Told

NEW = "new"


@dataclass(frozen=True)
class Change:
    """One thing that changed; `matters` where somebody has to turn a knob."""

    name: str
    old: str
    new: str
    matters: bool = True


KEPT_BACK = "log in to see"


def between(old: SheetLine, new: SheetLine, zone: ZoneInfo, *, secrets: bool = True) -> list[Change]:
    """What changed from one line of a device to another, what has to be tuned first.

    Without `secrets` it says that a setting changed, and not from what to what: pairing and encryption are nobody else's.
    """
    before, after = dict(old.settings), dict(new.settings)
    settings = [(name, before.get(name, ""), after.get(name, "")) for name in {**before, **after}]
    compared = [
        ("frequency", _frequency(old), _frequency(new), True),
        ("power", _power(old), _power(new), new.frequency_hz is not None),
        *((name, left, right, True) for name, left, right in settings),
        ("spare", "; ".join(old.spares), "; ".join(new.spares), True),
        ("zone", old.zone_name, new.zone_name, True),
        ("on the air", rendering.hours(old, zone), rendering.hours(new, zone), True),
        ("kind", old.kind_name, new.kind_name, False),
        ("label", old.label, new.label, False),
        ("status", old.status, new.status, False),
        ("the model's word", *_outlooks(old, new), True),
    ]
    kept_back = () if secrets else {**before, **after}
    return [
        Change(name, "another", KEPT_BACK, matters)
        if name in kept_back
        else Change(name, a or "nothing", b or "nothing", matters)
        for name, a, b, matters in compared
        if a != b
    ]


def _outlooks(old: SheetLine, new: SheetLine) -> tuple[str, str]:
    """What was and is to be expected, where it got worse: whoever holds the device tests it then. Better news can wait."""
    if not (old.outlook and new.outlook) or OUTLOOKS.index(new.outlook) >= OUTLOOKS.index(old.outlook):
        return "", ""
    return f"«{old.outlook}»", f"«{new.outlook}»"


def that_matter(old: SheetLine, new: SheetLine, zone: ZoneInfo, *, secrets: bool = True) -> list[Change]:
    """Of what changed, what somebody who holds the device has to set or to know."""
    return [change for change in between(old, new, zone, secrets=secrets) if change.matters]


def since(edition: int, before: Iterable[SheetLine], after: Iterable[SheetLine], zone: ZoneInfo) -> Since:
    """What changed on a department's sheet since the edition of that number, of which `before` holds the lines."""
    held, now = {line.unit: line for line in before}, {line.unit: line for line in after}
    marks: dict[str, str] = {}
    told: list[Told] = []
    for unit, line in now.items():
        old = held.get(unit)
        if old is None:
            marks[unit] = NEW
            told.append(Told(f"{unit} ({line.label}) is new: {_frequency(line)}", line.unit_key))
            continue
        turned = that_matter(old, line, zone)
        if not turned:
            continue
        if old.frequency_hz != line.frequency_hz:
            marks[unit] = f"was {rendering.megahertz(old.frequency_hz)}" if old.frequency_hz else "was off"
        else:
            marks[unit] = f"changed: {', '.join(change.name for change in turned)}"
        changed = "; ".join(f"{change.name} was {change.old}, is {change.new}" for change in turned)
        told.append(Told(f"{unit} ({line.label}): {changed}", line.unit_key))
    gone = [line for unit, line in held.items() if unit not in now]
    told += [Told(f"{line.unit} ({line.label}) is gone: it must stay off", "") for line in gone]
    return Since(edition, marks, tuple(told))


def since_before(actor: Actor, edition: Edition, department: str) -> Since | None:
    """What changed on a department's sheet since the edition that its readers held before; None where it is their first."""
    before = queries.edition_before(edition, department)
    if before is None:
        return None
    old, new = (
        [queries.sheet_line(line) for line in queries.lines_of(actor, which).filter(department=department)]
        for which in (before, edition)
    )
    return since(before.number, old, new, ZoneInfo(actor.event.timezone))


def since_now(actor: Actor) -> dict[str, Since]:
    """What the sheet of each department that holds one would tell as changed if everybody's were published now."""
    zone = ZoneInfo(actor.event.timezone)
    standing = queries.standing_editions(actor.event)
    before: dict[str, list[SheetLine]] = defaultdict(list)
    after: dict[str, list[SheetLine]] = defaultdict(list)
    for stored in queries.standing_lines(actor).exclude(department=""):
        before[stored.department].append(queries.sheet_line(stored))
    left_over = standing_margins(actor.event, freezing.agreed_frequencies(actor.event))
    for content in freezing.lines_of(actor):
        if content["department"]:
            line, margin = queries.line_of(content), left_over.get(content["carrier"])
            line = replace(line, outlook=outlook(margin)) if margin else line
            after[content["department"]].append(line)
    return {
        code: since(edition.number, before[code], after[code], zone)
        for code in before.keys() | after.keys()
        for edition in [standing.get(code) or standing.get("")]
        if edition
    }


def _frequency(line: SheetLine) -> str:
    return f"{rendering.megahertz(line.frequency_hz)} MHz" if line.frequency_hz else "none: must stay off"


def _power(line: SheetLine) -> str:
    return f"{line.power_mw:g} mW" if line.power_mw else ""
