"""Pages that hold the plan against what was published: the review, and publishing itself."""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any, ClassVar

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone

from apps.common.choice import Choice, whole_number
from apps.common.errors import Conflict, Fault, Faulty
from apps.events.models import Department
from apps.events.queries import coordinators_of
from apps.events.rules import refusal_to_coordinate
from apps.events.views import EventPage
from apps.planning import actions, verdicts
from apps.planning import views as planning_pages
from apps.planning.actions import Selection
from apps.planning.margins import Margin, standing_margins
from apps.planning.outlook import outlook
from apps.planning.queries import (
    LEFT_OUT,
    TOGETHER,
    PlanRow,
    assignments_of,
    changed_by_run,
    plan_rows,
    shared_reasons,
    sizes_of,
)
from apps.planning.states import AGREED, AssignmentState
from apps.planning.views import refusal_to_see_runs
from apps.publishing import changes, differences, rendering
from apps.publishing.actions import concerns_any, publish_parts
from apps.publishing.differences import Published
from apps.publishing.forms import PublishForm, ReviewFilter
from apps.publishing.models import Edition
from apps.publishing.sheets import Since
from apps.registry import batching
from apps.registry.forms import ReasonForm
from apps.registry.models import Registration
from apps.registry.queries import BY_CODE, carriers_of, registrations_of
from apps.registry.states import RegistrationState, may_move

ROWS_A_PAGE = 100
NAMED = 20
NEXT = {
    "approve": AssignmentState.PROPOSED,
    "lock": AssignmentState.APPROVED,
}  # what leads, while there is some of it


@dataclass(frozen=True)
class Shown:
    """A row of the plan with what changed about it since the last edition."""

    row: PlanRow
    since: str
    held_hz: int | None
    margin: Margin | None = None

    @property
    def outlook(self) -> str:
        """What the margin lets expect, as a word; empty without a frequency."""
        return outlook(self.margin) if self.margin else ""

    @property
    def item(self) -> str:
        return f"{self.row.carrier.code}:{self.version}"

    @property
    def version(self) -> int:
        return self.row.assignment.version if self.row.assignment else 0


class ReviewPage(EventPage):
    """What the review's pages share: the rows that the address asks for."""

    here = "publishing:review"

    def filtered(self, form: ReviewFilter) -> list[Shown]:
        """The plan as the actor may see it, in the order of carriers, as the filters leave it."""
        chosen = form.chosen()
        carriers = carriers_of(self.actor)
        if number := whole_number(self.request.GET.get("run", "")):
            carriers = carriers.filter(code__in=changed_by_run(self.event, number))
        for name in BY_CODE:
            if chosen.get(name):
                carriers = carriers.filter(**{f"registration__{name}__code": chosen[name]})
        held = differences.published(self.actor)
        known = standing_margins(self.event)
        words = chosen.get("text", "").casefold().split()
        found = [
            shown
            for row in plan_rows(self.actor, carriers)
            for shown in [self.shown_row(row, held, known)]
            if row.state in TOGETHER.get(state := chosen.get("state", row.state), (state,))
            and chosen.get("since", shown.since) == shown.since
            and chosen.get("outlook", shown.outlook) == shown.outlook
            and all(word in _words(row) for word in words)
        ]
        return sorted(found, key=_worst_first) if chosen.get("order") == "margin" else found

    @staticmethod
    def shown_row(row: PlanRow, held: Published, known: dict[str, Margin]) -> Shown:
        code = row.carrier.code
        return Shown(row, differences.difference(row, held), held.frequencies.get(code), known.get(code))


def _worst_first(shown: Shown) -> tuple[bool, tuple[int, int]]:
    """Least margin first; what has no frequency has none and comes last."""
    return shown.margin is None, shown.margin.order if shown.margin else (0, 0)


def _words(row: PlanRow) -> str:
    registration = row.carrier.registration
    reason = row.assignment.reason if row.assignment else ""
    return f"{row.carrier.code} {registration.label} {registration.kind.name} {registration.zone.name} {reason}".casefold()


class Review(ReviewPage):
    """The plan, row by row: what it is, what changed since the last edition, and many agreed to at once."""

    template = "publishing/review.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = ReviewFilter(request.GET, actor=self.actor)
        rows = self.filtered(form)
        everything = Choice.of((shown.row.carrier.code, shown.version) for shown in rows)
        page = Paginator(rows, ROWS_A_PAGE).get_page(request.GET.get("page"))
        left = [shown.row for shown in page if shown.row.state == LEFT_OUT]
        sizes = sizes_of(row.carrier.registration_id for row in left) if left else {}
        reasons = shared_reasons(left, sizes)
        return self.render(
            reasons={reason.codes[0]: reason for reason in reasons},
            same_as={code: reason.codes[0] for reason in reasons for code in reason.codes[1:]},
            form=form, page=page, filtered=bool(form.chosen() or request.GET.get("run")), everything=everything,
            run=whole_number(request.GET.get("run", "")), coordinators=coordinators_of(self.actor),
            any_at_all=bool(rows) or carriers_of(self.actor).exists(),
            refused=refusal_to_coordinate(self.actor), approved=self.just_approved(),
            next_deed=next((deed for deed, state in NEXT.items() if any(shown.row.state == state for shown in rows)), ""),
        )  # fmt: skip

    def just_approved(self) -> Choice:
        """What the act of the moment in the address agreed to and nobody locked or moved since: it may be locked next."""
        try:
            moment = datetime.fromisoformat(self.request.GET.get("approved", ""))
        except ValueError:
            return Choice({})
        if timezone.is_naive(moment):
            return Choice({})
        rows = assignments_of(self.actor).filter(state=AssignmentState.APPROVED, approved_at=moment)
        return Choice.of(rows.values_list("carrier__code", "version"))


class Decide(ReviewPage):
    """Many rows approved, locked, unlocked, taken back or sent back: how many and which first, then why, then done."""

    template = "publishing/decide.html"
    refusal = staticmethod(refusal_to_coordinate)
    # verb: (what it does, states that it is for, what it says when done)
    DEEDS: ClassVar[dict[str, tuple[Callable[..., list[str]], str, str]]] = {
        "approve": (actions.approve, AssignmentState.PROPOSED, "approved"),
        "lock": (actions.lock, AssignmentState.APPROVED, "locked"),
        "unlock": (actions.unlock, AssignmentState.LOCKED, "unlocked"),
        "take back": (actions.take_back, AssignmentState.APPROVED, "taken back"),
    }

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        back = f"{reverse('publishing:review', args=[slug])}?{request.GET.urlencode()}"
        deed = request.POST.get("do", "")
        try:
            choice = self.choice()
            if deed not in (*self.DEEDS, "send back") or not choice:
                raise Conflict("Tick the rows that are meant, or choose all of them; then say what to do.")
            if deed == "send back":
                return self.send_back(choice, back)
            return self.agree(deed, choice, back)
        except (Faulty, Conflict) as refusal:
            self.say(refusal)
            return redirect(back)

    def choice(self) -> Choice:
        if self.request.POST.get("scope") != "all":
            return Choice.read(self.request.POST.getlist("row"))
        rows = self.filtered(ReviewFilter(self.request.GET, actor=self.actor))
        choice = Choice.of((shown.row.carrier.code, shown.version) for shown in rows)
        if choice.digest != self.request.POST.get("all"):
            raise Conflict("The plan changed since you looked. Look at it again, then repeat your choice.")
        return choice

    def agree(self, deed: str, choice: Choice, back: str) -> HttpResponse:
        act, state, done = self.DEEDS[deed]
        chosen = [row for row in plan_rows(self.actor) if row.carrier.code in choice.versions]
        now = {row.carrier.code: row.assignment.version if row.assignment else 0 for row in chosen}
        choice.refuse_changed(now)
        fit = [row for row in chosen if row.assignment and row.assignment.state == state]
        others: dict[str, int] = {}
        for row in chosen:
            if row not in fit:
                others[row.state] = others.get(row.state, 0) + 1
        meant = Choice({row.carrier.code: choice.versions[row.carrier.code] for row in fit})
        confirmed = "confirmed" in self.request.POST
        needed = deed in ("unlock", "take back")
        form = ReasonForm(self.request.POST if confirmed else None, needed=needed)
        if confirmed and form.is_valid():
            reason = form.cleaned_data["reason"]
            if self.attempt(
                lambda: act(actor=self.actor, selection=Selection.of(meant), reason=reason), form
            ):
                messages.success(
                    self.request, f"{len(meant)} carrier{'s' if len(meant) != 1 else ''} {done}."
                )
                return redirect(self.to_lock(meant) if deed == "approve" else back)
        return self.render(
            form=form, deed=deed, choice=meant, back=back, others=others, wanted=state, total=len(choice),
            named=[_line_of(row) for row in fit[:NAMED]], more=max(0, len(fit) - NAMED), reason_needed=needed,
            **(self.doubts(meant) if deed in ("approve", "lock") and not confirmed else {}),
        )  # fmt: skip

    def to_lock(self, meant: Choice) -> str:
        """Back to the review, where the ones just approved may be locked although the filters no longer show them."""
        asked = self.request.GET.copy()
        if one := assignments_of(self.actor).filter(carrier__code=next(iter(meant.versions), "")).first():
            asked["approved"] = str(one.approved_at)
        return f"{reverse('publishing:review', args=[self.event.slug])}?{asked.urlencode()}"

    def doubts(self, meant: Choice) -> dict[str, Any]:
        """What speaks against agreeing: rules that the chosen break without a signature, and margins that are usually short.

        `thin`: how many more are short only when everything is at its worst at once."""
        known = {code: row for code, row in standing_margins(self.event).items() if code in meant.versions}
        broken = verdicts.recount(self.event).standing
        short = [(code, margin) for code, margin in known.items() if margin.usual_margin_db < 0]
        return {
            "broken": [row for row in broken if any(code in meant.versions for code in row.carriers)],
            "short": sorted(short, key=lambda row: (row[1].order, row[0])),
            "thin": sum(row.margin_db < 0 <= row.usual_margin_db for row in known.values()),
        }

    def send_back(self, choice: Choice, back: str) -> HttpResponse:
        """The lines behind the chosen carriers go back to their leads."""
        found = registrations_of(self.actor).filter(carriers__code__in=choice.versions).distinct()
        rows = [row for row in found if may_move(row.state, RegistrationState.SENT_BACK)]
        meant = Choice.of((row.pk, row.version) for row in rows)
        confirmed = "confirmed" in self.request.POST
        form = ReasonForm(self.request.POST if confirmed else None, needed=True)
        if confirmed and form.is_valid():
            lines = Choice.read([self.request.POST.get("lines", "")])
            reason = form.cleaned_data["reason"]
            if self.attempt(
                lambda: batching.act_on_many(
                    actor=self.actor, choice=lines, act=batching.Act("send back"), reason=reason
                ),
                form,
            ):
                messages.success(
                    self.request, f"{len(lines)} line{'s' if len(lines) != 1 else ''} sent back."
                )
                return redirect(back)
        return self.render(
            form=form, deed="send back", choice=choice, lines=meant, back=back, total=len(choice), reason_needed=True,
            named=[f"{row}, {row.zone.name}" for row in rows[:NAMED]], more=max(0, len(rows) - NAMED), others={},
        )  # fmt: skip


def _line_of(row: PlanRow) -> str:
    registration = row.carrier.registration
    hertz = row.assignment.frequency_hz if row.assignment else 0
    return f"{row.carrier.code} at {rendering.megahertz(hertz)} MHz: {registration.label}, {registration.zone.name}"


class Line(planning_pages.Device):
    """One line with the carriers that it got, and which of them stand on paper already."""

    def beside(self, registration: Registration) -> dict[str, Any]:
        more = super().beside(registration)
        held = differences.published(self.actor)
        edition = held.editions.get(registration.department.code)
        on_paper = {
            row.carrier.code: held.frequencies.get(row.carrier.code) == row.assignment.frequency_hz
            for row, _, _ in more["got"]
            if row.assignment
        }
        return more | {
            "edition": edition,
            "on_paper": on_paper,
            "held": held.frequencies,
            "all_on_paper": all(on_paper.values()),
        }


# -- publishing -----------------------------------------------------------------------------


class Publish(planning_pages.CountedPage):
    """What a new edition would change and for whom, what stands in its way, who signed for what; and the act itself."""

    here = "publishing:publish"
    template = "publishing/publish.html"
    refusal = staticmethod(refusal_to_see_runs)

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        """Ticked for whoever has not chosen yet: at first all, later those whose sheets would change."""
        chosen = request.GET.getlist("department")
        form = PublishForm(actor=self.actor, initial={"department": chosen})
        if not chosen:
            changed = self.changed_sheets
            form.initial["department"] = [
                row.code for row in form.known if changed is None or row.code in changed
            ]
        return self.shown(form)

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = PublishForm(request.POST, actor=self.actor)
        done: list[Edition] = []
        if "not_yet" in request.POST:
            typed = {name: form[name].value() for name in form.fields}
            return self.shown(PublishForm(actor=self.actor, initial=typed))
        if "confirmed" not in request.POST:
            return self.asked(form)
        if form.is_valid() and self.attempt(lambda: done.extend(self.publish(form)), form):
            numbers = in_a_row(edition.number for edition in done)
            said = f"Editions {numbers} are" if len(done) > 1 else f"Edition {numbers} is"
            messages.success(request, f"{said} published.")
            return redirect("publishing:sheets", slug)
        return self.shown(form, refused=True)

    @cached_property
    def changed_sheets(self) -> set[str] | None:
        """Codes of the departments for whom publishing would change something; None before the first edition."""
        return {code for code, since in self.since_now.items() if since.words} if self.since_now else None

    @cached_property
    def since_now(self) -> dict[str, Since]:
        """What each department that holds a sheet would find changed on a new one."""
        return changes.since_now(self.actor) if self.event.editions.exists() else {}

    def asked(self, form: PublishForm) -> HttpResponse:
        """The question before the act: who gets new paper, what must stay off on it, and whether anything is in the way."""
        codes = {row.code for row in form.ticked}
        rows = [row for row in plan_rows(self.actor) if row.carrier.registration.department.code in codes]
        on = [row for row in rows if row.state in AGREED]
        counted = verdicts.recount(self.event, agreed_only=True)
        standing = [breach for breach in counted.standing if concerns_any(breach, form.parts)]
        refused = refusal_to_coordinate(self.actor)
        if not refused and self.request.POST.get("seen") != counted.digest:
            refused = "The plan changed since you looked. Look again at what this edition would change."
        if refused:
            form.add_error(None, refused)
        if not form.is_valid() or standing or not on:
            return self.shown(form, refused=True)
        first = (self.event.editions.aggregate(last=Max("number"))["last"] or 0) + 1
        return self.render(
            "publishing/publish_question.html", form=form, seen=counted.digest, on=len(on), off=len(rows) - len(on),
            whole=form.parts == [None], signed=[row for row in counted.signed if concerns_any(row[0], form.parts)],
            readers=len({row.carrier.registration.department_id for row in rows}),
            numbers=in_a_row(range(first, first + len(form.parts))),
            approved=sum(row.state == AssignmentState.APPROVED for row in on),
            changes=sum(len(since.words) for code, since in self.since_now.items() if code in codes),
            unset=Unset.of(on),
        )  # fmt: skip

    def publish(self, form: PublishForm) -> list[Edition]:
        """Publish what was looked at: a plan that changed meanwhile is refused."""
        seen = self.request.POST.get("seen", "")
        if not seen:
            raise Faulty([Fault(0, "seen", "", "Open the page again, look at what changes, then publish.")])
        return publish_parts(
            actor=self.actor, note=form.cleaned_data["note"].strip(), parts=form.parts, seen=seen,
            lock=form.cleaned_data["lock"],
        )  # fmt: skip

    def shown(self, form: PublishForm, *, refused: bool = False) -> HttpResponse:
        """The page; after an attempt that was `refused`, it says so first."""
        parts = form.parts or [None]
        judged = self.judged()
        if judged is None:
            return self.render(self.counting, title="Publish")
        rows = plan_rows(self.actor)
        agreed = Counter(row.carrier.registration.department.code for row in rows if row.state in AGREED)
        waiting = Counter(row.state for row in rows if row.state not in AGREED)
        proposed = Counter(
            row.carrier.registration.department.code for row in rows if row.state == AssignmentState.PROPOSED
        )
        ticked = {row.code for row in form.ticked}
        changed = self.changed_sheets or set()
        standing = [breach for breach in judged.agreed.standing if concerns_any(breach, parts)]
        departments = [
            Reader(
                row, self.since_now.get(row.code), agreed[row.code], proposed[row.code], row.code in ticked
            )
            for row in form.known
        ]
        return self.render(
            most=planning_pages.in_most(standing),
            form=form, status=422 if refused else 200, not_published=refused, seen=judged.agreed.digest,
            standing=standing,
            signed=[row for row in judged.agreed.signed if concerns_any(row[0], parts)],
            whole=parts == [None], waiting=sorted(waiting.items()), breaking=judged.proposed_that_break,
            agreed=agreed.total(), refused=refusal_to_coordinate(self.actor),
            last=self.event.editions.order_by("-number").first(), proposed=proposed.total(),
            changed=[row.name for row in form.known if row.code in changed],
            unset=Unset.of(row for row in rows if row.state in AGREED),
            approved=sum(row.state == AssignmentState.APPROVED for row in rows),
            departments=departments, unchanged=[row.department.name for row in departments if row.unchanged],
        )  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """A department on the page: what its sheet of a new edition would tell as changed, and what waits and is no part of it.

    `since`: None where it holds no sheet yet; `agreed`: how many frequencies its sheet would hold."""

    department: Department
    since: Since | None
    agreed: int
    proposed: int
    ticked: bool

    @property
    def unchanged(self) -> bool:
        return self.since is not None and not self.since.words and not self.proposed


@dataclass(frozen=True)
class Unset:
    """The lines on whose sheets room would be left for settings that nobody has filled in, by department."""

    by_department: dict[Department, list[Registration]]

    @classmethod
    def of(cls, rows: Iterable[PlanRow]) -> "Unset":
        lines = {row.carrier.registration_id: row.carrier.registration for row in rows}
        found: dict[Department, list[Registration]] = {}
        for line in lines.values():
            if line.open_settings:
                found.setdefault(line.department, []).append(line)
        return cls(found)

    @property
    def count(self) -> int:
        return sum(map(len, self.by_department.values()))


def in_a_row(numbers: Iterable[int]) -> str:
    """«4», «4 and 5», «4, 5 and 6»."""
    *first, last = map(str, numbers)
    return f"{', '.join(first)} and {last}" if first else last
