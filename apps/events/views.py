"""The door for people: logging in, one's events, and the base of every page below an event's address."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.mixins import LoginRequiredMixin
from django.contrib.auth.views import (
    LoginView,
    PasswordChangeView,
    PasswordResetConfirmView,
    PasswordResetView,
)
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse, reverse_lazy
from django.utils import timezone
from django.views import View

from apps.common.errors import Conflict, Faulty, Forbidden, Missing, Refusal, Stale, require
from apps.events import actions, letters, queries, rules
from apps.events.actors import Actor
from apps.events.forms import LogInForm, NewcomerForm
from apps.events.models import Event, Invitation, Person, Role


@dataclass(frozen=True)
class Item:
    """One entry of an event's navigation."""

    name: str
    address: str
    here: bool


PAGES: tuple[tuple[str, str, frozenset[str]], ...] = (
    ("Event", "overview:event", frozenset(Role)),
    ("Devices", "planning:devices", frozenset(Role)),
    ("Import", "registry:import", frozenset([Role.COORDINATOR, Role.LEAD])),
    ("Site", "planning:site", frozenset([Role.COORDINATOR, Role.DESK])),
    ("Surveys", "planning:surveys", frozenset([Role.COORDINATOR, Role.DESK])),
    ("Runs", "planning:runs", frozenset([Role.COORDINATOR, Role.DESK])),
    ("Review", "publishing:review", frozenset([Role.COORDINATOR, Role.DESK])),
    ("Publish", "publishing:publish", frozenset([Role.COORDINATOR])),
    ("Sheets", "publishing:sheets", frozenset(Role)),
    ("Reports", "onsite:reports", frozenset(Role)),
    ("Journal", "overview:journal", frozenset(Role)),
    ("Tokens", "events:tokens", frozenset(Role)),
    ("Webhooks", "publishing:hooks", frozenset([Role.COORDINATOR, Role.LEAD])),
    ("Set-up", "spectrum:event", frozenset([Role.COORDINATOR])),
)


class EventPage(LoginRequiredMixin, View):
    """Base of every page below /e/<slug>/: finds the actor, or answers 404 as if there were no such event.

    `template` is drawn with actor, event, navigation; `here` is the page of PAGES that it belongs to. `refusal` is a
    rule of the actor alone that keeps others out with its reason (403). Refusals that reach this class become pages
    (Missing 404, Forbidden 403) or a message on the page that the form came from.
    """

    template = ""
    here = ""
    refusal: Callable[[Actor], str] | None = None
    actor: Actor
    event: Event

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not request.user.is_authenticated:
            return self.handle_no_permission()
        try:
            self.actor = queries.actor_in(request.user, kwargs["slug"])
            self.event = self.actor.event
            if self.refusal is not None:
                require(type(self).refusal(self.actor))  # type: ignore[misc]  # not None, as asked above
            with timezone.override(ZoneInfo(self.event.timezone)):
                return super().dispatch(request, *args, **kwargs)
        except Missing:
            raise Http404 from None
        except Forbidden as refusal:
            raise PermissionDenied(str(refusal)) from None
        except (Conflict, Faulty, Stale) as refusal:
            self.say(refusal)
            return redirect(request.get_full_path())

    def http_method_not_allowed(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """A question that was put by a form has nothing to show to whoever opens its address anew: back to its page."""
        if request.method in ("GET", "HEAD") and self.here:
            asked = request.GET.urlencode()
            return redirect(reverse(self.here, args=[self.event.slug]) + (f"?{asked}" if asked else ""))
        return super().http_method_not_allowed(request, *args, **kwargs)

    def say(self, refusal: Refusal) -> None:
        """Put a refusal on the next page as a message, every fault on a line of its own."""
        faults = [f"{fault.field}: {fault.message}" for fault in getattr(refusal, "faults", [])]
        messages.error(self.request, "\n".join(faults) or str(refusal))

    def attempt(self, act: Callable[[], Any], form: forms.Form | None = None) -> bool:
        """Do it and say whether it was done; a refusal goes to the fields of the form, or to the page."""
        try:
            act()
        except (Conflict, Faulty, Stale, Forbidden) as refusal:
            if form is None:
                self.say(refusal)
            else:
                add_refusal(form, refusal)
            return False
        return True

    def render(self, template: str = "", *, status: int = 200, **context: Any) -> HttpResponse:
        """Draw the template (the page's own unless named) with what every page of an event knows."""
        return render(self.request, template or self.template, self.common() | context, status=status)

    def common(self) -> dict[str, Any]:
        closes = self.event.registration_closes_at
        return {
            "actor": self.actor,
            "event": self.event,
            "navigation": self.navigation(),
            "may_write": not rules.refusal_to_write(self.actor),
            "closed": closes is not None and closes < timezone.now(),
        }

    def navigation(self) -> list[Item]:
        items = []
        for name, page, roles in PAGES:
            if self.actor.role in roles:
                items.append(Item(name, reverse(page, args=[self.event.slug]), page == self.here))
        return items


def add_refusal(form: forms.Form, refusal: Refusal) -> None:
    """Put a refusal beside the fields that it speaks of; what belongs to no field stands above the form."""
    if isinstance(refusal, Faulty):
        for fault in refusal.faults:
            known = fault.field in form.fields
            form.add_error(
                fault.field if known else None, fault.message if known else f"{fault.field}: {fault.message}"
            )
    else:
        form.add_error(None, str(refusal))


class Home(LoginRequiredMixin, View):
    """The events in which a person is something, with what they are there."""

    def get(self, request: HttpRequest) -> HttpResponse:
        assert request.user.is_authenticated
        rows = queries.memberships_of(request.user)
        by_event: dict[Event, list[str]] = {}
        for row in rows:
            words = f"lead of {row.department.name}" if row.department else row.get_role_display()
            by_event.setdefault(row.event, []).append(words)
        today = timezone.now().date()
        events = [(event, words, event.ends_on < today) for event, words in by_event.items()]
        return render(
            request, "events/home.html",
            {"events": events, "may_create": not queries.refusal_to_create_events(request.user)},
        )  # fmt: skip


class LogIn(LoginView):
    template_name = "events/log_in.html"
    authentication_form = LogInForm
    redirect_authenticated_user = True
    extra_context = {"anonymous_page": True}


class Password(PasswordChangeView):
    template_name = "events/password.html"
    success_url = reverse_lazy("events:home")

    def form_valid(self, form: Any) -> HttpResponse:
        messages.success(self.request, "Your password is changed.")
        return super().form_valid(form)


class ForgottenPassword(PasswordResetView):
    """Sends a link to whoever says they forgot; the same answer whether or not there is such a log-in."""

    template_name = "events/forgotten.html"
    email_template_name = "events/forgotten_letter.txt"
    subject_template_name = "events/forgotten_subject.txt"
    success_url = reverse_lazy("events:log-in")

    def form_valid(self, form: Any) -> HttpResponse:
        messages.info(self.request, "If there is a log-in for that address, a link is on its way to it.")
        who = form.cleaned_data["email"].casefold(), self.request.META.get("REMOTE_ADDR", "")
        # The same answer whether or not a letter goes out: nobody learns anything from asking often.
        return super().form_valid(form) if letters.may_send_again(*who) else redirect(self.success_url)


class ChoosePassword(PasswordResetConfirmView):
    template_name = "events/choose_password.html"
    success_url = reverse_lazy("events:log-in")

    def form_valid(self, form: Any) -> HttpResponse:
        messages.success(self.request, "Your new password counts. Log in with it.")
        return super().form_valid(form)


class OpenInvitation(View):
    """What the link of an invitation opens: joining with the log-in that one has, or making one."""

    template = "events/invitation.html"

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        found = Invitation.objects.select_related("event", "department")
        self.invitation = found.filter(key_digest=actions.key_digest(kwargs["key"])).first()
        if self.invitation is None:
            raise Http404
        refusal = rules.refusal_to_accept(self.invitation, timezone.now())
        if refusal:
            return render(request, "events/invitation_over.html", {"why": refusal}, status=410)
        return super().dispatch(request, *args, **kwargs)

    def get(self, request: HttpRequest, key: str) -> HttpResponse:
        return self._page()

    def post(self, request: HttpRequest, key: str) -> HttpResponse:
        invitation = self.invitation
        assert invitation is not None
        try:
            if request.user.is_authenticated:
                actions.accept_invitation(invitation=invitation, person=request.user)
            else:
                form = NewcomerForm(request.POST, email=invitation.email)
                if not form.is_valid():
                    return self._page(form)
                person = actions.accept_as_newcomer(
                    invitation=invitation,
                    name=form.cleaned_data["name"],
                    password=form.cleaned_data["password1"],
                )
                login(request, person, backend="django.contrib.auth.backends.ModelBackend")
        except (Conflict, Forbidden) as refusal:
            messages.error(request, str(refusal))
            return self._page()
        messages.success(request, f"Welcome to {invitation.event.name}.")
        return redirect("overview:event", invitation.event.slug)

    def _page(self, form: NewcomerForm | None = None) -> HttpResponse:
        invitation = self.invitation
        assert invitation is not None
        person = Person.objects.filter(email=invitation.email).first()
        context = {
            "invitation": invitation,
            "form": form or NewcomerForm(email=invitation.email, initial={"name": invitation.name}),
            "known": person is not None and queries.has_log_in(person),
        }
        return render(self.request, self.template, context)
