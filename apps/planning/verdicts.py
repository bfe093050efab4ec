"""The exact plan recounted, place by place and slot by slot; only what changed since the last count is counted again."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from django.conf import settings
from django.core.cache import cache
from django.utils import timezone

from apps.events.models import Event
from apps.planning import snapshot
from apps.planning.models import Acceptance, Assignment, Verdict
from apps.planning.siting import with_its_name
from apps.planning.states import AGREED

PLACE = "{place}"  # stands in kept words for the place's name, which may change
MADE = "{made}"  # and where the product is made: in one place and slot in receivers, in another in transmitters too
WORDING = 5  # of what a verdict keeps: raised when breaches are told in other words, so that kept ones are counted anew


@dataclass(frozen=True)
class Breach:
    """A rule that the plan breaks, with the one who suffers first among the carriers; `where` names the place in words."""

    rule: str
    carriers: tuple[str, ...]
    place: str
    slot: str
    words: str
    key: str
    where: str = ""

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

    @property
    def signed(self) -> list[tuple[Breach, Acceptance]]:
        """Breaches that stay, each with the signature under it."""
        unsigned = {breach.key for breach in self.standing}
        return [(row, self.acceptances[row.key]) for row in self.breaches if row.key not in unsigned]


@dataclass(frozen=True)
class Judged:
    """The whole plan, and of it exactly what an edition would hold: what coordinators agreed to.

    The two may break different rules: a carrier that is only proposed can be the strongest to disturb another, and
    without it somebody else is. So each is counted, and every breach of either can be signed for.
    """

    plan: Recount
    agreed: Recount

    @cached_property
    def breaches(self) -> tuple[Breach, ...]:
        """Those of both, each once; what stands in the way of an edition comes first."""
        held = {breach.key for breach in self.agreed.breaches}
        return (*self.agreed.breaches, *(breach for breach in self.plan.breaches if breach.key not in held))

    @cached_property
    def standing(self) -> tuple[Breach, ...]:
        """Those under which no signature stands (any more)."""
        held = {breach.key for breach in self.agreed.standing}
        return (*self.agreed.standing, *(breach for breach in self.plan.standing if breach.key not in held))

    @cached_property
    def in_edition(self) -> frozenset[str]:
        """The keys of the breaches that an edition would hold."""
        return frozenset(breach.key for breach in self.agreed.breaches)

    @cached_property
    def proposed_that_break(self) -> list[str]:
        """Carriers in unsigned breaches that nobody agreed to yet, so that those breaches are no part of an edition."""
        unsigned = {code for breach in self.plan.standing for code in breach.carriers}
        return sorted(unsigned - self.agreed.assignments.keys())


def judge(event: Event) -> Judged:
    """Recount the whole plan and what is agreed of it."""
    return _Judging(event).counted()


def judged_once(event: Event) -> Judged:
    """As judge(), kept until the event's revision rises: for pages that only tell of it. Signatures are read anew."""
    return _kept(event) or _keep(event, judge(event))


def judged_at_once(event: Event) -> Judged | None:
    """As judged_once(); None where so much has to be counted first that a page shows something else meanwhile."""
    kept = _kept(event)
    if kept is not None:
        return kept
    judging = _Judging(event)
    return None if judging.to_count > settings.COUNT_AT_ONCE_PARTS else _keep(event, judging.counted())


def _key(event: Event) -> str:
    return f"judged:{event.pk}:{event.created_at.timestamp()}:{event.revision}"


def _kept(event: Event) -> Judged | None:
    kept: Judged | None = cache.get(_key(event))
    if kept is None:
        return None
    signed = _signed(event)
    return Judged(replace(kept.plan, acceptances=signed), replace(kept.agreed, acceptances=signed))


def _keep(event: Event, judged: Judged) -> Judged:
    cache.set(_key(event), judged, timeout=3600)
    return judged


class _Judging:
    """The whole plan and what is agreed of it, frozen once: to see how much there is to count, and to count it."""

    def __init__(self, event: Event) -> None:
        self.event = event
        self.document = snapshot.freeze(event, all_movable=True).problem
        self.plans = plan_of(event), plan_of(event, agreed_only=True)

    @property
    def to_count(self) -> int:
        """How many places and slots hold something that was never counted."""
        digests = {
            part.digest for plan in self.plans for part in _parts(self.document, _on_air(self.document, plan))
        }
        known = Verdict.objects.filter(event=self.event).values_list("digest", flat=True)
        return len(digests.difference(known))

    def counted(self) -> Judged:
        plan, agreed = (_recount(self.event, self.document, plan) for plan in self.plans)
        return Judged(plan, agreed)


def recount(
    event: Event, *, agreed_only: bool = False, changed: Mapping[str, int | None] | None = None
) -> Recount:
    """Recount the plan, with `changed` ({carrier: hertz or None}) as if it were saved already.

    Counted verdicts are kept under the digest of what is on the air in that place and slot and of its rules; a change
    recounts only the places and slots that it reaches.
    """
    plan = plan_of(event, agreed_only=agreed_only)
    for code, hertz in (changed or {}).items():
        if hertz is None:
            plan.pop(code, None)
        else:
            plan[code] = hertz
    return _recount(event, snapshot.freeze(event, all_movable=True).problem, plan)


def plan_of(event: Event, *, agreed_only: bool = False) -> dict[str, int]:
    """{carrier: hertz} of the working plan, or of what is agreed of it."""
    assigned = Assignment.objects.filter(event=event, carrier__withdrawn=False)
    if agreed_only:
        assigned = assigned.filter(state__in=AGREED)
    return dict(assigned.values_list("carrier__code", "frequency_hz"))


def _recount(event: Event, document: dict[str, Any], given: Mapping[str, int]) -> Recount:
    plan = _on_air(document, given)
    parts = list(_parts(document, plan))
    known = {
        row.digest: row.breaches
        for row in Verdict.objects.filter(event=event, digest__in=[p.digest for p in parts])
    }
    missing = [part for part in parts if part.digest not in known]
    if missing:
        known |= _count(event, document, plan, missing)
    names = dict(event.zones.values_list("code", "name"))
    alike: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for part in parts:
        for breach in known[part.digest]:
            alike[breach["key"]].append(breach)
    found = {key: _told(rows, names) for key, rows in alike.items()}
    whole = hashlib.sha256("".join(sorted(part.digest for part in parts)).encode()).hexdigest()
    return Recount(whole, plan, tuple(sorted(found.values(), key=_plainest_first)), _signed(event))


def _plainest_first(breach: Breach) -> tuple[bool, tuple[str, ...], str]:
    """Products last: what two carriers or one do to a rule is mended first, and mends many products with it."""
    return breach.rule == "product", breach.carriers, breach.key


def _on_air(document: dict[str, Any], given: Mapping[str, int]) -> dict[str, int]:
    """A plan with the outsiders, who are fixed."""
    return {**given, **{row["id"]: row["fixed_hz"] for row in document["carriers"] if "fixed_hz" in row}}


def _signed(event: Event) -> dict[str, Acceptance]:
    return {row.breach: row for row in Acceptance.objects.filter(event=event)}


def _told(alike: list[dict[str, Any]], names: Mapping[str, str]) -> Breach:
    """A kept breach, from all slots in which it stands: with its place by the name that it has now, and every way it is made."""
    breach = dict(alike[-1])
    made_in = sorted({row["made_in"] for row in alike} - {""})
    del breach["made_in"]
    where = with_its_name(breach["place"], names)
    words = breach["words"].replace(PLACE, where)
    words = words.replace(MADE, f", made in {' and in '.join(made_in)}" if made_in else "")
    return Breach(**{**breach, "carriers": tuple(breach["carriers"]), "words": words, "where": where})


@dataclass(frozen=True)
class _Part:
    place: str
    slot: str
    digest: str


def _parts(document: dict[str, Any], plan: Mapping[str, int]) -> list[_Part]:
    """One part per place and slot, and one for the rules that know no place; each with the digest of all it depends on."""
    slots = document["slots"] or ["always"]
    rules = _digest(
        [WORDING, document["products"], document["blocked"], document["pairs"], document["separations"]]
    )
    on_air = [row for row in document["carriers"] if row["id"] in plan]
    by_place: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in on_air:
        for place in {row["zone"], *row.get("received_in", ())}:
            by_place[place].append(row)
    near: dict[str, set[str]] = {zone["id"]: {zone["id"], *zone["hears"]} for zone in document["zones"]}
    for separation in document["separations"]:
        if "zones" in separation:
            a, b = separation["zones"]
            near[a].add(b)
            near[b].add(a)
    hears = {zone["id"]: zone["hears"] for zone in document["zones"]}
    # Every carrier once, so that what hundreds of places and slots hear of it is a short word.
    token = {row["id"]: _digest([row, plan[row["id"]]]) for row in on_air}
    parts = [_Part("", "", _digest(["anywhere", rules, [token[row["id"]] for row in on_air]]))]
    for place, others in sorted(near.items()):
        if not by_place[place]:
            continue
        heard = list({row["id"]: row for other in sorted(others) for row in by_place[other]}.values())
        for slot in slots:
            now = [token[row["id"]] for row in heard if not row.get("slots") or slot in row["slots"]]
            parts.append(_Part(place, slot, _digest([place, slot, rules, hears[place], now])))
    return parts


def _digest(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _count(
    event: Event, document: dict[str, Any], plan: Mapping[str, int], parts: list[_Part]
) -> dict[str, list[Any]]:
    from apps.planning.recounting import count  # noqa: PLC0415 - loads numpy and the solver, needed only when something changed

    found = count(document, plan, [(part.place, part.slot) for part in parts])
    counted = dict(zip((part.digest for part in parts), found, strict=True))
    Verdict.objects.bulk_create(
        [
            Verdict(event=event, place=p.place, slot=p.slot, digest=p.digest, breaches=counted[p.digest])
            for p in parts
        ],
        ignore_conflicts=True,
    )
    return counted
