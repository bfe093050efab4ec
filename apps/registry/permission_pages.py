"""The pages of permissions: what has to be asked for, the list that goes out, the answers that come back, each by hand."""

from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from apps.common.errors import Conflict, Faulty, Stale
from apps.events.setting_up import Changing, Difference, SetUpPage
from apps.registry import asking, permitting
from apps.registry.forms import AnswersForm, PermissionForm
from apps.registry.permission_lists import decoded, read_list, write_list
from apps.registry.views import file_answer
from apps.spectrum.models import Permission
from apps.spectrum.queries import permissions_of
from apps.spectrum.rulesets import ruleset
from apps.spectrum.states import PermissionState

# What to do next about permissions in each state.
NEXT = (
    (PermissionState.ASKED, "Take the list to whoever decides; fill their answers in."),
    (PermissionState.GRANTED, "Carry the papers on site and keep the conditions."),
    (
        PermissionState.REFUSED,
        "Have the lines changed, ask for less, or send the lines back: until then they stay off.",
    ),
    (PermissionState.LAPSED, "Ask for an extension, or switch those devices off."),
)


class PermissionPage(SetUpPage):
    part = "registry:permissions"

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.event.timezone)


class Permissions(PermissionPage):
    """What has to be asked for, and everything asked, granted, refused and lapsed, each with its next step."""

    template = "registry/permissions.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self._show([])

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        chosen = request.POST.getlist("need")
        if not chosen:
            messages.error(request, "Tick what was asked for.")
            return self._show([])
        made: list[asking.Answer] = []
        if self.attempt(lambda: made.extend(permitting.ask(actor=self.actor, needs=chosen))):
            messages.success(
                request,
                f"Noted as asked for: {', '.join(row.code for row in made)}. The list below goes to whoever decides.",
            )
            return redirect(request.path)
        return self._show(chosen)

    def _show(self, chosen: list[str]) -> HttpResponse:
        rows: dict[str, list[Permission]] = {state: [] for state, _ in NEXT}
        for row in permissions_of(self.actor):
            rows[row.state].append(row)
        needs = asking.needs_of(self.actor)
        return self.render(
            needs=[need for need in needs if need.state != PermissionState.ASKED], chosen=chosen,
            waiting=[need for need in needs if need.state == PermissionState.ASKED],
            sections=[(state, step, rows[state]) for state, step in NEXT if rows[state]], law=ruleset(self.event.ruleset),
        )  # fmt: skip


class PermissionFile(PermissionPage):
    """The list as a file: those asked for and not answered, or all of them."""

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        rows = permissions_of(self.actor)
        if request.GET.get("show") != "all":
            rows = rows.filter(state=PermissionState.ASKED)
        return file_answer(
            write_list(asking.row_of(row, self.zone) for row in rows), f"{slug}-permissions.csv"
        )


def uses_of(event: Any) -> list[str]:
    """The uses that permissions can be for: what the ruleset and the event's kinds speak of."""
    law = ruleset(event.ruleset)
    ours = event.kinds.values_list("use", flat=True)
    return sorted({*ours, *(use for row in law.ranges for use in row.uses if use != "any")})


class NewPermission(PermissionPage):
    """Writing down a permission that is held, or was asked for outside of this list."""

    template = "registry/permission.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self._show(self._form(initial={"state": PermissionState.GRANTED, "basis": "eirp"}))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = self._form(request.POST)
        made: list[asking.Answer] = []
        if form.is_valid() and self.attempt(
            lambda: made.extend(permitting.answer(actor=self.actor, rows=[form.row()])), form
        ):
            messages.success(request, f"Written down as {made[0].code}.")
            return redirect("registry:permissions", slug)
        return self._show(form)

    def _form(
        self, data: Mapping[str, Any] | None = None, initial: dict[str, Any] | None = None
    ) -> PermissionForm:
        return PermissionForm(data, initial=initial, actor=self.actor, uses=uses_of(self.event))

    def _show(self, form: PermissionForm) -> HttpResponse:
        return self.render(form=form, back=reverse("registry:permissions", args=[self.event.slug]))


class ChangePermission(Changing):
    """One permission: its answer, its figures."""

    template = "registry/permission_change.html"
    part = list_page = "registry:permissions"
    title = "Permission"
    key = "code"

    def rows(self) -> QuerySet[Permission]:
        return permissions_of(self.actor)

    def form(
        self, data: Mapping[str, Any] | None = None, initial: dict[str, Any] | None = None
    ) -> forms.Form:
        return PermissionForm(data, initial=initial, actor=self.actor, uses=uses_of(self.event))

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        self.typed = self.form(request.POST)
        return super().post(request, **kwargs)

    def change(self, row: Permission, version: int, values: dict[str, Any]) -> Any:
        if row.version != version:
            raise Stale(row.code, row.version)
        form = self.typed
        assert isinstance(form, PermissionForm) and form.is_valid()
        return permitting.answer(
            actor=self.actor, rows=[{**form.row(), "code": row.code, "version": version}]
        )

    def _initial(self, row: Permission) -> dict[str, Any]:
        return PermissionForm.of(asking.row_of(row, ZoneInfo(self.event.timezone)))

    def _differences(self, row: Permission, form: forms.Form) -> list[Difference]:
        shown = self._initial(row)
        return [
            Difference(str(field.label), str(shown[field.name] or "nothing"), str(field.value() or "nothing"))
            for field in form
            if (shown[field.name] or "") != (field.value() or "")
        ]


class Answers(PermissionPage):
    """The list coming back: every row judged before anything is saved, every fault at once, and the text kept in hand."""

    template = "registry/permission_answers.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.render(form=AnswersForm())

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = AnswersForm(request.POST, request.FILES)
        text = request.POST.get("text", "")
        try:
            for file in request.FILES.getlist("file"):
                text = decoded(file.read())
            rows = read_list(text)
        except Faulty as refusal:
            return self._show(text, refused=refusal.faults, status=422)
        if form.is_valid() and "save" in request.POST:
            saved: list[asking.Answer] = []
            try:
                seen = request.POST.get("seen", "")
                saved += permitting.answer(actor=self.actor, rows=rows, seen=seen)
            except (Faulty, Conflict, Stale) as refusal:
                messages.error(request, str(refusal))
            else:
                written = sum(row.status.value in ("new", "changed") for row in saved)
                messages.success(request, f"Written down: {written} of {len(saved)} rows said something new.")
                return redirect("registry:permissions", slug)
        return self._show(text, asking.judge(self.actor, rows))

    def _show(
        self, text: str, answers: list[asking.Answer] | None = None, refused: Any = None, status: int = 200
    ) -> HttpResponse:
        answers = answers or []
        faulty = sum(row.status.value == "faulty" for row in answers)
        return self.render(
            form=AnswersForm(initial={"text": text}), refused=refused, faulty=faulty, total=len(answers),
            something=sum(row.status.value in ("new", "changed") for row in answers), text=text,
            seen=asking.fingerprint(answers), rows=[(row, asking.changes_in_words(row)) for row in answers],
            status=422 if faulty else status,
        )  # fmt: skip
