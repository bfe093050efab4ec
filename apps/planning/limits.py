"""What a line's own limits take of what its kind could be tuned to, as a cause of being left out."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from apps.registry import tuning
from apps.registry.models import Carrier
from apps.registry.queries import asked_tuning
from apps.registry.rules import BandPlan, Granted, permission

CAUSE = "limits"
Causes = dict[str, list[dict[str, Any]]]


def with_limits(
    kept: Causes, carriers: Iterable[Carrier], problem: Mapping[str, Any], granted: Granted, plan: BandPlan
) -> Causes:
    """What the band plan took of each carrier's tuning, and before that what the limits of its own line did.

    Shares are of what the limits leave, so that the limits themselves have none.
    """
    lines: dict[int, list[Carrier]] = defaultdict(list)
    for carrier in carriers:
        line = carrier.registration
        if (line.low_hz or line.high_hz) and carrier.role.position == 1:
            lines[line.pk].append(carrier)
    rows = {row["id"]: row for row in problem["carriers"]}
    found = dict(kept)
    for members in lines.values():
        if taken := _taken(members, rows[members[0].code], problem, granted, plan):
            found |= {row.code: [taken, *kept[row.code]] for row in members}
    return found


def _taken(
    members: list[Carrier],
    row: Mapping[str, Any],
    problem: Mapping[str, Any],
    granted: Granted,
    plan: BandPlan,
) -> dict[str, Any] | None:
    """The limits of a line as a cause, the same for all its carriers; None where no more would fit without them."""
    line, role = members[0].registration, members[0].role

    def permitted(asked: list[tuning.Range]) -> list[tuning.Range]:
        return permission(granted.law, line.kind, role, asked, line.power_mw, granted, line).tuning

    def left(ranges: list[tuning.Range]) -> list[tuning.Range]:
        half = (role.bandwidth_hz + 1) // 2
        ranges = plan.narrow(line, ranges, role.bandwidth_hz)[0]
        for taken in problem["blocked"]:
            if not {"zones", "kinds", "slots"} & taken.keys():
                ranges = tuning.without(ranges, taken["low_hz"] - half, taken["high_hz"] + half)
        return ranges

    within, anywhere = permitted(asked_tuning(line, role)), permitted(role.tuning)
    apart_hz = _apart_hz(problem["separations"], row)
    fit, more = (tuning.side_by_side(left(ranges), apart_hz) for ranges in (within, anywhere))
    if more <= fit:
        return None
    low, high = min(part["low_hz"] for part in anywhere), max(part["high_hz"] for part in anywhere)
    count, apart = len(members), f"{apart_hz / 1e3:g} kHz apart"
    there = "by spacing alone there is room for it, with intermodulation less"
    if fit < count:
        fits = "fits" if fit == 1 else "fit"
        there = f"at most {fit} of its {count} {fits} there by spacing, perhaps fewer with intermodulation"
    why = (
        f"its line allows only {between(line.low_hz, line.high_hz)}: {there}; "
        f"with {between(low, high)} {'the rest' if more >= count else 'more'} may fit"
    )
    detail = (
        f"in {between(line.low_hz, line.high_hz)} there is room for {fit}, {apart}, if nobody else were there; "
        f"in all that its kind can tune here and that is permitted and free ({between(low, high)}) for about {more}"
    )
    return {"cause": CAUSE, "why": why, "detail": detail, "share": 0.0}


def between(low_hz: int | None, high_hz: int | None) -> str:
    """The limits of a line, as people read them."""
    if low_hz and high_hz:
        return f"{low_hz / 1e6:.10g}–{high_hz / 1e6:.10g} MHz"
    return f"from {low_hz / 1e6:.10g} MHz" if low_hz else f"up to {(high_hz or 0) / 1e6:.10g} MHz"


def _apart_hz(separations: Iterable[Mapping[str, Any]], row: Mapping[str, Any]) -> int:
    """How far apart two carriers like this one must be where it is, by the problem's own rules."""
    places = {row["zone"], *row["received_in"]}
    asked = [
        rule["min_hz"]
        for rule in separations
        if rule.get("treatment", "forbid") == "forbid"
        and rule.get("kinds") == [row["kind"]] * 2
        and places.issuperset(rule["zones"])
    ]
    return int(max(asked, default=row["bandwidth_hz"]))
