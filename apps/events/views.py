"""The door for people: logging in, one's events, and the base of every page below an event's address."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.auth.forms import AuthenticationForm, UsernameField
from django.contrib.auth.mixins import LoginRequiredMixin
from django.contrib.auth.views import LoginView, PasswordChangeView
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import NoReverseMatch, reverse, reverse_lazy
from django.utils import timezone
from django.views import View

from apps.common.errors import Conflict, Faulty, Forbidden, Missing, Refusal, Stale, require
from apps.events import queries, rules
from apps.events.actors import Actor
from apps.events.models import Event, Role


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
    ("Runs", "planning:runs", frozenset([Role.COORDINATOR])),
    ("Review", "publishing:review", frozenset([Role.COORDINATOR])),
    ("Publish", "publishing:publish", frozenset([Role.COORDINATOR])),
    ("Sheets", "publishing:sheets", frozenset(Role)),
    ("Journal", "overview:journal", frozenset(Role)),
    ("Tokens", "events:tokens", frozenset(Role)),
    ("Set-up", "events:setup", frozenset([Role.COORDINATOR])),
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
                require(type(self).refusal(self.actor))  # type: ignore[misc]
            with timezone.override(ZoneInfo(self.event.timezone)):
                return super().dispatch(request, *args, **kwargs)
        except Missing:
            raise Http404 from None
        except Forbidden as refusal:
            raise PermissionDenied(str(refusal)) from None
        except (Conflict, Faulty, Stale) as refusal:
            self.say(refusal)
            return redirect(request.get_full_path())

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
                try:
                    items.append(Item(name, reverse(page, args=[self.event.slug]), page == self.here))
                except NoReverseMatch:
                    continue
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


class LogInForm(AuthenticationForm):
    username = UsernameField(label="E-mail address", widget=forms.EmailInput(attrs={"autofocus": True}))
    error_messages = {
        "invalid_login": "This address and password do not belong together. Look at both, and at the caps lock.",
        "inactive": "This account is closed.",
    }


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
