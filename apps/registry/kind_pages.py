"""The page of an event's kinds: what is there with its figures, and copying more from the catalogue."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db.models import Count, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from apps.common.errors import Faulty
from apps.events.setting_up import Changing, Difference, SetUpPage
from apps.registry import actions, queries, tuning
from apps.registry.catalogue import catalogue
from apps.registry.forms import KindForm
from apps.registry.models import Kind


@dataclass(frozen=True)
class Figures:
    """One carrier of a kind as people read it."""

    name: str
    tunes: str
    width_khz: str


@dataclass(frozen=True)
class KindRow:
    code: str
    name: str
    assigned: bool
    not_assigned_why: str
    figures: list[Figures]
    powers: str
    cells: str
    running_h: float | None
    lines: int

    @classmethod
    def of(cls, kind: Kind, lines: int) -> "KindRow":
        figures = [
            Figures(role.name, tuning.in_megahertz(role.tuning), f"{role.bandwidth_hz / 1000:g}")
            for role in kind.roles.all()
        ]
        powers = ", ".join(f"{step:g}" for step in kind.power_mw)
        return cls(
            kind.code,
            kind.name,
            kind.assigned,
            kind.not_assigned_why,
            figures,
            powers,
            kind.cells,
            kind.running_h,
            lines,
        )


class Kinds(SetUpPage):
    template = "registry/kinds.html"
    part = "registry:kinds"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self._show([])

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        chosen = request.POST.getlist("kinds")
        if not chosen:
            messages.error(request, "Tick at least one kind.")
            return self._show([])
        try:
            copied = actions.copy_kinds(actor=self.actor, codes=chosen)
        except Faulty as refusal:
            self.say(refusal)
            return self._show(chosen)
        messages.success(request, f"{len(copied)} kind{'s' if len(copied) != 1 else ''} copied.")
        return redirect(request.path)

    def _show(self, chosen: list[str]) -> HttpResponse:
        counted = Count("registrations", filter=~Q(registrations__state="withdrawn"))
        kinds = queries.kinds_of(self.actor).annotate(lines=counted)
        rows = [KindRow.of(kind, kind.lines) for kind in kinds]
        there = {row.code for row in rows}
        offered = [_offer(entry) for code, entry in catalogue().items() if code not in there]
        return self.render(rows=rows, offered=offered, chosen=chosen)


class ChangeKind(Changing):
    """A kind's figures, changed for this event alone."""

    template = "registry/kind.html"
    part = list_page = "registry:kinds"
    title = "Change a kind"
    key = "code"
    form_class = KindForm

    def rows(self) -> QuerySet[Kind]:
        return queries.kinds_of(self.actor)

    def knows(self) -> dict[str, Any]:
        return {"kind": self.find()}

    def change(self, row: Kind, version: int, values: dict[str, Any]) -> Any:
        return actions.change_kind(actor=self.actor, kind=row, version=version, **values)

    def _initial(self, row: Kind) -> dict[str, Any]:
        return KindForm.of(row)

    def _differences(self, row: Kind, form: Any) -> list[Difference]:
        shown = KindForm.of(row)
        roles = {f"{name}-{role.code}": f": {role.name}" for role in row.roles.all() for name in form.of_role}
        return [
            Difference(
                f"{field.label}{roles.get(field.name, '')}", str(shown[field.name]), str(field.value())
            )
            for field in form
            if str(shown[field.name] or "") != str(field.value() or "")
        ]


def _offer(entry: dict[str, Any]) -> dict[str, str]:
    if not entry["assigned"]:
        tunes = f"gets no frequency: {entry['not_assigned_why']}"
    else:
        tunes = f"tunes {tuning.in_megahertz(entry['roles'][0]['tuning'])}"
    return {"code": entry["code"], "name": entry["name"], "note": entry["note"], "tunes": tunes}
