"""Pages of webhooks: set one up, see what was delivered and what was not, send it again."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from apps.common.errors import Missing
from apps.events.views import EventPage
from apps.publishing import actions, queries
from apps.publishing.forms import DeliveryFilter, HookForm, NewHookForm
from apps.publishing.models import Delivery, Hook
from apps.publishing.occurrences import Topic
from apps.publishing.rules import refusal_to_see_hooks
from apps.publishing.states import PostState


class HooksPage(EventPage):
    """Base of the pages of webhooks."""

    here = "publishing:hooks"
    refusal = staticmethod(refusal_to_see_hooks)

    def found(self) -> Hook:
        hook = queries.hooks_of(self.actor).filter(pk=self.kwargs["pk"]).first()
        if hook is None:
            raise Missing()
        return hook

    def common(self) -> dict[str, Any]:
        return super().common() | {"topic_words": dict(Topic.choices)}


class Hooks(HooksPage):
    """The webhooks that one keeps, and a new one; its secret is shown once."""

    template = "publishing/hooks.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.shown(NewHookForm(actor=self.actor))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = NewHookForm(request.POST, actor=self.actor)
        kept: list[actions.KeptHook] = []
        if not form.is_valid() or not self.attempt(
            lambda: kept.append(actions.add_hook(actor=self.actor, **form.cleaned_data)), form
        ):
            return self.shown(form, status=422)
        return self.shown(NewHookForm(actor=self.actor), kept=kept[0])

    def shown(
        self, form: NewHookForm, kept: actions.KeptHook | None = None, status: int = 200
    ) -> HttpResponse:
        count = {
            f"{state.name.lower()}_count": Count("deliveries", filter=Q(deliveries__state=state))
            for state in PostState
        }
        return self.render(
            form=form, kept=kept, rows=queries.hooks_of(self.actor).annotate(**count), status=status
        )


class HookPage(HooksPage):
    """One webhook: what it is told, how it goes, its deliveries; and changing, trying, silencing and removing it."""

    template = "publishing/hook.html"
    rows_a_page = 50

    def get(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        return self.shown(self.found())

    def post(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        hook = self.found()
        match request.POST.get("do", ""):
            case "save":
                return self.change(hook)
            case "secret":
                kept: list[actions.KeptHook] = []
                if self.attempt(lambda: kept.append(actions.renew_secret(actor=self.actor, hook=hook))):
                    return self.shown(self.found(), kept=kept[0])
            case "try":
                self.done(lambda: actions.try_hook(actor=self.actor, hook=hook), "A trial is on its way.")
            case "off":
                self.done(lambda: actions.silence_hook(actor=self.actor, hook=hook), "It is off.")
            case "on":
                self.done(lambda: actions.resume_hook(actor=self.actor, hook=hook), "It is on again.")
            case "again":
                self.send(hook, PostState.GIVEN_UP, "What was given up is sent again.")
            case "now":
                self.send(hook, PostState.WAITING, "What waits is on its way, oldest first.")
            case "remove":
                if self.attempt(lambda: actions.remove_hook(actor=self.actor, hook=hook)):
                    messages.success(request, f"The webhook «{hook.label}» is removed.")
                    return redirect("publishing:hooks", slug)
        return redirect(request.path)

    def done(self, act: Any, words: str) -> None:
        if self.attempt(act):
            messages.success(self.request, words)

    def send(self, hook: Hook, state: str, words: str) -> None:
        keys = list(hook.deliveries.filter(state=state).values_list("pk", flat=True))
        self.done(lambda: actions.send_again(actor=self.actor, hook=hook, deliveries=keys), words)

    def change(self, hook: Hook) -> HttpResponse:
        whole_event = hook.department_id is None
        form = HookForm(self.request.POST, initial={"address": hook.address}, whole_event=whole_event)
        version = self.request.POST.get("version", "")
        if not version.isdigit():
            form.add_error(None, "The form came without its version; reload the page.")
        elif form.is_valid() and self.attempt(
            lambda: actions.change_hook(
                actor=self.actor, hook=hook, version=int(version), **form.cleaned_data
            ),
            form,
        ):
            messages.success(self.request, "Saved.")
            return redirect(self.request.path)
        return self.shown(self.found(), form, status=422)

    def shown(
        self,
        hook: Hook,
        form: HookForm | None = None,
        kept: actions.KeptHook | None = None,
        status: int = 200,
    ) -> HttpResponse:
        chosen = DeliveryFilter(self.request.GET)
        rows = queries.deliveries_of(hook).defer("body")
        if chosen.is_valid() and chosen.cleaned_data["state"]:
            rows = rows.filter(state=chosen.cleaned_data["state"])
        page = Paginator(rows, self.rows_a_page).get_page(self.request.GET.get("page"))
        initial = {"label": hook.label, "address": hook.address, "topics": hook.topics}
        form = form or HookForm(initial=initial, whole_event=hook.department_id is None)
        given_up = hook.deliveries.filter(state=PostState.GIVEN_UP).count()
        return self.render(
            hook=hook, form=form, kept=kept, filter=chosen, page=page, given_up=given_up, status=status
        )


class DeliveryPage(HooksPage):
    """One message: what was sent, and what came of each attempt; and sending it again."""

    template = "publishing/delivery.html"

    def delivery(self) -> Delivery:
        row = queries.deliveries_of(self.found()).filter(pk=self.kwargs["delivery"]).first()
        if row is None:
            raise Missing()
        return row

    def get(self, request: HttpRequest, slug: str, pk: int, delivery: int) -> HttpResponse:
        row = self.delivery()
        return self.render(row=row, hook=row.hook, log=row.log.all())

    def post(self, request: HttpRequest, slug: str, pk: int, delivery: int) -> HttpResponse:
        row = self.delivery()
        if self.attempt(lambda: actions.send_again(actor=self.actor, hook=row.hook, deliveries=[row.pk])):
            messages.success(request, "It is sent again, with the name that it had.")
        if request.POST.get("back") == "list":
            return redirect("publishing:hook", slug, pk)
        return redirect(request.path)
