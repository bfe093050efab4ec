"""An oracle: the planning format read aloud, on the document itself, by loops that try every combination."""

import itertools
import math
from collections.abc import Iterator, Mapping
from typing import Any

Document = Mapping[str, Any]
# The letters' coefficients as the format writes them, and how many orderings of the letters are one and the same product.
FAMILIES = {
    "2A-B": ((2, -1), 1),
    "A+B-C": ((1, 1, -1), 2),
    "3A-2B": ((3, -2), 1),
    "3A-B-C": ((3, -1, -1), 2),
    "2A+B-2C": ((2, 1, -2), 1),
    "4A-3B": ((4, -3), 1),
}


class Plain:
    """A problem's document, read clause by clause."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.carriers = {c["id"]: c for c in document["carriers"]}
        self.zones = {z["id"]: z for z in document["zones"]}
        self.slots = document.get("slots") or ["always"]
        self.fixed = {i for i, c in self.carriers.items() if c.get("fixed_hz") is not None}

    # -- who is where --------------------------------------------------------------------------

    def sent(self, i: str) -> list[str]:
        return self.carriers[i].get("sent_from") or [self.carriers[i]["zone"]]

    def received(self, i: str) -> list[str]:
        return self.carriers[i].get("received_in") or [self.carriers[i]["zone"]]

    def stands(self, i: str) -> set[str]:
        return {self.carriers[i]["zone"], *self.sent(i), *self.received(i)}

    def on(self, i: str) -> list[str]:
        return self.carriers[i].get("slots") or self.slots

    def together(self, i: str, j: str) -> bool:
        return bool(set(self.on(i)) & set(self.on(j)))

    def hears(self, z: str) -> dict[str, float]:
        heard = self.zones[z].get("hears")
        return {z: 0.0} if heard is None else heard

    def level(self, i: str) -> float:
        return 10 ** (self.carriers[i].get("level_db", 0.0) / 10)

    def width(self, i: str) -> int:
        return self.carriers[i].get("bandwidth_hz", 0)

    def raster(self, i: str) -> list[int]:
        ranges = self.carriers[i]["tuning"]
        return sorted({f for t in ranges for f in range(t["low_hz"], t["high_hz"] + 1, t["step_hz"])})

    def concerned(self, row: Document, i: str) -> bool:
        return ("zones" not in row or bool(set(row["zones"]) & self.stands(i))) and (
            "kinds" not in row or self.carriers[i]["kind"] in row["kinds"]
        )

    # -- rules ---------------------------------------------------------------------------------

    def broken(self, plan: Mapping[str, int]) -> set[tuple[Any, ...]]:
        """Everything that a plan breaks, as comparable tuples (rule, …)."""
        return {*self._alone(plan), *self._separations(plan), *self._linked(plan), *self._products(plan)}

    def _alone(self, plan: Mapping[str, int]) -> Iterator[tuple[Any, ...]]:
        for i in self.fixed:
            if plan.get(i) != self.carriers[i]["fixed_hz"]:
                yield ("fixed", i)
        for i, f in plan.items():
            if i in self.fixed:
                continue
            if f not in self.raster(i):
                yield ("raster", i)
            for number, row in enumerate(self.document.get("blocked", [])):
                if "slots" in row and not set(row["slots"]) & set(self.on(i)):
                    continue
                low, high = f - self.width(i) / 2, f + self.width(i) / 2
                if self.concerned(row, i) and low < row["high_hz"] and high > row["low_hz"]:
                    yield ("blocked", i, number)

    def rows_between(self, i: str, j: str, treatment: str) -> list[Document]:
        """The separation rows that hold for two carriers."""
        rows = [r for r in self.document.get("separations", []) if r.get("treatment", "forbid") == treatment]
        named = [r for r in rows if set(r.get("carriers", ())) == {i, j}]
        if named:
            return named
        found = []
        for row in rows:
            if "zones" not in row:
                continue
            (z, y), (k, m) = row["zones"], row["kinds"]
            readings = [(z, k, y, m), (y, m, z, k)]
            if z == y:
                readings += [(z, m, y, k), (y, k, z, m)]
            for zone, kind, other_zone, other_kind in readings:
                if (
                    zone in self.stands(i)
                    and other_zone in self.stands(j)
                    and self.carriers[i]["kind"] == kind
                    and self.carriers[j]["kind"] == other_kind
                ):
                    found.append(row)
                    break
        return found

    def needs(self, i: str, j: str) -> float:
        rows = self.rows_between(i, j, "forbid")
        if rows:
            return max(row["min_hz"] for row in rows)
        return (self.width(i) + self.width(j)) / 2 if self.stands(i) & self.stands(j) else 0

    def _separations(self, plan: Mapping[str, int]) -> Iterator[tuple[Any, ...]]:
        for i, j in itertools.combinations(plan, 2):
            if self.together(i, j) and not {i, j} <= self.fixed and abs(plan[i] - plan[j]) < self.needs(i, j):
                yield ("separation", frozenset((i, j)))

    def _linked(self, plan: Mapping[str, int]) -> Iterator[tuple[Any, ...]]:
        for number, row in enumerate(self.document.get("pairs", [])):
            a, b = row["carriers"]
            if {a, b} <= self.fixed:
                continue
            if a in plan and b in plan:
                away = plan[b] - plan[a]
                allowed = {row["offset_hz"], -row["offset_hz"] if row.get("either_way") else row["offset_hz"]}
                if away not in allowed:
                    yield ("pair", number)
            elif (a in plan or b in plan) and not {a, b} & self.fixed:
                yield ("pair", number)
        for number, row in enumerate(self.document.get("spans", [])):
            placed = [i for i in row["carriers"] if i in plan]
            if any(i not in self.fixed for i in placed):
                width = max(plan[i] for i in placed) - min(plan[i] for i in placed)
                if width > row["max_span_hz"]:
                    yield ("span", number)

    # -- products ------------------------------------------------------------------------------

    def groups(self, z: str, slot: str, made_in: str, plan: Mapping[str, int]) -> list[dict[str, float]]:
        """Sets of carriers that mix with each other for a zone, at their levels; a gain stands under the key «gain»."""
        on = [i for i in plan if slot in self.on(i) and self.carriers[i].get("mixes", True)]
        if made_in == "transmitters":
            return [
                {"gain": 10 ** (heard / 10)} | {i: self.level(i) for i in on if k in self.sent(i)}
                for k, heard in self.hears(z).items()
            ]
        band = self.zones[z].get("passband")
        group = {"gain": 1.0}
        for i in on:
            heard = [self.hears(z)[k] for k in self.sent(i) if k in self.hears(z)]
            if heard and (not band or any(b["low_hz"] <= plan[i] <= b["high_hz"] for b in band)):
                group[i] = 10 ** ((max(heard) + self.carriers[i].get("level_db", 0.0)) / 10)
        return [group]

    def load(
        self, rule: Document, z: str, slot: str, victim: str, plan: Mapping[str, int], among: set[str]
    ) -> float:
        factors, same = FAMILIES[rule["family"]]
        total = 0.0
        for group in self.groups(z, slot, rule.get("made_in", "receivers"), plan):
            others = [i for i in group if i not in ("gain", victim) and i in among]
            for letters in itertools.permutations(others, len(factors)):
                lands = sum(k * plan[i] for k, i in zip(factors, letters, strict=True))
                if abs(lands - plan[victim]) < rule["guard_hz"]:
                    weights = [group[i] ** abs(k) for k, i in zip(factors, letters, strict=True)]
                    total += group["gain"] * math.prod(weights) / same
        return total

    def loads(self, plan: Mapping[str, int]) -> Iterator[tuple[int, str, str, str, float, float]]:
        """(row, victim, zone, slot, load, load from fixed carriers alone) for each rule that is looked at."""
        for number, rule in enumerate(self.document.get("products", [])):
            if rule["treatment"] == "ignore":
                continue
            for victim in plan:
                if "kinds" in rule and self.carriers[victim]["kind"] not in rule["kinds"]:
                    continue
                for z in self.received(victim):
                    if "zones" in rule and z not in rule["zones"]:
                        continue
                    for slot in self.on(victim):
                        load = self.load(rule, z, slot, victim, plan, set(plan))
                        standing = (
                            self.load(rule, z, slot, victim, plan, self.fixed)
                            if victim in self.fixed
                            else 0.0
                        )
                        yield number, victim, z, slot, load, standing

    @staticmethod
    def limit(rule: Document) -> float:
        return 10 ** (rule.get("limit_db", -40.0) / 10) * (1 + 1e-6)

    def _products(self, plan: Mapping[str, int]) -> Iterator[tuple[Any, ...]]:
        for number, victim, z, slot, load, standing in self.loads(plan):
            rule = self.document["products"][number]
            limit = self.limit(rule)
            if (
                rule["treatment"] == "forbid"
                and load > limit
                and (standing <= limit or load - standing > limit)
            ):
                yield ("product", number, victim, z, slot)

    # -- what costs ----------------------------------------------------------------------------

    def penalty(self, plan: Mapping[str, int]) -> float:
        total = 0.0
        for i, j in itertools.combinations(plan, 2):
            if self.together(i, j) and not {i, j} <= self.fixed:
                apart = abs(plan[i] - plan[j])
                wishes = [r for r in self.rows_between(i, j, "penalise") if apart < r["min_hz"]]
                total += max((r.get("weight", 1.0) * (1 - apart / r["min_hz"]) for r in wishes), default=0.0)
        for row in self.document.get("noise", []):
            samples = [
                (row["low_hz"] + k * row["step_hz"], level) for k, level in enumerate(row["level_dbm"])
            ]
            for i, f in plan.items():
                heard = "zones" not in row or set(row["zones"]) & set(self.received(i))
                if (
                    i in self.fixed
                    or not heard
                    or ("kinds" in row and self.carriers[i]["kind"] not in row["kinds"])
                ):
                    continue
                half = max(self.width(i), row["step_hz"]) / 2
                inside = [level for at, level in samples if abs(at - f) <= half]
                if inside:
                    total += row.get("weight", 1.0) * max(0.0, max(inside) - row["reference_dbm"])
        worst: dict[tuple[int, str], float] = {}
        for number, victim, _, _, load, _ in self.loads(plan):
            rule = self.document["products"][number]
            if rule["treatment"] == "penalise" and load > self.limit(rule):
                worst[number, victim] = max(worst.get((number, victim), 0.0), load)
        return total + sum(
            self.document["products"][n].get("weight", 1.0) * load for (n, _), load in worst.items()
        )

    # -- the objective -------------------------------------------------------------------------

    def moved(self, plan: Mapping[str, int]) -> set[str]:
        return {
            i
            for i, f in plan.items()
            if i not in self.fixed and self.carriers[i].get("previous_hz") not in (None, f)
        }

    def rank(self, plan: Mapping[str, int]) -> tuple[float, ...]:
        """What is minimised, in its order: left out of priority 1, then 2, …; then moved; then the penalty."""
        left = [self.carriers[i].get("priority", 2) for i in self.carriers if i not in plan]
        return (*(left.count(p) for p in range(1, 10)), len(self.moved(plan)), self.penalty(plan))
