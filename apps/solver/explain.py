"""Why a carrier was left out, and which loads are over their limits and through whom."""

import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any

import numpy as np

from apps.solver.air import Air
from apps.solver.arrays import Bools, Ints
from apps.solver.problem import Problem
from apps.solver.result import Load
from apps.solver.search import Search, Unit
from apps.solver.verify import Verdict

PRODUCTS_NAMED = 5
DISTANCES_IN_A_HURRY = 3

Cause = tuple[dict[str, Any], Bools]  # and the points of a raster that it strikes


class Reasons:
    """Why units of a finished search were left out.

    Once `hurried` only what is quickly seen is told: blocked ranges, or the first few distances where there are none.
    """

    def __init__(self, search: Search, hurried: Callable[[], bool]) -> None:
        self._search, self._hurried = search, hurried
        self._of_blocked: dict[tuple[object, ...], tuple[dict[str, Any], ...]] = {}

    def of(self, unit: Unit) -> tuple[dict[str, Any], ...]:
        """What took the raster of the unit's first carrier away."""
        if not self._hurried():
            return blocked_by(self._search, unit)
        key = self._search.arrays.alike(unit.first)
        if key in self._of_blocked:
            return self._of_blocked[key]
        causes = blocked_by(self._search, unit, hurried=True)
        if causes[0]["cause"] in ("tuning", "blocked"):
            self._of_blocked[key] = causes
        return causes


def blocked_by(search: Search, unit: Unit, *, hurried: bool = False) -> tuple[dict[str, Any], ...]:
    """What took the raster of a left-out unit's first carrier away: each point is shared equally among all that forbid it.

    `hurried` (the run was stopped) looks at blocked ranges first and never at products; the shares are of what those take.
    """
    i = unit.first
    raster = search.arrays.raster(i)
    if not len(raster):
        return ({"cause": "tuning", "share": 1.0},)
    causes = _seen_quickly(search, i, raster) if hurried else causes_along(search, i, raster)
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


def _seen_quickly(search: Search, i: int, raster: Ints) -> list[Cause]:
    blocked = list(_blocked(search, i, raster))
    return blocked or list(islice(_distances(search, i, raster), DISTANCES_IN_A_HURRY))


def causes_along(search: Search, i: int, raster: Ints, *, named: bool = True) -> list[Cause]:
    """Everything that forbids points of a raster to carrier i, the others being where they are: (cause, struck points)."""
    causes = [*_blocked(search, i, raster), *_distances(search, i, raster)]
    for members, width in search.spans.get(i, ()):
        placed = [int(search.hz[j]) for j in members if j != i and search.hz[j]]
        if placed:
            causes.append(
                ({"cause": "span"}, (raster < max(placed) - width) | (raster > min(placed) + width))
            )
    for _, at in search.anchored.get(i, ()):
        causes.append(({"cause": "pair"}, ~np.isin(raster, at)))
    return causes + _product_causes(search, i, raster, named)


def _blocked(search: Search, i: int, raster: Ints) -> Iterator[Cause]:
    for row, low, high in search.arrays.blocked_ranges(i):
        struck = np.zeros(len(raster), bool)
        struck[low:high] = True
        yield {"cause": "blocked", "blocked": search.problem.blocked[row].id or f"row {row}"}, struck


def _distances(search: Search, i: int, raster: Ints) -> Iterator[Cause]:
    need = search.needs(i)
    for j in np.flatnonzero((need > 0) & (search.hz > 0)):
        low = int(np.searchsorted(raster, search.hz[j] - need[j], "right"))
        high = int(np.searchsorted(raster, search.hz[j] + need[j], "left"))
        if low < high:
            struck = np.zeros(len(raster), bool)
            struck[low:high] = True
            yield {"cause": "separation", "carrier": search.arrays.carriers[j].id}, struck


def _product_causes(search: Search, i: int, raster: Ints, named: bool) -> list[Cause]:
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


def loads_over_limit(search: Search, verdict: Verdict, hurried: Callable[[], bool]) -> list[Load]:
    """One entry per carrier and rule over its limit: the worst place and slot, with at most five of its products.

    Once `hurried` products are named no more.
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
            if not hurried()
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
