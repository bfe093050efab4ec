"""Why a carrier was left out, and which loads are over their limits and through whom."""

import math
import time
from collections import defaultdict
from typing import Any

import numpy as np

from apps.solver.air import Air
from apps.solver.arrays import Bools, Ints
from apps.solver.problem import Problem
from apps.solver.result import Load
from apps.solver.search import Search, Unit
from apps.solver.verify import Verdict

PRODUCTS_NAMED = 5


def blocked_by(search: Search, unit: Unit, *, hurried: bool = False) -> tuple[dict[str, Any], ...]:
    """What took the raster of a left-out unit's first carrier away: each point is shared equally among all that forbid it.

    `hurried` (the run was stopped) looks at blocked ranges first and never at products; the shares are of what those take.
    """
    i = unit.first
    raster = search.arrays.raster(i)
    if not len(raster):
        return ({"cause": "tuning", "share": 1.0},)
    causes = causes_along(search, i, raster, hurried=hurried)
    weight = np.zeros(len(raster))
    for _, struck in causes:
        weight += struck
    per_point = np.divide(1.0, weight, out=np.zeros(len(raster)), where=weight > 0)
    shares: dict[str, tuple[dict[str, Any], float]] = {}
    for cause, struck in causes:
        share = float(per_point[struck].sum()) / len(raster)
        if share > 0:
            key = repr(sorted(cause.items()))
            shares[key] = (cause, shares[key][1] + share if key in shares else share)
    # A point that nobody takes from this carrier alone is one at which its partner cannot be.
    alone = float((weight == 0).sum()) / len(raster)
    if hurried and alone < 1:
        shares = {key: (cause, share / (1 - alone)) for key, (cause, share) in shares.items()}
    elif alone:
        shares["rest"] = ({"cause": "pair" if len(unit.members) > 1 else "product"}, alone)
    found = sorted(shares.values(), key=lambda item: -item[1])
    return tuple({**cause, "share": round(share, 6)} for cause, share in found)


def causes_along(
    search: Search, i: int, raster: Ints, *, named: bool = True, hurried: bool = False
) -> list[tuple[dict[str, Any], Bools]]:
    """Everything that forbids points of a raster to carrier i, the others being where they are: (cause, struck points)."""
    arrays, problem = search.arrays, search.problem
    causes: list[tuple[dict[str, Any], Bools]] = []
    for row, low, high in arrays.blocked_ranges(i):
        struck = np.zeros(len(raster), bool)
        struck[low:high] = True
        causes.append(({"cause": "blocked", "blocked": problem.blocked[row].id or f"row {row}"}, struck))
    if hurried and causes:
        return causes
    need = search.needs(i)
    for j in np.flatnonzero((need > 0) & (search.hz > 0)):
        low = int(np.searchsorted(raster, search.hz[j] - need[j], "right"))
        high = int(np.searchsorted(raster, search.hz[j] + need[j], "left"))
        if low < high:
            struck = np.zeros(len(raster), bool)
            struck[low:high] = True
            causes.append(({"cause": "separation", "carrier": arrays.carriers[j].id}, struck))
    for members, width in search.spans.get(i, ()):
        placed = [int(search.hz[j]) for j in members if j != i and search.hz[j]]
        if placed:
            causes.append(
                ({"cause": "span"}, (raster < max(placed) - width) | (raster > min(placed) + width))
            )
    for _, at in search.anchored.get(i, ()):
        causes.append(({"cause": "pair"}, ~np.isin(raster, at)))
    return causes + _product_causes(search, i, raster, named) if not hurried else causes


def _product_causes(search: Search, i: int, raster: Ints, named: bool) -> list[tuple[dict[str, Any], Bools]]:
    air, found = search.air, []
    if not air.sites_of[i]:
        return []
    for family in sorted({law.family for law in search.problem.products if law.treatment == "forbid"}):
        clean, _, _ = air.survey(i, raster, {family}, priced=False)
        struck = np.flatnonzero(~clean)
        if len(struck):
            cause: dict[str, Any] = {"cause": "product", "family": family}
            blamed = air.blamed(i, int(raster[struck[len(struck) // 2]])) if named else []
            if blamed:
                cause["carriers"] = [search.arrays.carriers[j].id for j in dict.fromkeys(blamed[:3])]
            found.append((cause, ~clean))
    return found


def loads_over_limit(search: Search, verdict: Verdict, until: float = math.inf) -> list[Load]:
    """One entry per carrier and rule over its limit: the worst place and slot, with at most five of its products.

    After `until` products are named no more.
    """
    problem, number = search.problem, search.arrays.number
    air = search.air
    if verdict.loads and not air.whole:
        air = Air(search.arrays, readers=range(search.arrays.n))
    place = {zone.id: z for z, zone in enumerate(problem.zones)}
    slot = {code: t for t, code in enumerate(problem.slots)}
    found = []
    # In the order of place and slot, so that carriers asked about one after the other meet the same sources.
    for (row, code), worst in sorted(
        verdict.loads.items(), key=lambda item: (item[1].zone, item[1].slot, item[0])
    ):
        products = (
            air.products_on(number[code], search.hz, row, place[worst.zone], slot[worst.slot])
            if time.monotonic() < until
            else []
        )
        named = tuple(
            tuple(search.arrays.carriers[j].id for j in letters) for _, letters in products[:PRODUCTS_NAMED]
        )
        level_db = round(10 * math.log10(worst.load), 3)
        found.append(Load(code, row, worst.zone, worst.slot, level_db, named))
    return sorted(found, key=lambda load: (load.row, load.id))


def unplaced_by_priority(problem: Problem, left: list[str]) -> dict[str, int]:
    counts: dict[str, int] = defaultdict(int)
    priority = {carrier.id: carrier.priority for carrier in problem.carriers}
    for code in left:
        counts[str(priority[code])] += 1
    return dict(sorted(counts.items()))
