"""Pages on which coordinators set an event up: its zones, departments and people. And one's own tokens.

Every page lists rows and adds one, or changes one. A row that somebody else changed in the meantime is shown with both
values, and nothing that was typed is lost.
"""

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from apps.common.errors import Missing, Stale
from apps.events import actions, letters, queries, rules
from apps.events.forms import (
    DepartmentForm,
    InvitationForm,
    NewDepartmentForm,
    NewZoneForm,
    RoleForm,
    TokenForm,
    ZoneForm,
)
from apps.events.models import Department, Membership, Zone
from apps.events.views import EventPage, Item

PARTS = (
    ("Event", "spectrum:event"),
    ("Zones", "events:zones"),
    ("Map", "events:map"),
    ("Departments", "events:departments"),
    ("Kinds of device", "registry:kinds"),
    ("Surroundings", "spectrum:surroundings"),
    ("Television", "spectrum:television"),
    ("Band plan", "spectrum:band-plan"),
    ("Permissions", "registry:permissions"),
    ("People", "events:people"),
)


class SetUpPage(EventPage):
    """Base of the pages that set an event up: coordinators only, with the list of those pages."""

    here = "spectrum:event"
    part = ""
    refusal = staticmethod(rules.refusal_to_coordinate)

    def common(self) -> dict[str, Any]:
        parts = [Item(name, reverse(page, args=[self.event.slug]), page == self.part) for name, page in PARTS]
        return super().common() | {"parts": parts}


class Adding(SetUpPage):
    """A list with a form that adds to it."""

    added = "Added."

    @abstractmethod
    def listing(self) -> dict[str, Any]:
        """What the template lists."""

    @abstractmethod
    def form(self, data: Mapping[str, Any] | None = None) -> forms.Form:
        """The form, empty or as it was sent."""

    @abstractmethod
    def add(self, values: dict[str, Any]) -> Any:
        """The action."""

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.render(form=self.form(), **self.listing())

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = self.form(request.POST)
        if form.is_valid() and self.attempt(lambda: self.add(form.cleaned_data), form):
            messages.success(request, self.added)
            return redirect(request.path)
        return self.render(form=form, **self.listing())


@dataclass(frozen=True)
class Difference:
    """One field of a row that two people changed: what stands there now, and what this form would put there."""

    name: str
    now: str
    yours: str


class Changing(SetUpPage):
    """A form that changes one row, carrying the version that its reader saw; a button takes away what may go."""

    template = "events/removable.html"
    title = ""
    list_page = ""
    key = "pk"
    form_class: type[forms.Form]

    @abstractmethod
    def rows(self) -> QuerySet[Any]:
        """Among which the row is sought, by `key` as the address gives it."""

    @abstractmethod
    def change(self, row: Any, version: int, values: dict[str, Any]) -> Any:
        """The action."""

    def remove(self, row: Any) -> str:
        """Take the row away: what to say then. Rows that cannot go do not override this."""
        raise Missing()

    def knows(self) -> dict[str, Any]:
        """What the form needs to know besides what is in it."""
        return {}

    def find(self) -> Any:
        """The row; raises Missing."""
        row = self.rows().filter(**{self.key: self.kwargs[self.key]}).first()
        if row is None:
            raise Missing()
        return row

    def form(
        self, data: Mapping[str, Any] | None = None, initial: dict[str, Any] | None = None
    ) -> forms.Form:
        """The form, filled from the row or as it was sent."""
        return self.form_class(data, initial=initial, **self.knows())

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        row = self.find()
        return self._show(row, self.form(initial=self._initial(row)))

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        row = self.find()
        if "remove" in request.POST:
            return self._remove(row)
        form = self.form(request.POST)
        version = request.POST.get("version", "")
        if not version.isdigit():
            form.add_error(None, "The form came without its version; reload the page.")
        elif form.is_valid():
            try:
                if self.attempt(lambda: self._change(row, int(version), form.cleaned_data), form):
                    messages.success(request, "Saved.")
                    return redirect(self.back())
            except _Overtaken:
                return self._show(self.find(), form, self._differences(self.find(), form))
        return self._show(self.find(), form)

    def back(self) -> str:
        return reverse(self.list_page, args=[self.event.slug])

    def more(self, row: Any) -> dict[str, Any]:
        """What else the template knows of the row."""
        return {}

    def _remove(self, row: Any) -> HttpResponse:
        """A refusal comes back to the same page."""
        said: list[str] = []
        if not self.attempt(lambda: said.append(self.remove(row))):
            return redirect(self.request.path)
        messages.success(self.request, said[0])
        return redirect(self.back())

    def _change(self, row: Any, version: int, values: dict[str, Any]) -> None:
        try:
            self.change(row, version, values)
        except Stale as refusal:
            raise _Overtaken from refusal

    def _initial(self, row: Any) -> dict[str, Any]:
        return {name: getattr(row, name) for name in self.form().fields}

    def _differences(self, row: Any, form: forms.Form) -> list[Difference]:
        found = []
        for name, yours in form.cleaned_data.items():
            now = getattr(row, name)
            if now != yours:
                found.append(Difference(str(form[name].label), _in_words(now), _in_words(yours)))
        return found

    def _show(self, row: Any, form: forms.Form, differences: list[Difference] | None = None) -> HttpResponse:
        return self.render(
            row=row, form=form, version=row.version, differences=differences, overtaken=differences is not None,
            title=self.title, back=self.back(), **self.more(row),
        )  # fmt: skip


class _Overtaken(Exception):
    """Somebody else changed the row first."""


def _in_words(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "nothing" if value in (None, "") else str(value)


# -- zones and departments ------------------------------------------------------------------


class Zones(Adding):
    """The places of the event."""

    template = "events/zones.html"
    part = "events:zones"

    def listing(self) -> dict[str, Any]:
        return {"rows": queries.zones_of(self.actor)}

    def form(self, data: Mapping[str, Any] | None = None) -> forms.Form:
        return NewZoneForm(data)

    def add(self, values: dict[str, Any]) -> Any:
        return actions.add_zone(actor=self.actor, **values)


class ChangeZone(Changing):
    part = list_page = "events:zones"
    title = "Change a zone"
    key = "code"
    form_class = ZoneForm

    def rows(self) -> QuerySet[Zone]:
        return queries.zones_of(self.actor)

    def change(self, row: Zone, version: int, values: dict[str, Any]) -> Any:
        return actions.change_zone(actor=self.actor, zone=row, version=version, **values)

    def remove(self, row: Zone) -> str:
        actions.remove_zone(actor=self.actor, zone=row)
        return f"Zone {row.code} is removed."


class Departments(Adding):
    """The parties that bring devices."""

    template = "events/departments.html"
    part = "events:departments"

    def listing(self) -> dict[str, Any]:
        leads: dict[int | None, list[str]] = {}
        for row in queries.members_of(self.actor):
            leads.setdefault(row.department_id, []).append(str(row.person))
        return {"rows": [(row, leads.get(row.pk, [])) for row in queries.departments_of(self.actor)]}

    def form(self, data: Mapping[str, Any] | None = None) -> forms.Form:
        return NewDepartmentForm(data)

    def add(self, values: dict[str, Any]) -> Any:
        return actions.add_department(actor=self.actor, **values)


class ChangeDepartment(Changing):
    part = list_page = "events:departments"
    title = "Change a department"
    key = "code"
    form_class = DepartmentForm

    def rows(self) -> QuerySet[Department]:
        return queries.departments_of(self.actor)

    def change(self, row: Department, version: int, values: dict[str, Any]) -> Any:
        return actions.change_department(actor=self.actor, department=row, version=version, **values)

    def remove(self, row: Department) -> str:
        actions.remove_department(actor=self.actor, department=row)
        return f"Department {row.code} is removed."


# -- people ---------------------------------------------------------------------------------


class People(Adding):
    """Who takes part, who is invited, and inviting somebody. The link is shown once."""

    template = "events/people.html"
    part = "events:people"

    def listing(self) -> dict[str, Any]:
        return {
            "rows": queries.members_of(self.actor),
            "invitations": queries.open_invitations_of(self.actor),
        }

    def form(self, data: Mapping[str, Any] | None = None) -> forms.Form:
        return InvitationForm(data, departments=queries.departments_of(self.actor), initial={"role": "lead"})

    def add(self, values: dict[str, Any]) -> actions.Invited:
        return actions.invite(actor=self.actor, **values)

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = self.form(request.POST)
        made: list[actions.Invited] = []
        if not (form.is_valid() and self.attempt(lambda: made.append(self.add(form.cleaned_data)), form)):
            return self.render(form=form, **self.listing())
        link = request.build_absolute_uri(reverse("events:invitation", args=[made[0].key]))
        sent = letters.send_invitation(made[0].invitation, link)
        return self.render(form=self.form(), made=made[0].invitation, link=link, sent=sent, **self.listing())


class ChangeMember(Changing):
    template = "events/member.html"
    part = list_page = "events:people"
    title = "Change a role"
    form_class = RoleForm

    def rows(self) -> QuerySet[Membership]:
        return queries.members_of(self.actor)

    def knows(self) -> dict[str, Any]:
        return {"departments": queries.departments_of(self.actor)}

    def change(self, row: Membership, version: int, values: dict[str, Any]) -> Any:
        return actions.change_member(actor=self.actor, membership=row, version=version, **values)

    def remove(self, row: Membership) -> str:
        actions.end_member(actor=self.actor, membership=row, reason=self.request.POST.get("reason", ""))
        return f"{row.person} no longer takes part as {row.get_role_display()}."


class WithdrawInvitation(SetUpPage):
    def post(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        invitation = queries.open_invitations_of(self.actor).filter(pk=pk).first()
        if invitation is None:
            raise Missing()
        if self.attempt(lambda: actions.withdraw_invitation(actor=self.actor, invitation=invitation)):
            messages.success(request, f"The invitation of {invitation.email} no longer works.")
        return redirect("events:people", slug)


# -- tokens ---------------------------------------------------------------------------------


class Tokens(EventPage):
    """Keys of machines: issue one (its secret is shown once), see when it was last used, revoke it."""

    template = "events/tokens.html"
    here = "events:tokens"

    def form(self, data: Mapping[str, Any] | None = None) -> TokenForm:
        departments = queries.departments_of(self.actor)
        own = departments.first() if self.actor.departments and len(self.actor.departments) == 1 else None
        return TokenForm(
            data, departments=departments, may_write=not rules.refusal_to_write(self.actor), initial={"department": own}
        )  # fmt: skip

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.render(form=self.form(), rows=queries.tokens_of(self.actor))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        assert request.user.is_authenticated
        form = self.form(request.POST)
        if not form.is_valid():
            return self.render(form=form, rows=queries.tokens_of(self.actor))
        values = form.cleaned_data
        issued = actions.issue_token(
            actor=self.actor, person=request.user, department=values["department"], writes=values.get("writes", False),
            label=values["label"], expires_in=timedelta(days=values["days"]),
        )  # fmt: skip
        return self.render(form=self.form(), rows=queries.tokens_of(self.actor), issued=issued)


class RevokeToken(EventPage):
    def post(self, request: HttpRequest, slug: str, key: str) -> HttpResponse:
        token = queries.tokens_of(self.actor).filter(token_key=key).first()
        if token is None:
            raise Missing()
        if self.attempt(lambda: actions.revoke_token(actor=self.actor, token=token)):
            messages.success(request, "The token no longer works.")
        return redirect("events:tokens", slug)
