"""Runs and the plan for machines."""

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from apps.common.errors import Missing
from apps.common.paging import page_of
from apps.common.serializers import FiniteField, PageFilter, Strict
from apps.events.api import EventView, with_etag
from apps.events.repeats import may_be_repeated
from apps.planning import actions, adopting, documents, inquiring, queries, running, verdicts
from apps.planning.margins import margin_of
from apps.planning.models import FurtherSearch, Inquiry, Run, RunDocument
from apps.planning.queries import PlanRow
from apps.planning.states import RunState
from apps.registry.models import Carrier
from apps.registry.queries import carriers_of


class FurtherSearchSerializer(serializers.ModelSerializer[FurtherSearch]):
    class Meta:
        model = FurtherSearch
        fields = ["seed", "placed", "left_out", "penalty"]
        read_only_fields = fields


class RunSerializer(serializers.ModelSerializer[Run]):
    id = serializers.IntegerField(source="number", read_only=True, help_text="counted within the event")
    state = serializers.ChoiceField(choices=RunState.choices, read_only=True)
    further = FurtherSearchSerializer(
        many=True, read_only=True, help_text="searches with other seeds that other workers made beside"
    )

    class Meta:
        model = Run
        fields = [
            "id", "state", "attempt", "claimed_by", "heartbeat_at", "stage", "share", "carriers", "placed", "left_out", "penalty",
            "worst_load_db", "stopped", "failure", "seconds", "seed", "best_seed", "further", "revision", "requested_by",
            "adopted_at", "adopted_by", "created_at", "started_at", "finished_at",
        ]  # fmt: skip


class RunFilter(PageFilter):
    state = serializers.ChoiceField(required=False, choices=RunState.choices)


class RunRequestSerializer(Strict):
    seconds = FiniteField(required=False, min_value=0.1, max_value=running.MAX_SECONDS)
    seed = serializers.IntegerField(required=False, default=0, min_value=0, max_value=2**31 - 1)
    repair = serializers.BooleanField(
        required=False, default=False, help_text="move as little as possible of what stands"
    )


class ProposalSerializer(serializers.Serializer[Any]):
    changes = serializers.DictField(
        child=serializers.ListField(), help_text="{carrier: [old hertz, new hertz]}, null for none"
    )
    passed_over = serializers.DictField(
        child=serializers.CharField(), help_text="{carrier: why it is left alone}"
    )
    unchanged = serializers.IntegerField()


class RunList(EventView):
    """The event's runs, newest first; and the door for a new one."""

    @extend_schema(operation_id="runs_list", parameters=[RunFilter], responses=page_of(RunSerializer))
    def get(self, request: Request, slug: str) -> Response:
        _coordinators_look(self)
        rows = queries.runs_of(self.actor).filter(**self.filters(RunFilter))
        return self.page(rows, "-number", lambda page: RunSerializer(page, many=True).data)

    @extend_schema(
        operation_id="runs_start", request=RunRequestSerializer, responses={202: RunSerializer},
        description="Asks for a run. It is answered at once with the address, in Location, under which to see how far it is.",
    )  # fmt: skip
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        run = running.request_run(actor=self.actor, **self.given(RunRequestSerializer))
        where = reverse("api:run", args=[slug, run.number], request=request)
        return Response(RunSerializer(run).data, status=202, headers={"Location": where})


def _coordinators_look(view: EventView) -> None:
    """Runs hold every department's carriers; whoever sees only some learns that there is a run from the plan alone."""
    if not view.actor.sees_all:
        raise Missing()


class RunView(EventView):
    def found(self) -> Run:
        _coordinators_look(self)
        run = queries.runs_of(self.actor).filter(number=self.kwargs["number"]).first()
        if run is None:
            raise Missing()
        return run


class RunDetail(RunView):
    """One run: how far it is, or how it ended."""

    @extend_schema(operation_id="runs_read", responses=RunSerializer)
    def get(self, request: Request, slug: str, number: int) -> Response:
        return Response(RunSerializer(self.found()).data)


class RunPaper(RunView):
    """A run's problem or result, in the solver's own format."""

    role = RunDocument.Role.PROBLEM

    @extend_schema(responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, slug: str, number: int) -> Response:
        content = documents.read(self.found(), self.role)
        if content is None:
            raise Missing("This run has no such document yet.")
        return Response(content)


class RunCancel(RunView):
    """Stop a run."""

    @extend_schema(operation_id="runs_stop", request=None, responses={202: RunSerializer})
    @may_be_repeated
    def post(self, request: Request, slug: str, number: int) -> Response:
        return Response(
            RunSerializer(running.cancel_run(actor=self.actor, run=self.found())).data, status=202
        )


class RunAdopt(RunView):
    """What adopting a run would change (GET); adopt it (POST)."""

    @extend_schema(operation_id="runs_proposal", responses=ProposalSerializer)
    def get(self, request: Request, slug: str, number: int) -> Response:
        return Response(_proposal(adopting.proposal_of(self.found())))

    @extend_schema(operation_id="runs_adopt", request=None, responses={200: ProposalSerializer})
    @may_be_repeated
    def post(self, request: Request, slug: str, number: int) -> Response:
        return Response(_proposal(adopting.adopt(actor=self.actor, run=self.found())))


def _proposal(proposal: adopting.Proposal) -> dict[str, Any]:
    return {"changes": proposal.changes, "passed_over": proposal.passed_over, "unchanged": proposal.unchanged}


class CureSerializer(serializers.Serializer[Any]):
    words = serializers.CharField(help_text="the one change, everybody else staying where they are")
    places = serializers.ListField(
        child=serializers.CharField(), help_text="the carriers that it would place"
    )


class InquirySerializer(serializers.ModelSerializer[Inquiry]):
    id = serializers.IntegerField(source="number", read_only=True, help_text="counted within the event")
    state = serializers.ChoiceField(choices=RunState.choices, read_only=True)
    cures = CureSerializer(many=True, read_only=True, help_text="found so far, the most effective first")
    left_out = serializers.ListField(
        child=serializers.CharField(), read_only=True, help_text="whom it asks for"
    )
    has_room = serializers.ListField(
        child=serializers.CharField(), read_only=True, allow_null=True,
        help_text="those of them who have room by now without any change, so that no cure names them; null while not known",
    )  # fmt: skip
    stale = serializers.SerializerMethodField(help_text="the event changed since: ask again")

    class Meta:
        model = Inquiry
        fields = [
            "id", "state", "attempt", "claimed_by", "tried", "total", "left_out", "has_room", "cures", "failure", "revision",
            "stale", "asked_by", "created_at", "finished_at",
        ]  # fmt: skip

    def get_stale(self, inquiry: Inquiry) -> bool:
        return inquiry.revision != inquiry.event.revision


class RemedyList(EventView):
    """What was asked about those left out, newest first; and the door for asking what would place them."""

    @extend_schema(
        operation_id="remedies_list", parameters=[PageFilter], responses=page_of(InquirySerializer)
    )
    def get(self, request: Request, slug: str) -> Response:
        _coordinators_look(self)
        self.filters(PageFilter)
        rows = queries.inquiries_of(self.actor)
        return self.page(rows, "-number", lambda page: InquirySerializer(page, many=True).data)

    @extend_schema(
        operation_id="remedies_ask", request=None, responses={202: InquirySerializer},
        description="Asks which single change would place how many of those left out. Answered at once with the address, in "
        "Location, under which to see what was found so far. One that was stopped, or ran out of time, is gone on with "
        "while the event is the same.",
    )  # fmt: skip
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        _coordinators_look(self)
        inquiry = inquiring.inquire(actor=self.actor)
        where = reverse("api:remedy", args=[slug, inquiry.number], request=request)
        return Response(InquirySerializer(inquiry).data, status=202, headers={"Location": where})


class RemedyView(EventView):
    def found(self) -> Inquiry:
        inquiry = queries.inquiries_of(self.actor).filter(number=self.kwargs["number"]).first()
        if inquiry is None:
            raise Missing()
        return inquiry


class RemedyDetail(RemedyView):
    """What would place those left out, as far as it is known."""

    @extend_schema(operation_id="remedies_read", responses=InquirySerializer)
    def get(self, request: Request, slug: str, number: int) -> Response:
        return Response(InquirySerializer(self.found()).data)


class RemedyCancel(RemedyView):
    """Stop looking; what was found is kept."""

    @extend_schema(operation_id="remedies_stop", request=None, responses={202: InquirySerializer})
    @may_be_repeated
    def post(self, request: Request, slug: str, number: int) -> Response:
        inquiry = inquiring.stop(actor=self.actor, inquiry=self.found())
        return Response(InquirySerializer(inquiry).data, status=202)


class PlanRowSerializer(serializers.Serializer[Any]):
    carrier = serializers.CharField()
    department = serializers.CharField()
    zone = serializers.CharField()
    kind = serializers.CharField()
    label = serializers.CharField()
    spare_of = serializers.CharField(allow_null=True)
    frequency_hz = serializers.IntegerField(allow_null=True)
    power_mw = serializers.FloatField(allow_null=True)
    state = serializers.ChoiceField(choices=queries.PLAN_STATES)
    by_hand = serializers.BooleanField()
    reason = serializers.CharField()
    approved_by = serializers.CharField()
    locked_by = serializers.CharField()
    blocked_by = serializers.ListField(child=serializers.DictField())
    version = serializers.IntegerField()


def represent(row: PlanRow) -> dict[str, Any]:
    registration, assignment = row.carrier.registration, row.assignment
    return {
        "carrier": row.carrier.code,
        "department": registration.department.code,
        "zone": registration.zone.code,
        "kind": registration.kind.code,
        "label": registration.label,
        "spare_of": row.carrier.spare_of.code if row.carrier.spare_of else None,
        "frequency_hz": assignment.frequency_hz if assignment else None,
        "power_mw": assignment.power_mw if assignment else None,
        "state": row.state,
        "by_hand": assignment.by_hand if assignment else False,
        "reason": assignment.reason if assignment else registration.not_permitted,
        "approved_by": assignment.approved_by if assignment else "",
        "locked_by": assignment.locked_by if assignment else "",
        "blocked_by": row.blocked_by,
        "version": assignment.version if assignment else 0,
    }


class PlanFilter(PageFilter):
    department = serializers.CharField(required=False, help_text="code")
    zone = serializers.CharField(required=False, help_text="code")
    kind = serializers.CharField(required=False, help_text="code")
    state = serializers.ChoiceField(required=False, choices=queries.PLAN_STATES)


class PlanList(EventView):
    """The plan as you may see it, by carrier: what has a frequency, and what has none and why."""

    @extend_schema(operation_id="plan_list", parameters=[PlanFilter], responses=page_of(PlanRowSerializer))
    def get(self, request: Request, slug: str) -> Response:
        given = self.filters(PlanFilter)
        carriers = carriers_of(self.actor)
        if state := given.pop("state", ""):
            carriers = queries.carriers_in_state(carriers, state)
        carriers = carriers.filter(**{f"registration__{name}__code": code for name, code in given.items()})

        def show(page: list[Carrier]) -> list[dict[str, Any]]:
            found = carriers_of(self.actor).filter(pk__in=[carrier.pk for carrier in page])
            return [represent(row) for row in queries.plan_rows(self.actor, found)]

        return self.page(carriers, "code", show)


class FrequencySerializer(Strict):
    frequency_hz = serializers.IntegerField(allow_null=True, help_text="null takes the frequency away")
    reason = serializers.CharField()


class BreachSerializer(serializers.Serializer[Any]):
    breach = serializers.CharField()
    rule = serializers.CharField()
    carriers = serializers.ListField(child=serializers.CharField())
    zone = serializers.CharField()
    slot = serializers.CharField()
    description = serializers.CharField()
    in_edition = serializers.BooleanField(
        required=False, help_text="whether the next edition would hold it: all its carriers are agreed to"
    )
    accepted_by = serializers.CharField(required=False)


class PlanOneSerializer(PlanRowSerializer):
    breaches = BreachSerializer(
        many=True, required=False, help_text="what it breaks; for who sees every department"
    )


class OneOfThePlan(EventView):
    def found(self) -> Carrier:
        carrier = carriers_of(self.actor).filter(code=self.kwargs["carrier"]).first()
        if carrier is None:
            raise Missing()
        return carrier


class PlanDetail(OneOfThePlan):
    """One carrier of the plan; PATCH sets its frequency by hand and answers with what that breaks."""

    def shown(self) -> Response:
        row = queries.plan_rows(self.actor, carriers_of(self.actor).filter(code=self.kwargs["carrier"]))[0]
        data = represent(row)
        if self.actor.sees_all:
            found = verdicts.recount(self.actor.event).breaches
            data["breaches"] = [breach.as_dict() for breach in found if row.carrier.code in breach.carriers]
        return with_etag(Response(data), row.assignment.version if row.assignment else 0)

    @extend_schema(operation_id="plan_read", responses=PlanOneSerializer)
    def get(self, request: Request, slug: str, carrier: str) -> Response:
        self.found()
        return self.shown()

    @extend_schema(operation_id="plan_change", request=FrequencySerializer, responses=PlanOneSerializer)
    @may_be_repeated
    def patch(self, request: Request, slug: str, carrier: str) -> Response:
        found = self.found()
        version = self.version_in_hand(queries.version_of(found), found.code)
        given = self.given(FrequencySerializer)
        hertz, reason = given["frequency_hz"], given["reason"]
        if hertz is None:
            actions.clear_frequency(actor=self.actor, carrier=found, reason=reason, version=version)
        else:
            actions.change_frequency(
                actor=self.actor, carrier=found, frequency_hz=hertz, reason=reason, version=version
            )
        return self.shown()


class DisturbingSerializer(serializers.Serializer[Any]):
    words = serializers.CharField(
        help_text="who or which product, as this reader may know it: others stay «another department, zone»"
    )
    level_dbm = serializers.FloatField()


class MarginSerializer(serializers.Serializer[Any]):
    """Levels at the antenna's terminals, null where there is nothing; a model's figures: measure on site."""

    place = serializers.CharField(help_text="where it is worst off")
    wanted_dbm = serializers.FloatField(help_text="at its weakest planned, and faded")
    noise_dbm = serializers.FloatField()
    interference_dbm = serializers.FloatField(allow_null=True)
    products_dbm = serializers.FloatField(allow_null=True)
    needs_db = serializers.FloatField(help_text="how far the wanted signal has to stand over all the rest")
    margin_db = serializers.IntegerField(help_text="left over when everything is at its worst")
    usual_margin_db = serializers.IntegerField()
    disturbed_by = DisturbingSerializer(many=True, help_text="the worst, strongest first")


class PlanMargin(OneOfThePlan):
    """What the model says one carrier has left over, and who disturbs it most; 404 while it has no frequency."""

    @extend_schema(operation_id="plan_margin", responses=MarginSerializer)
    def get(self, request: Request, slug: str, carrier: str) -> Response:
        found = margin_of(self.actor.event, self.found().code)
        if found is None:
            raise Missing()
        told = queries.Redaction(self.actor).disturbed_by(found)
        said = {name: value for name, value in found.as_dict().items() if name != "contributors"}
        return Response(
            said | {"disturbed_by": [{"words": words, "level_dbm": round(level, 1)} for words, level in told]}
        )


class SelectionSerializer(Strict):
    """Carriers by code, or a filter: {} is everything."""

    carriers = serializers.ListField(child=serializers.CharField(), required=False)
    filter = serializers.DictField(child=serializers.CharField(), required=False)
    expected = serializers.IntegerField(
        required=False, help_text="how many rows were shown; another number is refused"
    )
    reason = serializers.CharField(required=False, default="", allow_blank=True)


class ChangedSerializer(serializers.Serializer[Any]):
    changed = serializers.IntegerField()
    carriers = serializers.ListField(child=serializers.CharField())


class PlanAgree(EventView):
    """Approve, lock, unlock or take back many assignments at once, with one reason."""

    act: Any = None

    @extend_schema(request=SelectionSerializer, responses={200: ChangedSerializer})
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        given = self.given(SelectionSerializer)
        selection = actions.Selection(
            tuple(given["carriers"]) if "carriers" in given else None,
            given.get("filter"),
            given.get("expected"),
        )
        codes = type(self).act(actor=self.actor, selection=selection, reason=given["reason"])
        return Response({"changed": len(codes), "carriers": codes})


class PlanApprove(PlanAgree):
    act = staticmethod(actions.approve)


class PlanLock(PlanAgree):
    act = staticmethod(actions.lock)


class PlanUnlock(PlanAgree):
    act = staticmethod(actions.unlock)


class PlanTakeBack(PlanAgree):
    act = staticmethod(actions.take_back)


class AcceptSerializer(Strict):
    breach = serializers.CharField()
    reason = serializers.CharField()
    until = serializers.DateTimeField(required=False, allow_null=True, default=None)


class AcceptedSerializer(serializers.Serializer[Any]):
    breach = serializers.CharField()
    description = serializers.CharField()
    accepted_by = serializers.CharField()


class PlanBreaches(EventView):
    """What the plan as it stands breaks, and what is agreed of it, recounted; POST signs under one breach that stays."""

    @extend_schema(operation_id="plan_breaches", responses=BreachSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        _coordinators_look(self)
        found = verdicts.judge(self.actor.event)
        signed = found.plan.acceptances
        return Response(
            [
                breach.as_dict()
                | {"in_edition": breach.key in found.in_edition}
                | ({"accepted_by": signed[breach.key].accepted_by} if breach.key in signed else {})
                for breach in found.breaches
            ]
        )

    @extend_schema(operation_id="plan_accept", request=AcceptSerializer, responses={201: AcceptedSerializer})
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        row = actions.accept_breach(actor=self.actor, **self.given(AcceptSerializer))
        return Response(
            {"breach": row.breach, "description": row.description, "accepted_by": row.accepted_by}, status=201
        )
