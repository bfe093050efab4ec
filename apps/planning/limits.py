"""What a line's own limits take of what its kind could be tuned to, as a cause of being left out."""

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from apps.registry import tuning
from apps.registry.models import Carrier
from apps.registry.queries import asked_tuning
from apps.registry.rules import Rooms

CAUSE = "limits"
Causes = dict[str, list[dict[str, Any]]]


def with_limits(kept: Causes, carriers: Iterable[Carrier], rooms: Rooms) -> Causes:
    """What the band plan took of each carrier's tuning, and before that what the limits of its own line did.

    Shares are of what the limits leave, so that the limits themselves have none.
    """
    lines: dict[int, list[Carrier]] = defaultdict(list)
    for carrier in carriers:
        line = carrier.registration
        if (line.low_hz or line.high_hz) and carrier.role.position == 1:
            lines[line.pk].append(carrier)
    found = dict(kept)
    for members in lines.values():
        if taken := _taken(members, rooms):
            found |= {row.code: [taken, *kept[row.code]] for row in members}
    return found


def _taken(members: list[Carrier], rooms: Rooms) -> dict[str, Any] | None:
    """The limits of a line as a cause, the same for all its carriers; None where no more would fit without them."""
    line, role = members[0].registration, members[0].role
    within, anywhere = (rooms.room(line, role, asked) for asked in (asked_tuning(line, role), role.tuning))
    if anywhere.fits <= within.fits:
        return None
    count, limits = len(members), between(line.low_hz, line.high_hz)
    there = "by spacing alone there is room for it; beside others and with intermodulation there is less"
    if within.fits < count:
        fits = "fits" if within.fits == 1 else "fit"
        there = (
            f"at most {within.fits} of its {count} {fits} there by spacing alone, perhaps fewer beside others and "
            "with intermodulation"
        )
    rest = "the rest" if anywhere.fits >= count else "more"
    why = f"its line allows only {limits}: {there}; in all that its kind can tune here {rest} may fit"
    detail = (
        f"in {limits} there is room for {within.fits}, {role.spacing_hz / 1e3:g} kHz apart, if nobody else were there; in all "
        f"that its kind can tune here and that is permitted and free ({tuning.in_megahertz(anywhere.free)}) for {anywhere.fits}"
    )
    return {"cause": CAUSE, "why": why, "detail": detail, "share": 0.0}


def between(low_hz: int | None, high_hz: int | None) -> str:
    """The limits of a line, as people read them."""
    if low_hz and high_hz:
        return f"{low_hz / 1e6:.10g}–{high_hz / 1e6:.10g} MHz"
    return f"from {low_hz / 1e6:.10g} MHz" if low_hz else f"up to {(high_hz or 0) / 1e6:.10g} MHz"
