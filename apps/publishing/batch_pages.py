"""Pages of what was done to many lines at once: the batches, and one batch with its undoing."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from apps.common.errors import Missing, require
from apps.events.views import EventPage
from apps.publishing import undoing
from apps.registry import batching
from apps.registry.forms import BatchForm, ReasonForm
from apps.registry.models import Batch
from apps.registry.queries import batches_of

LINES_NAMED = 200


class Batches(EventPage):
    """What was done to many lines at once, newest first."""

    here = "planning:devices"
    template = "publishing/batches.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        page = Paginator(batches_of(self.actor), 50).get_page(request.GET.get("page"))
        return self.render(page=page, rows=[(batch, batching.DONE[batch.act]) for batch in page])


class BatchPage(EventPage):
    """One batch: what it did, to which lines, and what of it can be undone."""

    here = "planning:devices"
    template = "publishing/batch.html"

    def found(self, number: int) -> Batch:
        batch = batches_of(self.actor).filter(number=number).first()
        if batch is None:
            raise Missing()
        return batch

    def get(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        return self.shown(self.found(number), ReasonForm(needed=True))

    def post(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        batch, form = self.found(number), ReasonForm(request.POST, needed=True)
        require(batching.refusal_to_undo(self.actor, batch))
        undone: list[int] = []
        if form.is_valid() and self.attempt(
            lambda: undone.append(
                undoing.undo(
                    actor=self.actor, batch=batch, reason=form.cleaned_data["reason"], seen=request.POST.get("seen")
                )
            ),
            form,
        ):  # fmt: skip
            messages.success(
                request, f"{undone[0]} line{'s' if undone[0] != 1 else ''} put back as before batch {number}."
            )
            return redirect(request.path)
        return self.shown(self.found(number), form, status=422)

    def shown(self, batch: Batch, form: ReasonForm, status: int = 200) -> HttpResponse:
        outlook = undoing.outlook(batch)
        fields = {name: words for words, names in BatchForm.GROUPS.values() for name in names}
        return self.render(
            batch=batch, verb=batching.DONE[batch.act], outlook=outlook, form=form, status=status,
            values=[(fields.get(name, name), name.replace("_", " "), text) for name, text in batch.values.items() if text],
            refused=batching.refusal_to_undo(self.actor, batch),
            free=outlook.free[:LINES_NAMED], more_free=max(0, len(outlook.free) - LINES_NAMED),
            tied=outlook.tied[:LINES_NAMED], more_tied=max(0, len(outlook.tied) - LINES_NAMED),
        )  # fmt: skip
