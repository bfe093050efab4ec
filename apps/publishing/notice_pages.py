"""What one person is told by e-mail: their own page in an event, and the way out that stands in every letter."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.decorators import method_decorator
from django.views import View
from django.views.decorators.csrf import csrf_exempt

from apps.events.views import EventPage
from apps.publishing import actions, letters, queries
from apps.publishing.forms import NoticesForm
from apps.publishing.states import NoticeTopic

SHOWN = 50


class Notices(EventPage):
    """What I am told of this event, how soon, and what I was told lately."""

    template = "publishing/notices.html"
    here = "publishing:notices"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.shown()

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = NoticesForm(request.POST)
        if form.is_valid() and self.attempt(
            lambda: actions.choose_notices(actor=self.actor, **form.cleaned_data), form
        ):
            messages.success(request, "Saved.")
            return redirect(request.path)
        return self.shown(form, status=422)

    def shown(self, form: NoticesForm | None = None, status: int = 200) -> HttpResponse:
        mailbox = queries.mailbox_of(self.actor)
        wanted = [topic for topic in NoticeTopic.values if topic not in mailbox.unwanted]
        form = form or NoticesForm(initial={"wanted": wanted, "pace": mailbox.pace})
        rows = mailbox.notices.order_by("-pk")[:SHOWN] if mailbox.pk else []
        return self.render(form=form, mailbox=mailbox, rows=rows, status=status)


@method_decorator(csrf_exempt, name="dispatch")
class NoNotices(View):
    """Where a letter's link leads: one press, by a person or their mail program (RFC 8058), and no more letters come.

    The signed key in the address is what entitles to it, so there is no log-in and no token against forged posts.
    """

    template = "publishing/no_notices.html"

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        mailbox = letters.mailbox_behind(kwargs["key"])
        if mailbox is None:
            raise Http404
        self.mailbox = mailbox
        return super().dispatch(request, *args, **kwargs)

    def get(self, request: HttpRequest, key: str) -> HttpResponse:
        return render(request, self.template, {"mailbox": self.mailbox, "done": False})

    def post(self, request: HttpRequest, key: str) -> HttpResponse:
        actions.stop_notices(mailbox=self.mailbox)
        return render(request, self.template, {"mailbox": self.mailbox, "done": True})
