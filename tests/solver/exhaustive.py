"""An oracle: the best plan of a small problem in the objective's order, by trying every assignment."""

from typing import Any

from tests.solver.plain import Plain


def best(document: dict[str, Any]) -> tuple[tuple[float, ...], dict[str, int]]:
    """(what is minimised, in its order; the plan that reaches it). Every rule and every cost only grows with more carriers,
    so whatever is broken or dearer than the best so far is not looked into any further."""
    search = _Search(document)
    search.decide(0, {i: search.plain.carriers[i]["fixed_hz"] for i in search.plain.fixed})
    return search.rank, search.plan


class _Search:
    def __init__(self, document: dict[str, Any]) -> None:
        self.plain = Plain(document)
        movable = [i for i in self.plain.carriers if i not in self.plain.fixed]
        self.order = sorted(movable, key=lambda i: self.plain.carriers[i].get("priority", 2))
        self.rank: tuple[float, ...] = (float("inf"),)
        self.plan: dict[str, int] = {}

    def decide(self, depth: int, plan: dict[str, int]) -> None:
        undecided = set(self.order[depth:])
        if self._ranked(plan, undecided) >= self.rank or self._broken(plan, undecided):
            return
        if not undecided:
            self.rank, self.plan = self._ranked(plan, set()), dict(plan)
            return
        i = self.order[depth]
        before = self.plain.carriers[i].get("previous_hz")
        for hertz in sorted(self.plain.raster(i), key=lambda f: f != before):
            self.decide(depth + 1, plan | {i: hertz})
        self.decide(depth + 1, plan)

    def _ranked(self, plan: dict[str, int], undecided: set[str]) -> tuple[float, ...]:
        """The rank if nobody else were left out."""
        *counts, penalty = self.plain.rank(plan)
        for i in undecided:
            counts[self.plain.carriers[i].get("priority", 2) - 1] -= 1
        return (*counts, round(penalty, 9))

    def _broken(self, plan: dict[str, int], undecided: set[str]) -> bool:
        """Whether a rule is broken for good: half a pair may still become a whole one."""
        waiting = {
            ("pair", number)
            for number, row in enumerate(self.plain.document.get("pairs", []))
            if set(row["carriers"]) & undecided
        }
        return bool(self.plain.broken(plan) - waiting)
