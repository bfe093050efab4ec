"""Pages on which lines of a list are written: the form, and the import. The list itself shows frequencies: see planning."""

from collections import Counter
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.http import content_disposition_header

from apps.common.choice import whole_number
from apps.common.errors import Conflict, Fault, Faulty, Forbidden, Missing, Refusal, Stale
from apps.events.actors import Actor
from apps.events.queries import coordinators_of
from apps.events.rules import refusal_to_write
from apps.events.views import EventPage, add_refusal
from apps.registry import actions, queries, uploads
from apps.registry.asking import in_words, standing_on
from apps.registry.forms import (
    CAN_CHANGE,
    IN_MEGAHERTZ,
    UNSEEN,
    ManyForm,
    RegistrationForm,
    UploadForm,
    in_megahertz,
    next_label,
    typed_of,
)
from apps.registry.guidance import guidance, roles_of
from apps.registry.importing import COLUMN_WORDS, MEDIA_TYPES, Table, write_remarks, write_template
from apps.registry.judging import Judgement, Status, fingerprint, judge
from apps.registry.lines import COLUMNS, Names, hours_in_words
from apps.registry.models import Change, Draft, Registration, Upload
from apps.registry.rules import Granted, refusal_to_change, refusal_to_register
from apps.registry.states import RegistrationState, UploadState, may_move

SHOWN_ROWS = 100


class LinePage(EventPage):
    """A page about one line of the list."""

    here = "planning:devices"
    template = "registry/device.html"

    def found(self, key: int) -> Registration:
        row = queries.registrations_of(self.actor).filter(pk=key).first()
        if row is None:
            raise Missing()
        return row

    def back(self) -> str:
        return reverse("planning:devices", args=[self.event.slug])

    def forgotten(self) -> HttpResponse:
        """Where a draft was thrown away, there its form stands empty; who did so on another page gets the list."""
        if self.request.POST["forget"] != "elsewhere":
            return redirect(self.request.path)
        messages.success(self.request, "What you had typed and not saved is thrown away.")
        return redirect(self.back())

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.event.timezone)


class DeviceNew(LinePage):
    """A new line, empty or copied from another."""

    refusal = staticmethod(refusal_to_register)

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        copied = whole_number(request.GET.get("copy", ""))
        if copied is not None:
            original = self.found(copied)
            initial = typed_of(original, self.zone) | {"external_id": "", "fixed_hz": ""}
            labels = queries.registrations_of(self.actor).filter(department=original.department_id)
            initial["label"] = next_label(original.label, labels.values_list("label", flat=True))
            return self.shown(RegistrationForm(actor=self.actor, initial=initial))
        draft = queries.draft_of(self.actor, 0)
        return self.shown(
            RegistrationForm(actor=self.actor, initial=typed_in(draft) if draft else {}), draft=draft
        )

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        if "forget" in request.POST:
            actions.forget_draft(actor=self.actor, line=0)
            return self.forgotten()
        form = RegistrationForm(request.POST, actor=self.actor)
        judged: list[Judgement] = []
        if form.is_valid() and self.attempt(
            lambda: judged.extend(actions.register(actor=self.actor, rows=[form.row()], all_new=True)), form
        ):
            actions.forget_draft(actor=self.actor, line=0)
            _say_what_became(request, self.actor, judged[0])
            if "another" in request.POST:
                return redirect(
                    f"{request.path}?copy={judged[0].existing.pk}" if judged[0].existing else request.path
                )
            return redirect(self.back())
        actions.keep_draft(actor=self.actor, line=0, typed=form.typed())
        return self.shown(form, status=422)

    def shown(self, form: RegistrationForm, status: int = 200, draft: Draft | None = None) -> HttpResponse:
        return self.render(
            form=form, guidance=guidance(self.actor, form.row()), draft=draft, status=status,
            **kinds_offered(self.actor, "", str(form["kind"].value() or "")),
        )  # fmt: skip


class DevicesMany(LinePage):
    """Several new lines at once, typed into a table or pasted from a spreadsheet: all of them or none."""

    refusal = staticmethod(refusal_to_register)
    template = "registry/many.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        draft = queries.draft_of(self.actor, 0, many=True)
        return self.shown(ManyForm(actor=self.actor, rows=draft.typed["rows"] if draft else []), draft=draft)

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        if "forget" in request.POST:
            actions.forget_draft(actor=self.actor, line=0, many=True)
            return self.forgotten()
        more = ManyForm.ROWS if "more" in request.POST else 0
        form = ManyForm.typed_into(request.POST, actor=self.actor, more=more)
        rows = list(form.said().values())
        if more or not rows:
            return self.shown(form, nothing=not more)
        try:
            judged = actions.register(actor=self.actor, rows=rows, all_new=True)
        except Faulty as refusal:
            form.blame(refusal.faults)
            self.keep(form)
            return self.shown(form, status=422)
        except Conflict as refusal:
            self.say(refusal)
            return self.shown(form, status=409)
        actions.forget_draft(actor=self.actor, line=0, many=True)
        _say_what_became_of_many(request, self.actor, judged)
        return redirect(self.back())

    def keep(self, form: ManyForm) -> None:
        """What is typed so far, in case the browser closes."""
        said = form.rows[: max(form.said(), default=0)]
        actions.keep_draft(actor=self.actor, line=0, many=True, typed={"rows": said})

    def shown(self, form: ManyForm, status: int = 200, **more: Any) -> HttpResponse:
        return self.render(form=form, status=status, can_change=CAN_CHANGE, **more)


class DevicesManyHelp(DevicesMany):
    """What stands against the rows so far; what is typed is kept, in case the browser closes."""

    template = "registry/many_help.html"

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = ManyForm.typed_into(request.POST, actor=self.actor)
        said = form.said()
        self.keep(form)
        judged = judge(self.actor, said.values(), all_new=True)
        # What is still empty is missing only once it is sent.
        form.blame(fault for row in judged for fault in row.faults if fault.value)
        new = {number: row for number, row in zip(said, judged, strict=True) if row.status == Status.NEW}
        barred = actions.not_permitted_here(self.actor, new)
        return self.shown(form, ready=len(new), unready=len(said) - len(new), barred=barred)


def _say_what_became_of_many(request: HttpRequest, actor: Actor, judged: list[Judgement]) -> None:
    rows = [row.existing for row in judged if row.existing]
    barred = [row for row in rows if row.not_permitted]
    waiting = [row for row in rows if row.state == RegistrationState.SUBMITTED and not row.not_permitted]
    said = [f"{len(rows)} line{'s are' if len(rows) != 1 else ' is'} registered."]
    if waiting:
        said.append(f"{len(waiting)} wait{'s' if len(waiting) == 1 else ''} for a coordinator.")
    if len(waiting) + len(barred) < len(rows):
        said.append(queries.planned_next(actor, coordinators_of(actor)))
    if barred:
        named = ", ".join(f"«{row.label}»" for row in barred[:5]) + (", …" if len(barred) > 5 else "")
        said.append(f"Not permitted here, and without a frequency until a permission lifts this: {named}.")
    (messages.warning if barred else messages.success)(request, " ".join(said))


def typed_in(draft: Draft) -> dict[str, Any]:
    """A draft as the initial values of its form; whatever was ticked is true."""
    return {**draft.typed, "all_day": draft.typed.get("all_day") == "True"}


# What concerns no frequency.
FOR_PEOPLE = {"label", "contact", "notes", "settings", "external_id"}


def _say_what_became(request: HttpRequest, actor: Actor, judged: Judgement, done: str = "registered") -> None:
    registration = judged.existing
    if registration is None or judged.status == Status.UNCHANGED:
        messages.info(request, f"«{judged.label}» says the same as before; nothing was changed.")
    elif registration.not_permitted:
        messages.warning(
            request,
            f"«{registration}» is {done}, but not permitted here: {registration.not_permitted} "
            "It gets no frequency until a permission lifts this.",
        )
    else:
        said = f"«{registration}» is {done}"
        if shortage := _shortage(actor, registration):
            field = "low_hz" if registration.low_hz or registration.high_hz else "quantity"
            remedy = "widen its range" if field == "low_hz" else "ask for fewer, or take another kind"
            address = reverse("publishing:line", args=[actor.event.slug, registration.pk])
            messages.warning(
                request,
                format_html('{}. But {}: <a href="{}#id_{}">{}</a>.', said, shortage, address, field, remedy),
            )
        else:
            messages.success(request, f"{said}{_what_follows(actor, registration, judged)}")


def _what_follows(actor: Actor, registration: Registration, judged: Judgement) -> str:
    changes = set(judged.changes or {})
    if registration.state != RegistrationState.ACCEPTED:
        why = "registration has closed" if registration.late else "every line is looked at first"
        return f" and waits for a coordinator: {why}. {queries.looked_at_next(coordinators_of(actor))}"
    if changes <= FOR_PEOPLE and judged.status != Status.NEW:
        return "; nothing of that concerns its frequencies."
    kept = judged.status != Status.NEW and "kind" not in changes
    follows = (
        queries.planned_next(actor, coordinators_of(actor))
        if registration.kind.assigned
        else "It needs no frequency from us."
    )
    return (
        f". {follows}{' Those that it keeps stay until then.' if kept and registration.kind.assigned else ''}"
    )


def _shortage(actor: Actor, registration: Registration) -> str:
    """Why not all of a line can get a frequency, whatever others use; of one that stays where it is the plan decides."""
    if registration.fixed_hz and registration.can_change == Change.NO:
        return ""
    return next((role.shortage for role in roles_of(actor, registration) if role.too_many), "")


def _shown(form: RegistrationForm, name: str) -> str:
    """A field as it stands on the screen; empty where the form does not ask for it."""
    value = form[name].value() if name in form.fields else None
    return "" if value is None else str(value).replace("\r\n", "\n")


class Device(LinePage):
    """One line: change it, submit it again, withdraw it; readers see what it says."""

    def get(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        registration = self.found(pk)
        draft = queries.draft_of(self.actor, registration.pk)
        initial = typed_in(draft) if draft else typed_of(registration, self.zone)
        form = RegistrationForm(actor=self.actor, registration=registration, initial=initial)
        return self.shown(registration, form, draft=draft)

    def post(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        registration = self.found(pk)
        if "forget" in request.POST:
            actions.forget_draft(actor=self.actor, line=registration.pk)
            return self.forgotten()
        form = RegistrationForm(request.POST, actor=self.actor, registration=registration)
        if not form.is_valid():
            return self.shown(registration, form, status=422)
        try:
            judged = actions.change(
                actor=self.actor, registration=registration, values=form.row(), version=form.seen_version
            )
        except Stale:
            actions.keep_draft(actor=self.actor, line=registration.pk, typed=form.typed())
            return self.shown_stale(request, registration, form)
        except (Faulty, Conflict) as refusal:
            actions.keep_draft(actor=self.actor, line=registration.pk, typed=form.typed())
            add_refusal(form, refusal)
            return self.shown(registration, form, status=422)
        actions.forget_draft(actor=self.actor, line=registration.pk)
        _say_what_became(request, self.actor, judged, "saved")
        return redirect(self.back())

    def shown_stale(
        self, request: HttpRequest, registration: Registration, form: RegistrationForm
    ) -> HttpResponse:
        """Both values of every field that differs; saving once more then counts."""
        initial = typed_of(registration, self.zone)
        theirs = RegistrationForm(actor=self.actor, registration=registration, initial=initial)
        # Of another kind, other settings are asked for.
        fields = {**form.fields, **theirs.fields}
        both = [
            (str(field.label or name.capitalize()), *(_shown(each, name) for each in (form, theirs)))
            for name, field in fields.items()
            if name not in ("version", "all_day")
        ]
        differing = [(label, mine or "–", other or "–") for label, mine, other in both if mine != other]
        typed = request.POST.copy()
        typed["version"] = str(registration.version)
        fresh = RegistrationForm(typed, actor=self.actor, registration=registration)
        return self.shown(registration, fresh, status=409, differing=differing, stale=True)

    def shown(
        self, registration: Registration, form: RegistrationForm, status: int = 200, **more: Any
    ) -> HttpResponse:
        refusal = refusal_to_change(self.actor, registration)
        return self.render(
            form=form, registration=registration, refusal=refusal, status=status,
            under=[in_words(row, self.zone) for row in standing_on(registration, Granted(self.event))],
            facts=facts_of(registration, self.zone), version=registration.version,
            guidance=guidance(self.actor, form.row(), registration), **self.beside(registration), **more,
            **kinds_offered(self.actor, "", str(form["kind"].value() or "")),
            undecided=may_move(registration.state, RegistrationState.ACCEPTED),
            returnable=may_move(registration.state, RegistrationState.SENT_BACK),
        )  # fmt: skip

    def beside(self, registration: Registration) -> dict[str, Any]:
        """What the page shows of a line besides what it says: nothing that this app knows."""
        return {}


def facts_of(registration: Registration, zone: ZoneInfo) -> list[tuple[str, str]]:
    """What a line says, for whoever may only read it: names and megahertz instead of codes and hertz."""
    row = typed_of(registration, zone)
    hours = hours_in_words(registration.hours, zone)
    facts = [
        ("Kind", registration.kind.name),
        ("Department", registration.department.name),
        ("Zone", registration.zone.name),
        ("Frequencies", f"{registration.quantity}, and {registration.spares} in reserve"),
        ("Devices on each", str(registration.units)),
        ("On the air", hours),
        ("Priority", str(registration.priority)),
        ("Power", f"{row['power_mw']} mW" if row["power_mw"] else "the strongest that is permitted"),
        ("Uses now", f"{row['fixed_hz']} MHz, can change {registration.get_can_change_display()}" if row["fixed_hz"] else ""),
        ("Only from", f"{row['low_hz']} MHz" if row["low_hz"] else ""),
        ("Only up to", f"{row['high_hz']} MHz" if row["high_hz"] else ""),
        ("Settings", "; ".join(f"{name}: {text or '–'}" for name, text in registration.settings.items())),
        ("Contact", registration.contact),
        ("Notes", registration.notes),
        ("Its own number", registration.external_id),
    ]  # fmt: skip
    return [(name, text) for name, text in facts if text]


class DeviceMove(LinePage):
    """Withdraw a line, or submit it again as it stands."""

    def post(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        registration = self.found(pk)
        version = whole_number(request.POST.get("version", ""))
        if request.POST.get("do") == "withdraw":
            reason = request.POST.get("reason", "")
            if self.attempt(
                lambda: actions.withdraw(
                    actor=self.actor, registration=registration, reason=reason, version=version
                )
            ):
                messages.success(request, f"«{registration}» is withdrawn; it can be submitted again.")
        elif request.POST.get("do") in ("accept", "send back"):
            self.decide(request.POST["do"], registration, version)
        elif request.POST.get("do") == "submit":
            judged: list[Judgement] = []
            if self.attempt(
                lambda: judged.append(
                    actions.change(actor=self.actor, registration=registration, values={}, version=version)
                )
            ):
                _say_what_became(request, self.actor, judged[0], "submitted again")
        else:
            messages.error(request, "Choose what to do with the line.")
        return redirect(self.back())

    def decide(self, deed: str, registration: Registration, version: int | None) -> None:
        act = actions.accept if deed == "accept" else actions.send_back
        reason = self.request.POST.get("reason", "")
        if self.attempt(
            lambda: act(actor=self.actor, registration=registration, reason=reason, version=version)
        ):
            done = "accepted and enters the next run" if deed == "accept" else "sent back with your reason"
            messages.success(self.request, f"«{registration}» is {done}.")


class KindSearch(LinePage):
    """The kinds that plain words mean, to choose one from; the one that is chosen stays among them."""

    refusal = staticmethod(refusal_to_register)
    template = "registry/kind_offer.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.render(
            **kinds_offered(self.actor, request.GET.get("words", ""), request.GET.get("kind", ""))
        )


def kinds_offered(actor: Actor, words: str, chosen: str) -> dict[str, Any]:
    meant = queries.kinds_in_words(actor, words)
    rest = [] if meant else queries.kinds_in_words(actor, "")
    shown = meant or rest
    if chosen and all(kind.code != chosen for kind in shown):
        shown = [*actor.event.kinds.filter(code=chosen), *shown]
    # First, so that a list that scrolls shows what is chosen wherever the form comes back.
    shown = sorted(shown, key=lambda kind: kind.code != chosen)
    return {"kinds": shown, "meant": len(meant), "words": words.strip(), "chosen_kind": chosen}


class DeviceHelp(LinePage):
    """The help beside the form, for what is typed so far; what is typed is kept, in case the browser closes."""

    refusal = staticmethod(refusal_to_register)
    template = "registry/help.html"

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        key = whole_number(request.GET.get("line", ""))
        registration = None if key is None else self.found(key)
        form = RegistrationForm(request.POST, actor=self.actor, registration=registration)
        if self.as_before(form, registration):
            actions.forget_draft(actor=self.actor, line=registration.pk if registration else 0)
        elif not self.refused(registration):
            actions.keep_draft(
                actor=self.actor, line=registration.pk if registration else 0, typed=form.typed(),
                saved=lambda: self.saved_already(form, registration),
            )  # fmt: skip
        # Fields under somebody's hands are left alone; they follow another kind.
        turned = request.POST.get("asked-for", "") != (form.chosen.code if form.chosen else "")
        return self.render(guidance=guidance(self.actor, form.row(), registration), form=form, turned=turned)

    def refused(self, registration: Registration | None) -> str:
        if registration is None:
            return refusal_to_write(self.actor)
        return refusal_to_change(self.actor, registration)

    def as_before(self, form: RegistrationForm, registration: Registration | None) -> bool:
        """Whether everything is typed as it stood before anybody typed: then nothing is unfinished."""
        initial = typed_of(registration, self.zone) if registration else {}
        before = RegistrationForm(actor=self.actor, registration=registration, initial=initial)
        return all(_shown(form, name) == _shown(before, name) for name in before.fields if name not in UNSEEN)

    def saved_already(self, form: RegistrationForm, registration: Registration | None) -> bool:
        """Whether what is typed was saved while the browser still asked for help with it: then it is no draft any more."""
        if registration is None:
            return queries.has_label(self.actor, form.row(), since=form.opened_at)
        registration.refresh_from_db(fields=["version"])
        newer = form.seen_version is not None and form.seen_version < registration.version
        return newer and queries.draft_of(self.actor, registration.pk) is None


# -- files ----------------------------------------------------------------------------------


def file_answer(content: bytes, name: str) -> HttpResponse:
    """A file to be kept; what its name ends in says what it is."""
    form = name.rsplit(".", 1)[-1]
    answer = HttpResponse(content, content_type=MEDIA_TYPES.get(form, "application/octet-stream"))
    answer["Content-Disposition"] = content_disposition_header(True, name) or "attachment"
    return answer


class Template(EventPage):
    """An empty list with the columns' names; as a workbook with what may stand in them."""

    form = "csv"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return file_answer(write_template(Names(self.actor), self.form), f"devices.{self.form}")


class Import(EventPage):
    """Send a list. It is kept first and judged on its own page; nothing is saved yet."""

    here = "registry:import"
    template = "registry/import.html"
    refusal = staticmethod(refusal_to_register)

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.shown(UploadForm(actor=self.actor))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = UploadForm(request.POST, request.FILES, actor=self.actor)
        kept: list[Upload] = []
        if form.is_valid() and self.attempt(lambda: kept.append(self.keep(form)), form):
            return redirect("registry:upload", slug, kept[0].pk)
        return self.shown(form, status=422)

    def keep(self, form: UploadForm) -> Upload:
        file = form.cleaned_data["file"]
        code = form.cleaned_data.get("department")
        department = self.event.departments.get(code=code) if code else None
        return uploads.keep_upload(
            actor=self.actor, name=file.name, content=file.read(), department=department
        )

    def shown(self, form: UploadForm, status: int = 200) -> HttpResponse:
        found = queries.uploads_of(self.actor).defer("content", "read", "left_out")[:20]
        return self.render(
            form=form,
            uploads=[(upload, outcome_in_words(upload.outcome)) for upload in found],
            columns=[(name, COLUMN_WORDS[name]) for name in COLUMNS],
            most_rows=f"{settings.IMPORT_MAX_ROWS:,}",
            most_bytes=settings.IMPORT_MAX_BYTES,
            status=status,
        )


class UploadPage(EventPage):
    """One upload: every row judged against what is there now; saved as a whole or its good rows alone, or sent again."""

    here = "registry:import"
    template = "registry/upload.html"
    refusal = staticmethod(refusal_to_register)

    def found(self, pk: int) -> Upload:
        upload = queries.uploads_of(self.actor).filter(pk=pk).first()
        if upload is None:
            raise Missing()
        return upload

    def get(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        return self.shown(self.found(pk))

    def post(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        upload, deed = self.found(pk), request.POST.get("do", "save")
        if deed == "call off":
            if self.attempt(lambda: uploads.call_off(actor=self.actor, upload=upload)):
                messages.info(request, "Called off; nothing was saved.")
        elif deed in ("save", "save good rows"):
            seen, good_only = request.POST.get("seen", ""), deed == "save good rows"
            if (
                self.attempt(lambda: self.take(upload, seen, good_only))
                and not good_only
                and not upload.active
            ):
                return redirect("planning:devices", slug)
        else:
            messages.error(request, "Choose what to do with the list.")
        return redirect(request.path)

    def take(self, upload: Upload, seen: str, good_only: bool) -> None:
        """A short list at once; a long one by a worker, while the page shows how far it is."""
        rows = uploads.rows_of(upload, uploads.table_of(upload))
        if len(rows) > settings.IMPORT_AT_ONCE_ROWS:
            uploads.ask_to_save(actor=self.actor, upload=upload, seen=seen, good_only=good_only)
            upload.refresh_from_db()
            return
        outcome = uploads.save_upload(
            actor=self.actor, upload=upload, rows=rows, seen=seen, good_only=good_only
        )
        if not good_only:  # otherwise this page stays, and says it itself
            messages.success(self.request, f"Saved: {outcome_in_words(outcome)}.")

    def shown(self, upload: Upload) -> HttpResponse:
        form = UploadForm(
            actor=self.actor, initial={"department": upload.department and upload.department.code}
        )
        if upload.state != UploadState.KEPT:
            return self.render(
                upload=upload, form=form, outcome=outcome_in_words(upload.outcome),
                left_out=upload.outcome.get("left_out", 0), faults=upload.left_out[:SHOWN_ROWS],
            )  # fmt: skip
        try:
            table = uploads.table_of(upload)
            judgements = judge(self.actor, uploads.rows_of(upload, table))
        except (Faulty, Forbidden) as refusal:
            return self.render(
                upload=upload, form=form, refused=refusal, faults=getattr(refusal, "faults", [])
            )
        counts = Counter(judged.status.value for judged in judgements)
        wanted = self.request.GET.get("show", "")
        first = next(
            (s.value for s in (Status.FAULTY, Status.CHANGED, Status.NEW) if counts[s.value]),
            Status.UNCHANGED.value,
        )
        show = wanted if wanted in counts else first
        rows = [judged for judged in judgements if judged.status.value == show]
        page = Paginator(rows, SHOWN_ROWS).get_page(self.request.GET.get("page"))
        return self.render(
            upload=upload, form=form, table=table, page=page, show=show, total=len(judgements),
            counts=[(s.value, counts[s.value]) for s in (Status.FAULTY, Status.NEW, Status.CHANGED, Status.UNCHANGED)],
            faulty=counts[Status.FAULTY.value], something=counts[Status.NEW.value] + counts[Status.CHANGED.value],
            seen=fingerprint(judgements), rows=[(judged, changes_in_words(judged)) for judged in page],
        )  # fmt: skip


class UploadProgress(UploadPage):
    """The moving part of a list's page while a worker saves it; then the whole page is asked for again."""

    template = "registry/saving.html"

    def get(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        upload = self.found(pk)
        answer = self.render(upload=upload)
        if not upload.active:
            answer["HX-Refresh"] = "true"
        return answer


def outcome_in_words(outcome: Mapping[str, int]) -> str:
    left_out = outcome.get("left_out", 0)
    words = ", ".join(f"{outcome.get(name, 0)} {name}" for name in ("new", "changed", "unchanged"))
    return f"{words}, {left_out} left out" if left_out else words


def changes_in_words(judged: Judgement) -> list[tuple[str, str, str]]:
    """(field, old, new) of a changed row, as people read them."""

    def plain(name: str, value: Any) -> str:
        if value is None or value == "" or value == {}:
            return "–"
        if isinstance(value, dict):
            return "; ".join(f"{name}={text}" for name, text in value.items())
        if isinstance(value, datetime):
            return f"{timezone.localtime(value):%d %b %H:%M}"
        if name in IN_MEGAHERTZ:
            return f"{in_megahertz(value)} MHz"
        return f"{value:g}" if isinstance(value, float) else str(getattr(value, "code", value))

    if judged.status != Status.CHANGED:
        return []
    return [
        (name.removesuffix("_hz").removesuffix("_at").replace("_", " "), plain(name, old), plain(name, new))
        for name, (old, new) in (judged.changes or {}).items()
    ]


class UploadFile(UploadPage):
    """The upload as it came, or with what is wrong beside each row: of all rows, or of those that cannot be taken."""

    def get(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        upload, asked = self.found(pk), request.GET.get("as", "")
        if asked not in ("remarks", "faulty"):
            return file_answer(uploads.content_of(upload), upload.name)
        try:
            table = uploads.table_of(upload)
        except Refusal:
            raise Missing() from None
        faults = self.faults(upload, table)
        wanted = {fault.row for fault in faults} if asked == "faulty" else None
        rows = {number: row for number, row in enumerate(table.rows, 1) if wanted is None or number in wanted}
        name = f"upload-{pk}-{'to-mend' if asked == 'faulty' else 'remarks'}.{table.form}"
        return file_answer(write_remarks(rows, faults, table.form), name)

    def faults(self, upload: Upload, table: Table) -> list[Fault]:
        """What was wrong when it was saved; before that, what is wrong now."""
        if upload.state == UploadState.SAVED:
            return [Fault(**fault) for fault in upload.left_out]
        judgements = judge(self.actor, uploads.rows_of(upload, table))
        return [fault for judged in judgements for fault in judged.faults]
