"""Shared reads of runs and the plan. Each begins with what the actor may see; leads never see another department."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.db.models import Count, Prefetch, QuerySet

from apps.events import queries as events
from apps.events.actors import Actor
from apps.events.models import Event
from apps.journal.models import Entry
from apps.planning.margins import Margin
from apps.planning.models import Acceptance, Assignment, FurtherSearch, Inquiry, LeftOut, Run
from apps.planning.reasons import WITHOUT_SHARE, cause_in_words, in_print, in_short, listed, named
from apps.planning.states import AGREED, AssignmentState
from apps.planning.verdicts import Breach
from apps.registry.models import Carrier, Registration
from apps.registry.queries import carriers_of
from apps.registry.states import NOT_PERMITTED


def runs_of(actor: Actor) -> QuerySet[Run]:
    beside = Prefetch("further", FurtherSearch.objects.defer("result"))
    found = Run.objects.filter(event=actor.event).select_related("event").order_by("-number")
    return found.prefetch_related(beside)


def inquiries_of(actor: Actor) -> QuerySet[Inquiry]:
    """What was asked about those left out, the last first; it names every department's carriers."""
    found = Inquiry.objects.filter(event=actor.event).select_related("event").order_by("-number")
    return found if actor.sees_all else found.none()


def assignments_of(actor: Actor) -> QuerySet[Assignment]:
    found = Assignment.objects.filter(events.in_scope(actor, "carrier__registration__department"))
    return found.select_related(
        "carrier__role", "carrier__spare_of", "carrier__registration__department", "carrier__registration__zone",
        "carrier__registration__kind",
    ).order_by("carrier__code")  # fmt: skip


def left_out_of(actor: Actor) -> QuerySet[LeftOut]:
    found = LeftOut.objects.filter(
        events.in_scope(actor, "carrier__registration__department"), carrier__withdrawn=False
    )
    return found.select_related(
        "run", "carrier__registration__department", "carrier__registration__zone"
    ).order_by("carrier__code")


def acceptances_of(actor: Actor) -> QuerySet[Acceptance]:
    return (
        Acceptance.objects.filter(event=actor.event).order_by("pk")
        if actor.sees_all
        else Acceptance.objects.none()
    )


def changed_by_run(event: Event, number: int) -> list[str]:
    """The carriers that adopting a run changed, as the journal tells."""
    found = Entry.objects.filter(event=event.slug, verb=ADOPTED, subject=f"run {number}").first()
    return list(found.changes) if found else []


ADOPTED = "adopted the run"
LEFT_OUT, UNPLANNED = "left out", "not planned yet"
# Several states under one word, where a page counts them together.
TOGETHER: dict[str, tuple[str, ...]] = {"placed": tuple(AssignmentState.values), "agreed": tuple(AGREED)}
PLAN_STATES = (*(state.value for state in AssignmentState), LEFT_OUT, UNPLANNED, NOT_PERMITTED)
PLAN_CHOICES = [
    ("", "all"),
    *((state, state) for state in PLAN_STATES),
    *((word, f"{word}: {', '.join(states[:-1])} or {states[-1]}") for word, states in TOGETHER.items()),
]


def with_frequency(found: QuerySet[Registration], state: str) -> QuerySet[Registration]:
    """Those lines that hold a carrier of which PlanRow.state says this."""
    carriers = carriers_in_state(Carrier.objects.filter(withdrawn=False), state)
    return found.filter(pk__in=carriers.values("registration"))


def carriers_in_state(carriers: QuerySet[Carrier], state: str) -> QuerySet[Carrier]:
    """Those of which PlanRow.state says this, or one of those that the word holds together."""
    if state in AssignmentState.values or state in TOGETHER:
        return carriers.filter(assignment__state__in=TOGETHER.get(state, (state,)))
    carriers = carriers.filter(assignment=None)
    free = carriers.filter(registration__not_permitted="")
    return {
        NOT_PERMITTED: carriers.exclude(registration__not_permitted=""),
        LEFT_OUT: free.exclude(left_out=None),
        UNPLANNED: free.filter(left_out=None),
    }.get(state, carriers.none())


def version_of(carrier: Carrier) -> int:
    """The version of a carrier's place in the plan; 0 while it has none."""
    found = Assignment.objects.filter(carrier=carrier).values_list("version", flat=True).first()
    return found or 0


def with_agreement(actor: Actor, keys: list[int]) -> int:
    """How many of these lines hold a frequency that somebody agreed to."""
    agreed = assignments_of(actor).filter(state__in=AGREED, carrier__withdrawn=False)
    return (
        agreed.filter(carrier__registration__in=keys)
        .order_by()
        .values("carrier__registration")
        .distinct()
        .count()
    )


CAUSES_TOLD = 5
CHANGED_SINCE = "The line was changed since; the next run tries it again."


@dataclass(frozen=True)
class PlanRow:
    """One carrier of the plan: its assignment, or why it has none. Redacted to what its reader may see."""

    carrier: Carrier
    assignment: Assignment | None
    blocked_by: list[dict[str, Any]]

    @property
    def state(self) -> str:
        """Assignment states, and the words for what has none."""
        if self.assignment:
            return self.assignment.state
        if self.carrier.registration.not_permitted:
            return NOT_PERMITTED
        return LEFT_OUT if self.blocked_by else UNPLANNED

    @property
    def why(self) -> str:
        """Why it was left out, in short; and that this may not hold any more once its line was changed."""
        told = in_short(self.blocked_by)
        return f"{CHANGED_SINCE} Before that: {told}" if self.changed_since else told

    @property
    def changed_since(self) -> bool:
        """Whether its line was changed after the run that left it out was asked for."""
        left = getattr(self.carrier, "left_out", None)
        return left is not None and self.carrier.registration.updated_at > left.run.created_at


@dataclass(frozen=True)
class SharedReason:
    """Carriers of one line that are left out for the same reason in short; `of` says how many the line has."""

    rows: list[PlanRow]
    of: int
    why: str

    @property
    def line(self) -> Registration:
        return self.rows[0].carrier.registration

    @property
    def codes(self) -> list[str]:
        return [row.carrier.code for row in self.rows]

    @property
    def whom(self) -> str:
        """«all 4 frequencies», «3 of 4 frequencies, 1 of them a spare», «1 of 4 frequencies, a spare», «its frequency»."""
        count, spares = len(self.rows), sum(row.carrier.spare_of_id is not None for row in self.rows)
        words = f"{count} of {self.of} frequencies"
        if count == self.of:
            words = f"all {count} frequencies" if count > 1 else "its frequency"
        if not spares:
            return words
        if spares == count:
            return f"{words}, {'a spare' if count == 1 else 'all spares'}"
        return f"{words}, {spares} of them {'a spare' if spares == 1 else 'spares'}"

    @property
    def limited(self) -> bool:
        """Whether its line's own limits are among the causes, which its department can widen itself."""
        return any(cause["cause"] == "limits" for cause in self.rows[0].blocked_by)

    @property
    def details(self) -> list[tuple[list[str], list[str]]]:
        """The causes one by one, the largest first, with the carriers that they hold for."""
        alike: dict[tuple[str, ...], list[str]] = {}
        for row in self.rows:
            told, rest = row.blocked_by[:CAUSES_TOLD], row.blocked_by[CAUSES_TOLD:]
            causes = tuple(cause_in_words(cause) for cause in told)
            if rest:
                share = sum(cause["share"] for cause in rest)
                causes += (
                    f"{len(rest)} more, each less than these (together {share:.0%} of what it can tune)",
                )
            alike.setdefault(causes, []).append(row.carrier.code)
        return [(codes, list(causes)) for causes, codes in alike.items()]


def shared_reasons(
    rows: Iterable[PlanRow], sizes: Mapping[int, int], *, as_of_run: bool = False
) -> list[SharedReason]:
    """Those left out, each reason of a line once, in the order in which they come. `sizes`: {line: its carriers}.

    With `as_of_run` what the line has become since is nothing to them."""
    alike: dict[tuple[int, str], list[PlanRow]] = {}
    for row in rows:
        if row.state == LEFT_OUT:
            why = in_short(row.blocked_by) if as_of_run else row.why
            alike.setdefault((row.carrier.registration_id, why), []).append(row)
    return [SharedReason(found, sizes.get(line, len(found)), why) for (line, why), found in alike.items()]


def sizes_of(lines: Iterable[int]) -> dict[int, int]:
    """How many carriers each of these lines has."""
    there = Carrier.objects.filter(registration__in=set(lines), withdrawn=False).order_by()
    return dict(there.values_list("registration").annotate(number=Count("pk")))


def plan_rows(actor: Actor, carriers: QuerySet[Carrier] | None = None) -> list[PlanRow]:
    """The plan as the actor may see it, in the order of carrier codes. A constant number of queries."""
    found = (carriers_of(actor) if carriers is None else carriers).select_related(
        "assignment", "left_out__run"
    )
    rows = list(found)
    eyes = Redaction(actor)
    return [
        PlanRow(row, getattr(row, "assignment", None), eyes.reasons(row, left.blocked_by) if left else [])
        for row in rows
        for left in [getattr(row, "left_out", None)]
    ]


@dataclass(frozen=True)
class Answer:
    """What an inquiry says of those left out, each of them in one of these lists and in no other.

    `stuck`: no change that was tried places them; `not_asked`: their lines stand in no run as they are, or came later.
    """

    stale: bool
    has_room: list[SharedReason]
    helped: list[SharedReason]
    stuck: list[SharedReason]
    not_asked: list[SharedReason]

    @classmethod
    def of(cls, inquiry: Inquiry, left: list[PlanRow], sizes: Mapping[int, int]) -> "Answer":
        asked, room = set(inquiry.left_out), set(inquiry.has_room or ())
        cured = {code for cure in inquiry.cures for code in cure["places"]} - room
        known = {row.carrier.code for row in left}

        def those(codes: set[str]) -> list[SharedReason]:
            return shared_reasons((row for row in left if row.carrier.code in codes), sizes)

        return cls(
            inquiry.revision != inquiry.event.revision,
            those(asked & room), those(asked & cured), those(asked - room - cured), those(known - asked),
        )  # fmt: skip

    @property
    def room_codes(self) -> list[str]:
        return [code for group in self.has_room for code in group.codes]


class Redaction:
    """What others look like to this reader: to a lead, «another department, zone», unless it opened itself.

    Names of confidential departments, and frequencies of any other, never pass.
    """

    def __init__(self, actor: Actor) -> None:
        self.actor = actor
        self._mine: dict[str, tuple[int, str, str]] | None = None

    def _directory(self) -> dict[str, tuple[int, str, str]]:
        if self._mine is None:
            named = set(events.departments_named_to(self.actor).values_list("pk", flat=True))
            self._mine = {
                code: (department, code if department in named else "", zone)
                for code, department, zone in Carrier.objects.filter(event=self.actor.event).values_list(
                    "code", "registration__department_id", "registration__zone__name"
                )
            }
        return self._mine

    @cached_property
    def _confidential(self) -> set[str]:
        """Carriers of confidential departments, this reader's own among them."""
        found = Carrier.objects.filter(event=self.actor.event, registration__department__confidential=True)
        return set(found.values_list("code", flat=True))

    def carrier(self, code: str) -> str:
        """A carrier's name for this reader."""
        if self.actor.sees_all:
            return code
        known = self._directory().get(code)
        if known is None:
            return "somebody outside the event"
        department, name, zone = known
        if name or (self.actor.departments and department in self.actor.departments):
            return code
        return f"another department, {zone}"

    def disturbed_by(self, margin: Margin) -> list[tuple[str, float]]:
        """What disturbs a carrier most, each with its level in dBm, in words that this reader may read.

        Of a product that a department has part in whose names are not for them neither letters nor family are told: with
        the other letters at hand its frequency could be worked out.
        """
        return [
            (f"{in_print(family)} of {listed(codes)}" if family and not others else whom, level_dbm)
            for level_dbm, codes, family in margin.disturbed_by
            for whom, others in [self._disturbing(codes)]
        ]

    def at_risk_from(self, margin: Margin) -> tuple[str, ...]:
        """The same for whoever holds the device: whom to have on the air when it is tested."""
        return tuple(dict.fromkeys(self._disturbing(codes)[0] for _, codes, _ in margin.disturbed_by))

    def _disturbing(self, codes: tuple[str, ...]) -> tuple[str, bool]:
        """Those who disturb alone or together, and whether somebody is among them whose name is not for this reader."""
        others = [self.carrier(code) for code in codes if self.carrier(code) != code]
        if len(codes) == 1:
            return self.carrier(codes[0]), bool(others)
        if others:
            return f"intermodulation with {listed(others)}", True
        return f"{listed(codes)} together", False

    def breach(self, breach: Breach) -> str:
        """A breach in words, each carrier in them by the name that this reader may know, others without their frequency.

        Of a product with others neither letters nor family are told, nor by how much a confidential one is too near:
        with their own frequencies at hand its frequency could be worked out.
        """
        if self.actor.sees_all:
            return breach.words
        others = [code for code in breach.carriers if self.carrier(code) != code]
        if breach.rule == "product" and others:
            whom = listed(self.carrier(code) for code in others)
            return f"Intermodulation with {whom}, in {breach.where}."
        words = breach.words
        if breach.rule == "separation" and self._confidential.intersection(others):
            heard = f" (heard in {breach.where})" if breach.place else ""
            words = f"{' and '.join(breach.carriers)} are nearer in frequency than they need{heard}."
        known = self._directory()
        for code in breach.carriers:
            department = known.get(code, (0, "", ""))[0]
            if self.actor.departments is None or department not in self.actor.departments:
                there = rf"{re.escape(code)}(?![\w-])( \([\d.]+ MHz\)| at [\d.]+ MHz)?"
                words = re.sub(there, self.carrier(code).replace("\\", r"\\"), words)
        return words[:1].upper() + words[1:] if words.startswith("another") else words

    def reasons(self, carrier: Carrier, blocked_by: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Causes with their shares, what takes no share and then the largest first, by names that its reader may know.

        Who may be tuned to a single frequency could work out the last letter of a product there, so of one with others
        neither letters nor family are told.
        """
        shown: dict[tuple[tuple[str, str], ...], float] = {}
        for cause in blocked_by:
            facts = {name: value for name, value in cause.items() if name != "share"}
            if "carrier" in facts:
                facts["carrier"] = self.carrier(facts["carrier"])
            if "carriers" in facts:
                names = {code: self.carrier(code) for code in facts["carriers"]}
                others = [name for code, name in names.items() if name != code]
                if others:
                    facts.pop("family", None)  # as in a margin or a breach
                facts["carriers"] = named(others or names)
            key = tuple(sorted((name, str(value)) for name, value in facts.items()))
            shown[key] = shown.get(key, 0) + cause["share"]
        ordered = sorted(
            shown.items(),
            key=lambda item: (dict(item[0])["cause"] not in WITHOUT_SHARE, -item[1], item[0]),
        )
        return [{**dict(facts), "share": round(share, 4)} for facts, share in ordered]
