"""The exact plan recounted, place by place and slot by slot; only what changed since the last count is counted again."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.utils import timezone

from apps.events.models import Event
from apps.planning import snapshot
from apps.planning.models import Acceptance, Assignment, Verdict
from apps.planning.states import AGREED


@dataclass(frozen=True)
class Breach:
    """A rule that the plan breaks, with the one who suffers first among the carriers."""

    rule: str
    carriers: tuple[str, ...]
    place: str
    slot: str
    words: str
    key: str

    def as_dict(self) -> dict[str, Any]:
        return {
            "breach": self.key, "rule": self.rule, "carriers": list(self.carriers), "zone": self.place, "slot": self.slot,
            "description": self.words,
        }  # fmt: skip


@dataclass(frozen=True)
class Recount:
    """Every breach of a plan, and the digest of exactly that plan and its rules."""

    digest: str
    assignments: Mapping[str, int]
    breaches: tuple[Breach, ...]
    acceptances: Mapping[str, Acceptance]

    @cached_property
    def standing(self) -> tuple[Breach, ...]:
        """Breaches under which nobody's signature stands, or whose acceptance has run out."""
        now = timezone.now()
        valid = {key for key, row in self.acceptances.items() if row.until is None or row.until > now}
        return tuple(breach for breach in self.breaches if breach.key not in valid)


def recount(
    event: Event, *, agreed_only: bool = False, changed: Mapping[str, int | None] | None = None
) -> Recount:
    """Recount the plan, with `changed` ({carrier: hertz or None}) as if it were saved already.

    Counted verdicts are kept under the digest of what is on the air in that place and slot and of its rules; a change
    recounts only the places and slots that it reaches.
    """
    assigned = Assignment.objects.filter(event=event, carrier__withdrawn=False)
    if agreed_only:
        assigned = assigned.filter(state__in=AGREED)
    plan: dict[str, int] = dict(assigned.values_list("carrier__code", "frequency_hz"))
    for code, hertz in (changed or {}).items():
        if hertz is None:
            plan.pop(code, None)
        else:
            plan[code] = hertz
    document = snapshot.freeze(event, all_movable=True).problem
    plan |= {row["id"]: row["fixed_hz"] for row in document["carriers"] if "fixed_hz" in row}
    parts = list(_parts(document, plan))
    known = {
        row.digest: row.breaches
        for row in Verdict.objects.filter(event=event, digest__in=[p.digest for p in parts])
    }
    missing = [part for part in parts if part.digest not in known]
    if missing:
        known |= _count(event, document, plan, missing)
    found = {
        breach["key"]: Breach(**{**breach, "carriers": tuple(breach["carriers"])})
        for part in parts
        for breach in known[part.digest]
    }
    whole = hashlib.sha256("".join(sorted(part.digest for part in parts)).encode()).hexdigest()
    signed = {row.breach: row for row in Acceptance.objects.filter(event=event)}
    return Recount(whole, plan, tuple(found[key] for key in sorted(found)), signed)


@dataclass(frozen=True)
class _Part:
    place: str
    slot: str
    digest: str


def _parts(document: dict[str, Any], plan: Mapping[str, int]) -> list[_Part]:
    """One part per place and slot, and one for the rules that know no place; each with the digest of all it depends on."""
    slots = document["slots"] or ["always"]
    rules = _digest([document["products"], document["blocked"], document["pairs"], document["separations"]])
    on_air = [row for row in document["carriers"] if row["id"] in plan]
    by_place: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in on_air:
        for place in {row["zone"], *row["received_in"]}:
            by_place[place].append(row)
    near: dict[str, set[str]] = {zone["id"]: {zone["id"], *zone["hears"]} for zone in document["zones"]}
    for separation in document["separations"]:
        if "zones" in separation:
            a, b = separation["zones"]
            near[a].add(b)
            near[b].add(a)
    hears = {zone["id"]: zone["hears"] for zone in document["zones"]}
    parts = [_Part("", "", _digest(["anywhere", rules, [[row, plan[row["id"]]] for row in on_air]]))]
    for place, others in sorted(near.items()):
        if not by_place[place]:
            continue
        heard = list({row["id"]: row for other in sorted(others) for row in by_place[other]}.values())
        for slot in slots:
            now = [[row, plan[row["id"]]] for row in heard if not row.get("slots") or slot in row["slots"]]
            parts.append(_Part(place, slot, _digest([place, slot, rules, hears[place], now])))
    return parts


def _digest(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _count(
    event: Event, document: dict[str, Any], plan: Mapping[str, int], parts: list[_Part]
) -> dict[str, list[Any]]:
    from apps.planning.recounting import count  # noqa: PLC0415 - loads numpy and the solver, needed only when something changed

    counted = {part.digest: count(document, plan, part.place, part.slot) for part in parts}
    Verdict.objects.bulk_create(
        [
            Verdict(event=event, place=p.place, slot=p.slot, digest=p.digest, breaches=counted[p.digest])
            for p in parts
        ],
        ignore_conflicts=True,
    )
    return counted
