"""Where an event stands for one reader, counted, and what needs that reader next."""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from urllib.parse import urlencode

from django.db.models import Case, CharField, Count, F, Q, Value, When
from django.urls import reverse
from django.utils.text import Truncator

from apps.events import queries as events
from apps.events.actors import Actor
from apps.events.models import Department, Role
from apps.onsite.models import Report
from apps.onsite.queries import current_reports_of
from apps.onsite.states import ReportState
from apps.planning.models import Run
from apps.planning.queries import assignments_of, runs_of
from apps.planning.states import AGREED, RunState
from apps.planning.verdicts import Judged
from apps.publishing.changes import since_before
from apps.publishing.queries import standing_edition_of, standing_editions, standing_lines
from apps.registry.asking import needs_of
from apps.registry.queries import carriers_of, registrations_of, with_open_settings
from apps.registry.states import NOT_PERMITTED, RegistrationState
from apps.spectrum.states import PermissionState

LEFT_OUT, NOT_PLANNED = "left out", "not planned yet"
PLACED = ("proposed", "approved", "locked")


@dataclass
class Counts:
    """How many lines are in which state, and how many frequencies; `plannable` are accepted but in no plan yet, or were left
    out by a run that did not know their line as it is now; `spares_left_out` are those left out that are in reserve.

    Lines stand as they do on the device list: what the ruleset refuses counts as that and as nothing else. `late`
    lines wait because they came after the deadline.
    """

    lines: Counter[str] = field(default_factory=Counter)
    frequencies: Counter[str] = field(default_factory=Counter)
    plannable: int = 0
    spares_left_out: int = 0
    late: int = 0

    @property
    def registered(self) -> int:
        return sum(self.lines.values())

    @property
    def wanted(self) -> int:
        return sum(self.frequencies.values())

    @property
    def placed(self) -> int:
        return sum(self.frequencies[state] for state in PLACED)

    @property
    def agreed(self) -> int:
        return sum(self.frequencies[state] for state in AGREED)

    @property
    def no_room_for(self) -> str:
        """Those left out, and how many of them are spares: «5 frequencies found no room, 2 of them spares»."""
        number, spares = self.frequencies[LEFT_OUT], self.spares_left_out
        words = f"{_count(number, 'frequency')} found no room"
        if spares == number:
            return f"{words}: {'a spare' if number == 1 else 'all of them spares'}"
        return f"{words}, {spares} of them {'a spare' if spares == 1 else 'spares'}" if spares else words


@dataclass(frozen=True)
class DepartmentRow:
    """One department's share of the standing."""

    department: Department
    counts: Counts
    edition: int | None


@dataclass(frozen=True)
class Figure:
    """One number with the address of exactly the rows that it counts."""

    name: str
    number: int
    address: str
    state: str = ""


@dataclass(frozen=True)
class Task:
    """Something that waits for the reader: a sentence, and where to do it; `news` waits for somebody else, or is done."""

    text: str
    action: str
    address: str
    urgent: bool = False
    news: bool = False


@dataclass(frozen=True)
class Published:
    """What the editions in force for the reader hold, against the plan as it is now; `edition` is the newest of them."""

    frequencies: int
    differing: int
    edition: int | None


class Standing:
    """Everything that the event page shows. A constant number of queries.

    `judged` says what the plan breaks, or None while that is still to be counted; then `counting` is true and what
    depends on it waits.
    """

    def __init__(self, actor: Actor, judged: Callable[[], Judged | None]) -> None:
        self.actor = actor
        self.judged = judged
        self.departments = list(events.departments_of(actor))
        self.by_department = {row.pk: Counts() for row in self.departments}
        self._count_lines()
        self._count_frequencies()
        self.total = Counts()
        for counts in self.by_department.values():
            self.total.lines += counts.lines
            self.total.frequencies += counts.frequencies
            self.total.plannable += counts.plannable
            self.total.spares_left_out += counts.spares_left_out
            self.total.late += counts.late
        self.editions = {code: edition.number for code, edition in standing_editions(actor.event).items()}
        self.published = self._count_published()
        self.blocked = self.counting = False

    def _count_lines(self) -> None:
        asked_for = [RegistrationState.SUBMITTED, RegistrationState.ACCEPTED]
        standing = Case(
            When(~Q(not_permitted="") & Q(state__in=asked_for), then=Value(NOT_PERMITTED)),
            default=F("state"),
            output_field=CharField(),
        )
        rows = registrations_of(self.actor).exclude(state=RegistrationState.WITHDRAWN).order_by()
        grouped = rows.annotate(standing_now=standing).values_list("department", "standing_now", "late")
        for department, state, late, number in grouped.annotate(number=Count("pk")):
            counts = self.by_department[department]
            counts.lines[state] += number
            if late and state == RegistrationState.SUBMITTED:
                counts.late += number

    def _count_frequencies(self) -> None:
        state = Case(
            When(assignment__isnull=False, then=F("assignment__state")),
            When(~Q(registration__not_permitted=""), then=Value(NOT_PERMITTED)),
            When(left_out__isnull=False, then=Value(LEFT_OUT)),
            default=Value(NOT_PLANNED),
            output_field=CharField(),
        )
        rows = carriers_of(self.actor).order_by().annotate(stands=state)
        changed = Count("pk", filter=Q(registration__updated_at__gt=F("left_out__run__created_at")))
        grouped = rows.values_list("registration__department", "registration__state", "stands").annotate(
            number=Count("pk"), changed=changed, in_reserve=Count("spare_of")
        )
        for department, line_state, stands, number, since, spares in grouped:
            counts = self.by_department[department]
            counts.frequencies[stands] += number
            if stands == LEFT_OUT:
                counts.spares_left_out += spares
            if line_state == RegistrationState.ACCEPTED:
                counts.plannable += number if stands == NOT_PLANNED else since if stands == LEFT_OUT else 0

    def _count_published(self) -> Published:
        lines = standing_lines(self.actor).order_by().values_list("carrier", "content__frequency_hz")
        frozen = {carrier: hertz for carrier, hertz in lines if hertz is not None}
        agreed = assignments_of(self.actor).filter(state__in=AGREED, carrier__withdrawn=False).order_by()
        now = dict(agreed.values_list("carrier__code", "frequency_hz"))
        differing = sum(frozen.get(code) != now.get(code) for code in frozen.keys() | now.keys())
        editions = [row.edition for row in self.rows() if row.edition is not None]
        return Published(len(frozen), differing, max(editions, default=None))

    # -- what the page shows --------------------------------------------------------------------

    def address(self, page: str, *more: object, **filters: str) -> str:
        query = f"?{urlencode(filters)}" if filters else ""
        return reverse(page, args=[self.actor.event.slug, *more]) + query

    def rows(self) -> list[DepartmentRow]:
        whole = self.editions.get("")
        return [
            DepartmentRow(row, self.by_department[row.pk], self.editions.get(row.code, whole))
            for row in self.departments
        ]

    def line_figures(self) -> list[Figure]:
        shown = [
            RegistrationState.ACCEPTED,
            RegistrationState.SUBMITTED,
            RegistrationState.SENT_BACK,
            RegistrationState.DRAFT,
        ]
        figures = [Figure("registered", self.total.registered, self.address("planning:devices"))]
        for state in [*map(str, shown), NOT_PERMITTED]:
            if self.total.lines[state] or state == RegistrationState.ACCEPTED:
                name = "waiting for acceptance" if state == RegistrationState.SUBMITTED else state
                figures.append(
                    Figure(
                        name, self.total.lines[state], self.address("planning:devices", state=state), state
                    )
                )
        return figures

    def frequency_figures(self) -> list[Figure]:
        figures = [Figure("asked for", self.total.wanted, self.frequencies_address())]
        for state in (NOT_PLANNED, LEFT_OUT, NOT_PERMITTED, *PLACED):
            number = self.total.frequencies[state]
            if number or state in PLACED:
                figures.append(Figure(state, number, self.frequencies_address(state), state))
        return figures

    def frequencies_address(self, state: str = "") -> str:
        """Where frequencies in a state are listed: on the review page, or for who has none among the devices."""
        if self.actor.sees_all:
            return self.address("publishing:review", **({"state": state} if state else {}))
        return self.address("planning:devices", **({"frequency": state} if state else {}))

    def tasks(self) -> list[Task]:
        """What needs this reader next, the most pressing first, and among it what is only to be known."""
        if self.actor.coordinates:
            return [
                *self._reported(),
                *self._breaking(),
                *self._accepting(),
                *self._running(),
                *self._setting_up(),
                *self._permitting(),
                *self._planning(),
            ]
        if self.actor.role == Role.LEAD:
            return [*self._reported(), *self._leading()]
        if self.actor.role == Role.DESK:
            return [*self._reported()]
        return []

    def _reported(self) -> Iterable[Task]:
        """Reports of trouble: a coordinator answers them, whoever told them wants to know who is on it and what it was."""
        current = list(current_reports_of(self.actor))
        waiting = [row for row in current if row.state == ReportState.OPEN]
        takers = [row.taken_name for row in waiting]
        if number := len(takers):
            names, nobodys = sorted(set(takers) - {""}), takers.count("")
            if not names:
                who = f"nobody is on {'it' if number == 1 else 'them'} yet"
            else:
                who = f"{' and '.join(names)} {'is' if len(names) == 1 else 'are'} on {'it' if number == 1 else number - nobodys}"
                who += f", nobody on {nobodys}" if nobodys else ""
            whose = "an answer" if self.actor.coordinates else "a coordinator's answer"
            text = f"{_count(number, 'report')} of trouble {'wait' if number > 1 else 'waits'} for {whose}; {who}."
            action = (
                "Read and answer" if self.actor.coordinates else "Read it" if number == 1 else "Read them"
            )
            where = self._where(waiting, ReportState.OPEN)
            yield Task(text, action, where, urgent=self.actor.coordinates, news=not self.actor.coordinates)
        answered = [row for row in current if row.state == ReportState.ANSWERED]
        if answered and not self.actor.coordinates:
            number = len(answered)
            said = f": «{Truncator(answered[0].answer).chars(120)}»" if number == 1 else "."
            text = f"{_count(number, 'report')} of trouble {'have' if number > 1 else 'has'} an answer{said}"
            where = self._where(answered, ReportState.ANSWERED)
            yield Task(text, "Read the answer" if number == 1 else "Read the answers", where, news=True)

    def _where(self, reports: list[Report], state: str) -> str:
        """The page of the one report, or the list of them."""
        if len(reports) == 1:
            return self.address("onsite:report", reports[0].number)
        return self.address("onsite:reports", state=state)

    def _setting_up(self) -> Iterable[Task]:
        event = self.actor.event
        missing = (
            (event.zones, "The event has no zone yet.", "Name its zones", "events:zones"),
            (
                event.departments,
                "The event has no department yet.",
                "Name its departments",
                "events:departments",
            ),
            (
                event.kinds,
                "There is no kind of device to choose from.",
                "Copy kinds from the catalogue",
                "registry:kinds",
            ),
        )
        for rows, text, action, page in missing:
            if not rows.exists():
                yield Task(text, action, self.address(page))
        led = set(event.memberships.filter(role=Role.LEAD).values_list("department", flat=True))
        without = [row.name for row in self.departments if row.pk not in led]
        if without:
            named = ", ".join(without[:4]) + (f" and {len(without) - 4} more" if len(without) > 4 else "")
            yield Task(f"Nobody leads {named}.", "Invite them", self.address("events:people"))

    def _accepting(self) -> Iterable[Task]:
        if number := self.total.lines[RegistrationState.SUBMITTED]:
            late = f", {self.total.late} of them late" if self.total.late else ""
            text = f"{_count(number, 'line')} {'wait' if number > 1 else 'waits'} for acceptance{late}."
            where = self.address("planning:devices", state=RegistrationState.SUBMITTED)
            yield Task(text, "Accept or send back", where, urgent=True)

    def _permitting(self) -> Iterable[Task]:
        """What the ruleset does not permit: to be asked for, or asked for already and with whoever decides."""
        if number := self.total.lines[NOT_PERMITTED]:
            text = f"{_count(number, 'line')} {'ask' if number > 1 else 'asks'} for what the ruleset does not permit here; "
            needs = needs_of(self.actor)
            waits = any(need.state != PermissionState.ASKED for need in needs)
            text += "it is asked for, and until it is granted " if needs and not waits else ""
            action = "See what to ask for" if waits else "See what was asked for" if needs else "See why"
            where = self.address("registry:permissions")
            yield Task(f"{text}those devices must stay off.", action, where, news=not waits)

    def _breaking(self) -> Iterable[Task]:
        """Rules that are broken without a signature: first those that keep an edition from being published."""
        if not self.total.placed:
            return
        judged = self.judged()
        if judged is None:
            self.blocked = self.counting = True
            return
        if in_the_way := judged.agreed.standing:
            yield Task(
                f"{_count(len(in_the_way), 'rule')} {'are' if len(in_the_way) > 1 else 'is'} broken without a signature; "
                "nothing that they concern can be published.",
                "Mend or sign", self.address("planning:breaches"), urgent=True,
            )  # fmt: skip
        elif proposed := judged.proposed_that_break:
            yield Task(
                f"{_count(len(proposed), 'proposed frequency')} {'break' if len(proposed) > 1 else 'breaks'} rules "
                "that nobody signed for.",
                "Mend or sign", self.address("planning:breaches"), urgent=True,
            )  # fmt: skip
        self.blocked = bool(judged.agreed.standing)

    def _running(self) -> Iterable[Task]:
        last: Run | None = runs_of(self.actor).first()
        if last and last.active:
            yield Task(
                f"Run {last.number} is under way.", "Watch it", self.address("planning:run", last.number)
            )
        elif last and last.state == RunState.FAILED:
            yield Task(
                f"Run {last.number} failed.",
                "See why",
                self.address("planning:run", last.number),
                urgent=True,
            )
        elif last and last.state == RunState.DONE and last.adopted_at is None:
            yield Task(
                f"Run {last.number} is a proposal that nobody adopted yet.",
                "Look at it",
                self.address("planning:run", last.number),
            )
        elif self.total.plannable:
            number = self.total.plannable
            wait = f"{_count(number, 'accepted frequency')} {'wait' if number > 1 else 'waits'} for a run"
            yield Task(
                f"{wait}: new, or changed since the last.", "Start a run", self.address("planning:runs")
            )

    def _planning(self) -> Iterable[Task]:
        frequencies = self.total.frequencies
        if frequencies[LEFT_OUT]:
            yield Task(
                f"{self.total.no_room_for}.", "See why, and what would place them",
                self.address("planning:remedies"), urgent=True,
            )  # fmt: skip
        if number := frequencies["proposed"]:
            yield Task(
                f"{_count(number, 'frequency')} {'are' if number > 1 else 'is'} proposed.", "Look through and approve",
                self.address("publishing:review", state="proposed"),
            )  # fmt: skip
        if number := frequencies["approved"]:
            yield Task(
                f"{_count(number, 'frequency')} {'are' if number > 1 else 'is'} approved but may still be moved.",
                "Lock what is promised", self.address("publishing:review", state="approved"),
            )  # fmt: skip
        if self.published.differing and not self.blocked:
            yield Task(
                f"{_count(self.published.differing, 'frequency')} {'differ' if self.published.differing > 1 else 'differs'} "
                "from what people hold in their hands.",
                "Publish", self.address("publishing:publish"),
            )  # fmt: skip

    def _leading(self) -> list[Task]:
        tasks = []
        if not self.total.registered:
            tasks.append(
                Task(
                    "You have registered nothing yet.",
                    "Register a line",
                    self.address("registry:device-new"),
                    urgent=True,
                )
            )
            tasks.append(Task("Is your list in a spreadsheet?", "Import it", self.address("registry:import")))
        for state, text, action in (
            (RegistrationState.SENT_BACK, "came back to you with a reason", "Read it and mend them"),
            (RegistrationState.DRAFT, "not submitted yet", "Submit or withdraw them"),
            (NOT_PERMITTED, "not permitted here: those devices must stay off", "See why"),
        ):
            if number := self.total.lines[state]:
                tasks.append(
                    Task(
                        f"{_count(number, 'line')} {text}.",
                        action,
                        self.address("planning:devices", state=state),
                        urgent=True,
                    )
                )
        if self.total.frequencies[LEFT_OUT]:
            tasks.append(
                Task(
                    f"Of yours, {self.total.no_room_for}.",
                    "See why",
                    self.frequencies_address(LEFT_OUT),
                )
            )
        for row in self.rows():
            if row.edition is not None:
                text = f"The sheet of {row.department.name} is out: edition {row.edition}.{self._moved_on_it(row)}"
                tasks.append(
                    Task(text, "Open the sheet", self.address("publishing:sheet", row.department.code))
                )
        open_lines = registrations_of(self.actor).exclude(state=RegistrationState.WITHDRAWN)
        if number := with_open_settings(open_lines).count():
            have = f"{_count(number, 'line')} {'have' if number > 1 else 'has'} settings still to fill in"
            text = f"{have}, which must match at both ends."
            tasks.append(Task(text, "Fill them in", self.address("planning:devices", sheet="open")))
        return tasks

    def _moved_on_it(self, row: DepartmentRow) -> str:
        """What is different on a department's sheet from the one before, in a sentence."""
        edition = standing_edition_of(self.actor.event, row.department.code)
        since = since_before(self.actor, edition, row.department.code) if edition else None
        if since is None:
            return ""
        if not since.words:
            return f" Nothing on it changed since edition {since.edition}."
        named = ", ".join(f"{unit} {mark}" for unit, mark in list(since.marks.items())[:3])
        count = f" {_count(len(since.words), 'change')} since edition {since.edition}"
        return f"{count}: {named}{' …' if len(since.words) > 3 else '.'}" if named else f"{count}."


def _count(number: int, noun: str) -> str:
    plural = f"{noun[:-1]}ies" if noun.endswith("y") else f"{noun}s"
    return f"{number} {noun if number == 1 else plural}"
