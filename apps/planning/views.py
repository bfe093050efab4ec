"""Pages of planning: the devices with what they got, runs, a frequency by hand, breaches."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.html import format_html

from apps.common.choice import Choice, whole_number
from apps.common.errors import Conflict, Fault, Faulty, Missing, Stale, require
from apps.events.actors import Actor
from apps.events.queries import coordinators_of, zones_of
from apps.events.rules import refusal_to_coordinate
from apps.events.setting_up import SetUpPage
from apps.events.views import EventPage, add_refusal
from apps.planning import actions, adopting, asking, documents, inquiring, queries, running, verdicts
from apps.planning.forms import AcceptForm, FrequencyForm, LineFilter, NextEventForm, RunForm
from apps.planning.margins import margin_of, margins_of, margins_of_line
from apps.planning.models import Acceptance, Inquiry, Run, RunDocument
from apps.planning.outlook import outlook
from apps.planning.queries import PlanRow, plan_rows
from apps.planning.renewing import Renewed, renew
from apps.planning.rules import refusal_to_accept, refusal_to_change, refusal_to_inquire
from apps.planning.siting import with_its_name
from apps.planning.states import ACTIVE, AGREED, AssignmentState, RunState
from apps.planning.verdicts import Breach, Recount
from apps.registry import batching, tuning
from apps.registry import views as registry_pages
from apps.registry.forms import BatchForm, ReasonForm, in_megahertz
from apps.registry.guidance import too_narrow
from apps.registry.importing import write_list
from apps.registry.judging import Judgement, Status, fingerprint
from apps.registry.lines import row_of
from apps.registry.models import Batch, Carrier, Registration
from apps.registry.queries import (
    Coordinators,
    asked_tuning,
    carriers_of,
    looked_at_next,
    planned_next,
    registrations_matching,
    registrations_of,
    unfinished_of,
)
from apps.registry.rules import refusal_to_register
from apps.registry.states import RegistrationState
from apps.registry.views import changes_in_words, file_answer

LINES_A_PAGE = 100
LINES_NAMED = 200
LEFT_BEHIND_SHOWN = 20
BREACHES_SAID = 3
FEW = 4


class DeviceList(EventPage):
    """What a department asked for, what it got, and what is missing from it."""

    here = "planning:devices"
    template = "planning/devices.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = LineFilter(request.GET, actor=self.actor)
        found = lines_asked_for(self.actor, form)
        everything = Choice.of(found.values_list("pk", "version"))
        page = Paginator(found, LINES_A_PAGE).get_page(request.GET.get("page"))
        got, coordinators = rows_by_registration(self.actor, page), coordinators_of(self.actor)
        reasons = {key: queries.shared_reasons(rows, {key: len(rows)}) for key, rows in got.items()}
        filtered = bool(form.chosen())
        # Whoever comes for the reason of a few lines finds it before anything else.
        few = [row for row in page if reasons.get(row.pk) or row.not_permitted] if filtered else []
        return self.render(
            why=[(row, "" if reasons.get(row.pk) else row.not_permitted) for row in few] if len(few) <= FEW else [],
            reasons={key: found for key, found in reasons.items() if found},
            form=form, page=page, filtered=filtered, everything=everything, refusal=refusal_to_register(self.actor),
            any_at_all=bool(everything) or registrations_of(self.actor).exists(), unfinished=unfinished_of(self.actor),
            lines=[(row, got[row.pk], missing_from(row)) for row in page],
            follows=what_follows(self.actor, {row: got[row.pk] for row in page}, coordinators),
            narrow=too_narrow(self.event, {row: [item.carrier.role for item in got[row.pk]] for row in page}),
            unplanned={key for key, rows in got.items() if none_planned(rows)},
            coordinators=coordinators,
        )  # fmt: skip


def lines_asked_for(actor: Actor, form: LineFilter) -> QuerySet[Registration]:
    """The lines that the filters of the address leave."""
    chosen = form.chosen()
    found = registrations_matching(actor, chosen)
    return queries.with_frequency(found, chosen["frequency"]) if chosen.get("frequency") else found


def rows_by_registration(actor: Actor, registrations: Iterable[Registration]) -> dict[int, list[PlanRow]]:
    """The carriers of some registrations with their frequencies, in one pass."""
    carriers = carriers_of(actor).filter(registration__in=[row.pk for row in registrations])
    found: dict[int, list[PlanRow]] = defaultdict(list)
    for row in plan_rows(actor, carriers):
        found[row.carrier.registration_id].append(row)
    return found


def what_follows(
    actor: Actor, lines: Mapping[Registration, list[PlanRow]], coordinators: Coordinators
) -> dict[int, str]:
    """{key of a line: what has to happen before its devices may be switched on}, by its state and that of its frequencies."""
    waiting, planned = looked_at_next(coordinators), planned_next(actor, coordinators)

    def follows(line: Registration, got: Iterable[PlanRow]) -> str:
        if line.not_permitted:
            return ""
        if line.state == RegistrationState.DRAFT:
            return "Kept, not handed in yet."
        if line.state == RegistrationState.SUBMITTED:
            return waiting
        states = {row.state for row in got}
        if line.state != RegistrationState.ACCEPTED or not states:
            return ""
        if queries.UNPLANNED in states:
            return planned
        return "Planned; a coordinator has yet to agree." if AssignmentState.PROPOSED in states else ""

    return {line.pk: follows(line, got) for line, got in lines.items()}


def none_planned(got: Iterable[PlanRow]) -> bool:
    return all(row.state == queries.UNPLANNED and not row.assignment for row in got)


def missing_from(registration: Registration) -> list[str]:
    """What its department still has to fill in before a sheet is complete."""
    return [*([] if registration.contact else ["contact"]), *registration.open_settings]


class Device(registry_pages.Device):
    """One line with the carriers that it got: frequencies, states, reasons, margins."""

    template = "planning/device.html"

    def beside(self, registration: Registration) -> dict[str, Any]:
        margins, lower = margins_of_line(self.event, registration)
        got = rows_by_registration(self.actor, [registration])[registration.pk]
        shown = [
            (row, margin, outlook(margin) if margin else "")
            for row in got
            for margin in [margins.get(row.carrier.code)]
        ]
        reasons, coordinators = (
            queries.shared_reasons(got, {registration.pk: len(got)}),
            coordinators_of(self.actor),
        )
        return {
            "got": shown,
            "follows": what_follows(self.actor, {registration: got}, coordinators)[registration.pk],
            # Where they were at an earlier event is told carrier by carrier.
            "none_planned": none_planned(got) and not any(row.carrier.previous_hz for row in got),
            "any_margin": bool(margins),
            "reasons": reasons,
            "lower": lower,
            "coordinators": coordinators,
        }


class Decide(EventPage):
    """One act on many lines: which are meant, what would change and what cannot and why; then the reason, then done."""

    here = "planning:devices"
    template = "planning/decide.html"
    refusal = staticmethod(refusal_to_register)
    DONE: ClassVar[dict[str, str]] = {
        "change": "changed", "accept": "accepted", "send back": "sent back", "withdraw": "withdrawn",
    }  # fmt: skip

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        self.back = f"{reverse('planning:devices', args=[slug])}?{request.GET.urlencode()}"
        self.deed = request.POST.get("do", "")
        require(batching.refusal_to_act(self.actor, batching.Act(self.deed)))
        try:
            self.chosen = self.choice()
            if self.deed not in batching.ACTS or not self.chosen:
                raise Conflict("Tick the lines that are meant, or choose all of them; then say what to do.")
            return self.weighed(request)
        except (Faulty, Conflict) as refusal:
            self.say(refusal)
            return redirect(self.back)

    def choice(self) -> Choice:
        """The ticked rows, or all that the filter shows if they are still those that were shown."""
        if self.request.POST.get("scope") != "all":
            return Choice.read(self.request.POST.getlist("row"))
        found = lines_asked_for(self.actor, LineFilter(self.request.GET, actor=self.actor))
        choice = Choice.of(found.values_list("pk", "version"))
        if choice.digest != self.request.POST.get("all"):
            counted = whole_number(self.request.POST.get("count", ""))
            numbers = (
                f" {counted} lines were meant then; {len(choice)} fit by now." if counted is not None else ""
            )
            raise Conflict(
                f"The list changed since you looked.{numbers} Nothing was done; look at it again, then repeat your choice."
            )
        return choice

    def weighed(self, request: HttpRequest) -> HttpResponse:
        confirmed = "confirmed" in request.POST
        needed = self.deed != "accept"
        reason = ReasonForm(request.POST if confirmed else None, needed=needed)
        given = request.POST if confirmed or "weigh" in request.POST else None
        values = BatchForm(given, actor=self.actor) if self.deed == "change" else None
        if values is not None and given is None:
            return self.shown(values, reason)
        act = batching.Act(self.deed, values.values() if values else {})
        if confirmed and reason.is_valid():
            done: list[Batch] = []
            if self.attempt(
                lambda: done.append(
                    batching.act_on_many(
                        actor=self.actor, choice=self.chosen, act=act, reason=reason.cleaned_data["reason"],
                        seen=request.POST.get("seen"),
                    )
                ),
                reason,
            ):  # fmt: skip
                self.say_done(done[0])
                return redirect(self.back)
        rows = batching.chosen_lines(self.actor, self.chosen)
        now = Choice.of((row.pk, row.version) for row in rows)
        if not confirmed and now.digest != self.chosen.digest:
            messages.warning(
                request, "Some of these lines changed since you looked; here they are as they stand now."
            )
        self.chosen = now
        try:
            judgements = batching.weigh(self.actor, rows, act)
        except Faulty as refusal:
            if values is None:
                raise
            values.is_valid()
            add_refusal(values, refusal)
            return self.shown(values, reason, status=422)
        return self.shown(values, reason, judgements)

    def say_done(self, batch: Batch) -> None:
        number = batch.lines.count()
        words = format_html(
            '{} line{} {}. <a href="{}">Look at it, or undo it</a>', number, "s" if number != 1 else "",
            self.DONE[self.deed], reverse("publishing:batch", args=[self.event.slug, batch.number]),
        )  # fmt: skip
        messages.success(self.request, words)

    def shown(
        self, values: BatchForm | None, reason: ReasonForm, judgements: list[Judgement] | None = None, status: int = 200
    ) -> HttpResponse:  # fmt: skip
        more: dict[str, Any] = {}
        if judgements is not None:
            would = [row for row in judgements if row.status == Status.CHANGED]
            cannot: dict[str, list[str]] = defaultdict(list)
            for row in judgements:
                for fault in row.faults:
                    cannot[fault.message].append(named(row))
            more = {
                "weighed": True, "seen": fingerprint(judgements), "would": len(would),
                "same": sum(row.status == Status.UNCHANGED for row in judgements),
                "unable": sum(row.status == Status.FAULTY for row in judgements),
                "lines": [(named(row), changes_in_words(row)) for row in would[:LINES_NAMED]],
                "more": max(0, len(would) - LINES_NAMED),
                "cannot": [(why, names[:LINES_NAMED], max(0, len(names) - LINES_NAMED)) for why, names in cannot.items()],
            }  # fmt: skip
        return self.render(
            deed=self.deed, choice=self.chosen, back=self.back, values=values, form=reason, status=status,
            done=self.DONE[self.deed], **more,
        )  # fmt: skip


def named(judged: Judgement) -> str:
    return str(judged.existing) if judged.existing else judged.label


class Export(EventPage):
    """The list as a file that imports again; the filters of the address hold."""

    form = "csv"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        zone = ZoneInfo(self.event.timezone)
        rows = lines_asked_for(self.actor, LineFilter(request.GET, actor=self.actor))
        content = write_list((row_of(registration, zone) for registration in rows), self.form)
        return file_answer(content, f"{slug}-devices.{self.form}")


# -- runs -----------------------------------------------------------------------------------


def refusal_to_see_runs(actor: Actor) -> str:
    if actor.sees_all:
        return ""
    return "Runs hold every department's frequencies, so only coordinators and the site desk see them."


class Runs(EventPage):
    """The runs so far, and the door for a new one."""

    here = "planning:runs"
    template = "planning/runs.html"
    refusal = staticmethod(refusal_to_see_runs)

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        agreed = queries.assignments_of(self.actor).filter(state__in=AGREED).exists()
        return self.shown(RunForm(initial={"seconds": f"{settings.RUN_SECONDS:g}", "repair": agreed}))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = RunForm(request.POST)
        asked: list[Run] = []
        if form.is_valid() and self.attempt(
            lambda: asked.append(running.request_run(actor=self.actor, **form.cleaned_data)), form
        ):
            return redirect("planning:run", slug, asked[0].number)
        return self.shown(form, status=422)

    def shown(self, form: RunForm, status: int = 200) -> HttpResponse:
        found = queries.runs_of(self.actor)
        return self.render(
            form=form, status=status, under_way=found.filter(state__in=ACTIVE).first(),
            page=Paginator(found, 50).get_page(self.request.GET.get("page")),
            refused=refusal_to_coordinate(self.actor),
        )  # fmt: skip


class RunPage(EventPage):
    """One run: how far, how good, what is left out and why; stop it, or take its proposal into the plan."""

    here = "planning:runs"
    template = "planning/run.html"
    refusal = staticmethod(refusal_to_see_runs)

    def found(self, number: int) -> Run:
        run = queries.runs_of(self.actor).filter(number=number).first()
        if run is None:
            raise Missing()
        return run

    def get(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        run = self.found(number)
        more: dict[str, Any] = {}
        if run.state in (RunState.DONE, RunState.CANCELLED):
            result = documents.read(run, RunDocument.Role.RESULT)
            if result is not None:
                more |= {**self.left_out(run, result), "has_result": True}
                if run.adopted_at is None:
                    more |= self.proposal(run)
        return self.render(run=run, refused=refusal_to_coordinate(self.actor), **more)

    def left_out(self, run: Run, result: dict[str, Any]) -> dict[str, Any]:
        """Who was left out, each reason of a line once; and which of them were withdrawn since."""
        reasons = adopting.left_out_by(run, result)
        known = {carrier.code: carrier for carrier in carriers_of(self.actor).filter(code__in=reasons)}
        sizes = queries.sizes_of(carrier.registration_id for carrier in known.values())
        eyes = queries.Redaction(self.actor)
        rows = [
            PlanRow(known[code], None, eyes.reasons(known[code], blocked_by))
            for code, blocked_by in reasons.items()
            if code in known
        ]
        return {
            "left_out": queries.shared_reasons(rows, sizes, as_of_run=True),
            "left_out_figures": {
                "spares": sum(carrier.spare_of_id is not None for carrier in known.values()),
                "lines": len({carrier.registration_id for carrier in known.values()}),
                "departments": len({carrier.registration.department_id for carrier in known.values()}),
                "first": sum(carrier.registration.priority == 1 for carrier in known.values()),
            },
            "gone_since": [code for code in reasons if code not in known],
        }

    def proposal(self, run: Run) -> dict[str, Any]:
        proposal = adopting.proposal_of(run)
        codes = [*proposal.changes, *proposal.passed_over]
        known = {carrier.code: carrier for carrier in carriers_of(self.actor).filter(code__in=codes)}
        changes = [(code, known.get(code), old, new) for code, (old, new) in sorted(proposal.changes.items())]
        return {
            "proposal": proposal,
            "new": sum(old is None for _, _, old, _ in changes),
            "gone": sum(new is None for _, _, _, new in changes),
            "spares": sum(
                carrier is not None and carrier.spare_of_id is not None for _, carrier, _, _ in changes
            ),
            "moved": sum(old is not None and new is not None for _, _, old, new in changes),
            "page": Paginator(changes, LINES_A_PAGE).get_page(self.request.GET.get("page")),
            "passed_over": [
                (code, known.get(code), why) for code, why in sorted(proposal.passed_over.items())
            ],
        }

    def post(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        run = self.found(number)
        if request.POST.get("do") == "stop":
            if self.attempt(lambda: running.cancel_run(actor=self.actor, run=run)):
                messages.info(request, f"Run {number} is asked to stop; what it has so far is kept.")
        elif request.POST.get("do") == "adopt":
            adopted: list[adopting.Proposal] = []
            seen = request.POST.get("seen", "")
            if self.attempt(lambda: adopted.append(adopting.adopt(actor=self.actor, run=run, seen=seen))):
                count = len(adopted[0].changes)
                messages.success(request, f"Adopted: {count} carrier{'s' if count != 1 else ''} changed.")
                return redirect(f"{reverse('publishing:review', args=[slug])}?run={number}")
        return redirect(request.path)


class RunProgress(RunPage):
    """The moving part of a run's page; when the run has ended, the whole page is asked for again."""

    template = "planning/progress.html"

    def get(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        run = self.found(number)
        answer = self.render(run=run)
        if not run.active:
            answer["HX-Refresh"] = "true"
        return answer


# -- what the plan breaks -------------------------------------------------------------------


class CountedPage(EventPage):
    """A page that tells what the plan breaks. Where that has to be counted at length it shows at once, and gets the part
    that waits (or the whole) anew with ?count=now; who has no script follows a link there.
    """

    counting = "planning/counting.html"

    def judged(self) -> verdicts.Judged | None:
        if self.request.method != "GET" or self.request.GET.get("count") == "now":
            return verdicts.judged_once(self.event)
        return verdicts.judged_at_once(self.event)


# -- a frequency by hand --------------------------------------------------------------------


class Frequency(CountedPage):
    """One carrier: where it is, and what another frequency would break, before it is saved."""

    here = "publishing:review"
    template = "planning/frequency.html"

    def found(self, code: str) -> PlanRow:
        rows = plan_rows(self.actor, carriers_of(self.actor).filter(code=code))
        if not rows:
            raise Missing()
        return rows[0]

    def get(self, request: HttpRequest, slug: str, code: str) -> HttpResponse:
        row = self.found(code)
        now = row.assignment
        form = FrequencyForm(
            initial={
                "frequency_hz": in_megahertz(now.frequency_hz) if now else "",
                "version": now.version if now else 0,
            }
        )
        return self.shown(row, form)

    def post(self, request: HttpRequest, slug: str, code: str) -> HttpResponse:
        row = self.found(code)
        refused = refusal_to_coordinate(self.actor)
        if refused:
            messages.error(request, refused)
            return redirect(request.path)
        if request.POST.get("do") == "clear":
            return self.clear(request, row)
        typed = request.POST.copy()
        if picked := whole_number(request.POST.get("pick", "")):
            typed["frequency_hz"], typed["shown"], typed["do"] = in_megahertz(picked), "", "look"
        if typed.get("do") == "free" and not typed.get("frequency_hz", "").strip():
            typed["frequency_hz"] = in_megahertz(self.somewhere(row))
        form = FrequencyForm(typed)
        if not form.is_valid():
            return self.shown(row, form, status=422)
        given = form.cleaned_data
        if request.POST.get("do") == "free":
            return self.shown(
                row, form, free=self.free(code, given["frequency_hz"]), near_hz=given["frequency_hz"]
            )
        if given["version"] != (row.assignment.version if row.assignment else 0):
            return self.shown_stale(request, row, given["frequency_hz"])
        effect = effect_of(self.actor, code, given["frequency_hz"])
        if picked:
            return self.shown(row, with_shown(typed, effect["after"]), effect=effect)
        if request.POST.get("do") == "save" and given["shown"] == effect["after"].digest:
            return self.set_frequency(row, form, effect)
        changed = request.POST.get("do") == "save" and bool(given["shown"])
        return self.shown(row, with_shown(typed, effect["after"]), effect=effect, plan_changed=changed)

    def somewhere(self, row: PlanRow) -> int:
        """Where to look for free frequencies when nobody says where: about its own, or amid what it can be tuned to."""
        if row.assignment:
            return row.assignment.frequency_hz
        role = row.carrier.role
        asked = tuning.middle(asked_tuning(row.carrier.registration, role))
        return asked or tuning.middle(role.tuning) or 0

    def set_frequency(self, row: PlanRow, form: FrequencyForm, effect: dict[str, Any]) -> HttpResponse:
        given = form.cleaned_data
        try:
            actions.change_frequency(
                actor=self.actor, carrier=row.carrier, frequency_hz=given["frequency_hz"], reason=given["reason"],
                version=given["version"],
            )  # fmt: skip
        except Stale:
            return self.shown_stale(self.request, self.found(row.carrier.code), given["frequency_hz"])
        except Faulty as refusal:
            add_refusal(form, refusal)
            return self.shown(row, form, status=422, effect=effect)
        said = f"{row.carrier.code} is proposed at {in_megahertz(given['frequency_hz'])} MHz"
        if broken := effect["broken"]:
            told = [breach.words for breach in broken[:BREACHES_SAID]]
            more = [f"and {len(broken) - BREACHES_SAID} more"] if len(broken) > BREACHES_SAID else []
            rules = f"{len(broken)} rule{'s' if len(broken) > 1 else ''}"
            messages.warning(
                self.request,
                "\n".join(
                    [
                        f"{said} and breaks {rules}; before it is published, mend or sign for them:",
                        *told,
                        *more,
                    ]
                ),
            )
        else:
            messages.success(self.request, f"{said}; it breaks no new rule.")
        return redirect(f"{reverse('publishing:review', args=[self.event.slug])}?text={row.carrier.code}")

    def free(self, code: str, near_hz: int | None) -> tuple[asking.Free, ...] | None:
        return asking.free_near(self.event, code, near_hz)

    def clear(self, request: HttpRequest, row: PlanRow) -> HttpResponse:
        reason, version = request.POST.get("reason", ""), request.POST.get("version", "")

        def take_away() -> None:
            if not reason.strip():
                raise Faulty([Fault(0, "reason", "", "Say why; it stands in the journal.")])
            actions.clear_frequency(
                actor=self.actor,
                carrier=row.carrier,
                reason=reason,
                version=whole_number(version),
            )

        if self.attempt(take_away):
            messages.success(request, f"{row.carrier.code} has no frequency now; the next run may place it.")
        return redirect(request.path)

    def shown_stale(self, request: HttpRequest, row: PlanRow, typed_hz: int) -> HttpResponse:
        typed = request.POST.copy()
        typed["version"], typed["shown"] = str(row.assignment.version if row.assignment else 0), ""
        return self.shown(row, FrequencyForm(typed), status=409, stale=True, typed_hz=typed_hz)

    def shown(self, row: PlanRow, form: FrequencyForm, status: int = 200, **more: Any) -> HttpResponse:
        own: list[Breach] = []
        if self.actor.sees_all:
            effect = more.get("effect")
            judged = None if effect else self.judged()
            standing = effect["before"] if effect else judged.plan if judged else None
            own = (
                [breach for breach in standing.breaches if row.carrier.code in breach.carriers]
                if standing
                else []
            )
            more["counting"] = standing is None
            if effect and effect["broken"] and "free" not in more:
                more |= {"free": self.free(row.carrier.code, effect["hertz"]), "near_hz": effect["hertz"]}
            if effect and any(breach.rule == "raster" for breach in effect["broken"]):
                more["reach"] = asking.reach_of(self.event, row.carrier.code, effect["hertz"])
        margin = margin_of(self.event, row.carrier.code) if row.assignment else None
        return self.render(
            margin=margin, outlook=outlook(margin) if margin else "",
            worst_at=with_its_name(margin.place, dict(zones_of(self.actor).values_list("code", "name"))) if margin else "",
            disturbed_by=queries.Redaction(self.actor).disturbed_by(margin) if margin else [],
            row=row, form=form, status=status, refused=refusal_to_change(self.actor, row.assignment),
            reasons=queries.shared_reasons([row], {row.carrier.registration_id: 1}), own=own, **more,
        )  # fmt: skip


def with_shown(given: QueryDict, after: Recount) -> FrequencyForm:
    typed = given.copy()
    typed["shown"] = after.digest
    return FrequencyForm(typed)


def effect_of(actor: Actor, code: str, hertz: int) -> dict[str, Any]:
    """What a carrier at another frequency would break and mend, and whom that concerns."""
    before = verdicts.recount(actor.event)
    after = verdicts.recount(actor.event, changed={code: hertz})
    was, will = {row.key for row in before.breaches}, {row.key for row in after.breaches}
    broken = [row for row in after.breaches if row.key not in was]
    mended = [row for row in before.breaches if row.key not in will]
    margin = margins_of(actor.event, after.assignments).get(code)
    touched = {other for row in broken for other in row.carriers} - {code}
    return {
        "before": before, "after": after, "broken": broken, "mended": mended, "hertz": hertz,
        "margin": margin, "outlook": outlook(margin) if margin else "",
        "affected": list(carriers_of(actor).filter(code__in=touched)),
    }  # fmt: skip


class Remedies(EventPage):
    """What would place those whom the plan leaves out: asked for, looked into by a worker, and kept until it is asked again."""

    here = "publishing:review"
    template = "planning/remedies.html"
    refusal = staticmethod(refusal_to_see_runs)

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        left = [row for row in plan_rows(self.actor) if row.state == queries.LEFT_OUT]
        inquiry = queries.inquiries_of(self.actor).first()
        sizes = queries.sizes_of(row.carrier.registration_id for row in left)
        runs = sorted({row.carrier.left_out.run.number for row in left})
        held = Counter(queries.assignments_of(self.actor).order_by().values_list("state", flat=True))
        return self.render(
            runs=runs, movable=sum(held.values()) > held[AssignmentState.LOCKED], locked=held[AssignmentState.LOCKED],
            left=queries.shared_reasons(left, sizes), count=len(left), inquiry=inquiry,
            answer=queries.Answer.of(inquiry, left, sizes) if inquiry else None, refused=refusal_to_inquire(self.actor),
            coordinators=coordinators_of(self.actor),
        )  # fmt: skip

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        if request.POST.get("do") == "stop":
            asked = self.under_way()
            if asked and self.attempt(lambda: inquiring.stop(actor=self.actor, inquiry=asked)):
                messages.info(request, "Asked to stop; what was found so far is kept.")
        else:
            self.attempt(lambda: inquiring.inquire(actor=self.actor))
        return redirect(request.path)

    def under_way(self) -> Inquiry | None:
        return queries.inquiries_of(self.actor).filter(state__in=ACTIVE).first()


class RemediesProgress(Remedies):
    """The moving part of that page; when the inquiry has ended, the whole page is asked for again."""

    template = "planning/inquiry.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        inquiry = queries.inquiries_of(self.actor).first()
        answer = self.render(inquiry=inquiry, polled=True)
        if inquiry is None or not inquiry.active:
            answer["HX-Refresh"] = "true"
        return answer


# -- breaches -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Unsigned:
    """A breach with all that its card shows; `old` is a signature that ran out, `barred` says why none may stand there."""

    breach: Breach
    carriers: list[tuple[str, Carrier | None]]
    form: AcceptForm
    old: Acceptance | None
    barred: str
    in_edition: bool
    proposed: list[str]


class Breaches(CountedPage):
    """Every rule that the plan as it stands breaks, or what an edition would hold of it: to be mended, or signed for by name."""

    here = "publishing:review"
    template = "planning/breaches.html"
    refusal = staticmethod(refusal_to_see_runs)

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.shown()

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        if request.POST.get("do") == "end":
            return self.end(request)
        form = AcceptForm(request.POST, event=self.event)
        if form.is_valid() and self.attempt(
            lambda: actions.accept_breach(actor=self.actor, **form.cleaned_data), form
        ):
            messages.success(request, "Your name stands under this breach now.")
            return redirect(request.get_full_path())
        return self.shown(form, status=422)

    def end(self, request: HttpRequest) -> HttpResponse:
        key, reason = request.POST.get("acceptance", ""), request.POST.get("reason", "")
        acceptance = queries.acceptances_of(self.actor).filter(pk=whole_number(key) or 0).first()
        if acceptance is None:
            raise Conflict("This acceptance is gone already.")
        if not reason.strip():
            raise Faulty([Fault(0, "reason", "", "Say why the signature is taken back.")])
        if self.attempt(
            lambda: actions.end_acceptance(actor=self.actor, acceptance=acceptance, reason=reason)
        ):
            messages.success(request, "The signature is taken back; the breach stands in the way again.")
        return redirect(request.get_full_path())

    def shown(self, typed: AcceptForm | None = None, status: int = 200) -> HttpResponse:
        judged = self.judged()
        if judged is None:
            return self.render(self.counting, title="Rules that the plan breaks")
        carrier, only = self.request.GET.get("carrier", ""), self.request.GET.get("breach", "")
        open_keys = {row.key for row in judged.standing}
        asked_for = [
            row
            for row in judged.breaches
            if (not carrier or carrier in row.carriers) and (not only or row.key == only)
        ]
        standing = [row for row in asked_for if row.key in open_keys]
        page = Paginator(standing, 50).get_page(self.request.GET.get("page"))
        acceptances = judged.plan.acceptances
        signed = [(row, acceptances[row.key]) for row in asked_for if row.key not in open_keys]
        codes = {code for row in (*page, *(row for row, _ in signed)) for code in row.carriers}
        known = {row.code: row for row in carriers_of(self.actor).filter(code__in=codes)}
        given = typed["breach"].value() if typed is not None else only
        rows = [
            Unsigned(
                breach,
                [(code, known.get(code)) for code in breach.carriers],
                typed
                if typed is not None and breach.key == given
                else AcceptForm(initial={"breach": breach.key}, event=self.event, auto_id=f"{breach.key}_%s"),
                acceptances.get(breach.key),
                refusal_to_accept(breach.rule),
                breach.key in judged.in_edition,
                [code for code in breach.carriers if code not in judged.agreed.assignments],
            )
            for breach in page
        ]
        return self.render(
            page=page, rows=rows, signed=signed, carrier=carrier, only=only, status=status, given=given,
            most=in_most(standing) if not carrier else [],
            in_the_way=len(judged.agreed.standing), in_edition=judged.in_edition, refused=refusal_to_coordinate(self.actor),
        )  # fmt: skip


def in_most(breaches: list[Breach]) -> list[tuple[str, int]]:
    """The carriers that most of many breaches have in common: another frequency for one of them mends the most."""
    counted = Counter(code for breach in breaches for code in set(breach.carriers))
    return [(code, count) for code, count in counted.most_common(3) if 4 * count >= len(breaches) > FEW]


# -- the next event -------------------------------------------------------------------------


class NextEvent(SetUpPage):
    """A new event from this one, on other days."""

    part = "spectrum:event"
    template = "planning/next.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        starts_on = self.event.starts_on + timedelta(days=364)
        return self.render(form=NextEventForm(initial={"name": self.event.name, "starts_on": starts_on}))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        assert request.user.is_authenticated
        person, form = request.user, NextEventForm(request.POST)
        made: list[Renewed] = []
        if form.is_valid() and self.attempt(
            lambda: made.append(renew(actor=self.actor, person=person, **form.cleaned_data)), form
        ):
            self.tell(made[0])
            return redirect("overview:event", made[0].actor.event.slug)
        return self.render(form=form, status=422)

    def tell(self, made: Renewed) -> None:
        messages.success(
            self.request,
            f"The event is there: {made.lines} lines came along, {made.wishes} carriers with a frequency that they wish for.",
        )
        if made.left_behind:
            told = [f"{label}: {fault.field}: {fault.message}" for label, fault in made.left_behind]
            more = [f"and {len(told) - LEFT_BEHIND_SHOWN} more"] if len(told) > LEFT_BEHIND_SHOWN else []
            words = "These lines stayed behind, because they are faulty by now; enter them anew:"
            messages.warning(self.request, "\n".join([words, *told[:LEFT_BEHIND_SHOWN], *more]))
