"""Why a carrier was left out, and which loads are over their limits and through whom."""

from collections import defaultdict
from typing import Any

import numpy as np

from apps.solver.arrays import Floats
from apps.solver.problem import Problem
from apps.solver.result import Load
from apps.solver.search import Search, Unit

PRODUCTS_NAMED = 5


def blocked_by(search: Search, unit: Unit) -> tuple[dict[str, Any], ...]:
    """What took the raster of a left-out carrier away: each point is shared equally among all that forbid it."""
    i = unit.first
    raster = search.arrays.raster(i)
    if not len(raster):
        return ({"cause": "tuning", "share": 1.0},)
    causes = _causes(search, i)
    weight = np.zeros(len(raster))
    for _, struck in causes:
        weight += struck
    shares: dict[str, tuple[dict[str, Any], float]] = {}
    for cause, struck in causes:
        share = float((struck / np.maximum(weight, 1)).sum()) / len(raster)
        if share > 0:
            key = repr(sorted(cause.items()))
            shares[key] = (cause, shares[key][1] + share if key in shares else share)
    # A point that nobody takes from this one alone is one at which its partner cannot be.
    alone = float((weight == 0).sum()) / len(raster)
    if alone:
        shares["rest"] = ({"cause": "pair" if unit.second is not None else "product"}, alone)
    found = sorted(shares.values(), key=lambda item: -item[1])
    return tuple({**cause, "share": round(share, 6)} for cause, share in found)


def _causes(search: Search, i: int) -> list[tuple[dict[str, Any], Floats]]:
    arrays, problem = search.arrays, search.problem
    raster = arrays.raster(i)
    causes: list[tuple[dict[str, Any], Floats]] = []
    for row, low, high in arrays.blocked_ranges(i):
        struck = np.zeros(len(raster))
        struck[low:high] = 1
        causes.append(({"cause": "blocked", "blocked": problem.blocked[row].id or f"row {row}"}, struck))
    need = search.needs(i)
    for j in np.flatnonzero((need > 0) & (search.hz > 0)):
        low = int(np.searchsorted(raster, search.hz[j] - need[j], "right"))
        high = int(np.searchsorted(raster, search.hz[j] + need[j], "left"))
        if low < high:
            struck = np.zeros(len(raster))
            struck[low:high] = 1
            causes.append(({"cause": "separation", "carrier": arrays.carriers[j].id}, struck))
    for members, width in search._spans.get(i, ()):
        placed = [int(search.hz[j]) for j in members if j != i and search.hz[j]]
        if placed:
            outside = (raster < max(placed) - width) | (raster > min(placed) + width)
            causes.append(({"cause": "span"}, outside.astype(float)))
    for _, at in search.anchored.get(i, ()):
        causes.append(({"cause": "pair"}, (~np.isin(raster, at)).astype(float)))
    return causes + _product_causes(search, i)


def _product_causes(search: Search, i: int) -> list[tuple[dict[str, Any], Floats]]:
    arrays, air = search.arrays, search.air
    raster, found = arrays.raster(i), []
    if not arrays.on_axis[i]:
        return []
    bins = arrays.bins(raster)
    for rule, law in enumerate(search.problem.products):
        if law.treatment != "forbid":
            continue
        clean = np.ones(len(raster), bool)
        rows = [row for row in air.rows_of(i) if rule in row.victims]
        for row in rows:
            row.survey(i, raster, bins, clean, np.zeros(len(raster)), only=rule)
        struck = np.flatnonzero(~clean)
        if len(struck):
            cause: dict[str, Any] = {"cause": "product", "family": law.family}
            middle = int(raster[struck[len(struck) // 2]])
            named = next((who for row in rows if (who := row.culprits(rule, i, middle))), ())
            if named:
                cause["carriers"] = [arrays.carriers[j].id for j in named]
            found.append((cause, (~clean).astype(float)))
    return found


def loads_over_limit(search: Search) -> list[Load]:
    """One entry per carrier and rule over its limit: the worst place and slot, with at most five of its products."""
    problem: Problem = search.problem
    found = []
    for rule, law in enumerate(problem.products):
        if law.treatment == "ignore":
            continue
        for i, (load, place, slot) in sorted(search.worst_loads(rule).items()):
            if load > law.limit:
                found.append(
                    Load(
                        id=search.arrays.carriers[i].id,
                        row=rule,
                        zone=problem.zones[place].id,
                        slot=problem.slots[slot],
                        level_db=round(10 * float(np.log10(load)), 3),
                        products=_products(search, rule, i, place, slot),
                    )
                )
    return found


def _products(search: Search, rule: int, i: int, place: int, slot: int) -> tuple[tuple[str, ...], ...]:
    """The strongest products of a rule's family that hit a carrier; enumerated for this one carrier alone."""
    row = search.air.rows[place][slot]
    law = search.problem.products[rule]
    keep = np.array([j != i for j in row.ids], bool)
    ids = [j for j in row.ids if j != i]
    hz, level, target = row.hz[keep], row.level[keep], int(search.hz[i])
    hits: list[tuple[float, tuple[int, ...]]] = []
    if law.family in search.air.two_letters:
        k, m = search.air.two_letters[law.family]
        near = np.abs(k * hz[:, None] - m * hz[None, :] - target) < law.guard_hz
        np.fill_diagonal(near, False)
        hits = [(float(level[a] ** k * level[b] ** m), (ids[a], ids[b])) for a, b in np.argwhere(near)]
    else:
        for c in range(len(hz)):
            near = np.triu(np.abs(hz[:, None] + hz[None, :] - hz[c] - target) < law.guard_hz, 1)
            near[c, :] = near[:, c] = False
            hits += [
                (float(level[a] * level[b] * level[c]), (ids[a], ids[b], ids[c]))
                for a, b in np.argwhere(near)
            ]
    hits.sort(reverse=True)
    return tuple(tuple(search.arrays.carriers[j].id for j in letters) for _, letters in hits[:PRODUCTS_NAMED])


def unplaced_by_priority(problem: Problem, left: list[str]) -> dict[str, int]:
    counts: dict[str, int] = defaultdict(int)
    priority = {carrier.id: carrier.priority for carrier in problem.carriers}
    for code in left:
        counts[str(priority[code])] += 1
    return dict(sorted(counts.items()))
