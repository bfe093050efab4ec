"""Carriers that differ in nothing but their name: whoever reads the plan finds their frequencies rising with their order."""

from collections import defaultdict
from dataclasses import fields, replace
from typing import Any

from apps.solver.problem import Carrier, Problem
from apps.solver.result import Result

FACTS = [field.name for field in fields(Carrier) if field.name != "id"]


def twins(problem: Problem) -> list[list[str]]:
    """Groups of two and more carriers that may change names without anybody noticing, each in the document's order."""
    bound = {code for pair in problem.pairs for code in (pair.first, pair.second)}
    bound |= {code for row in problem.separations for code in row.carriers or ()}
    spans: dict[str, list[int]] = defaultdict(list)
    for number, span in enumerate(problem.spans):
        for code in span.carriers:
            spans[code].append(number)
    groups: dict[tuple[Any, ...], list[str]] = defaultdict(list)
    for carrier in problem.carriers:
        if carrier.id not in bound and carrier.fixed_hz is None and carrier.previous_hz is None:
            key = (*(getattr(carrier, name) for name in FACTS), *spans[carrier.id])
            groups[key].append(carrier.id)
    return [group for group in groups.values() if len(group) > 1]


def in_order(problem: Problem, result: Result) -> Result:
    """The same plan with the names of twins dealt out anew: the first has the lowest frequency, the last is left out."""
    hz = result.assignments
    name: dict[str, str] = {}
    for group in twins(problem):
        rising = sorted(group, key=lambda code: (code not in hz, hz.get(code, 0)))
        name.update(zip(rising, group, strict=True))

    def called(code: str) -> str:
        return name.get(code, code)

    def cause(row: dict[str, Any]) -> dict[str, Any]:
        renamed = dict(row)
        if "carrier" in row:
            renamed["carrier"] = called(row["carrier"])
        if "carriers" in row:
            renamed["carriers"] = [called(code) for code in row["carriers"]]
        return renamed

    new = {called(code): hertz for code, hertz in hz.items()}
    return replace(
        result,
        assignments={carrier.id: new[carrier.id] for carrier in problem.carriers if carrier.id in new},
        unplaced=tuple(
            sorted(
                (replace(row, id=called(row.id), blocked_by=tuple(map(cause, row.blocked_by))) for row in result.unplaced),
                key=lambda row: row.id,
            )
        ),
        loads=tuple(
            sorted(
                (
                    replace(row, id=called(row.id), products=tuple(tuple(map(called, p)) for p in row.products))
                    for row in result.loads
                ),
                key=lambda row: (row.row, row.id),
            )
        ),
    )  # fmt: skip
