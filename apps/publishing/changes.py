"""What is different between two editions of one device's line, in the words of the person who holds the device."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from apps.publishing import rendering
from apps.publishing.sheets import SheetLine


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
        ("power", _power(old), _power(new), True),
        *((name, left, right, True) for name, left, right in settings),
        ("spare", "; ".join(old.spares), "; ".join(new.spares), True),
        ("zone", old.zone_name, new.zone_name, True),
        ("on the air", rendering.hours(old, zone), rendering.hours(new, zone), True),
        ("kind", old.kind_name, new.kind_name, False),
        ("label", old.label, new.label, False),
        ("status", old.status, new.status, False),
    ]
    kept_back = () if secrets else {**before, **after}
    return [
        Change(name, "another", KEPT_BACK, matters)
        if name in kept_back
        else Change(name, a or "nothing", b or "nothing", matters)
        for name, a, b, matters in compared
        if a != b
    ]


def _frequency(line: SheetLine) -> str:
    return f"{rendering.megahertz(line.frequency_hz)} MHz" if line.frequency_hz else "none: must stay off"


def _power(line: SheetLine) -> str:
    return f"{line.power_mw:g} mW" if line.power_mw else ""
