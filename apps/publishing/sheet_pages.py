"""Sheets on screen: per department, zone and device, their files, and the live page behind a device's QR code."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from zoneinfo import ZoneInfo

from django.contrib.auth.views import redirect_to_login
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views import View

from apps.common.errors import Missing
from apps.events import queries as events
from apps.events.actors import Actor
from apps.events.models import Department, Event, Zone
from apps.events.rules import refusal_to_write
from apps.events.views import EventPage
from apps.publishing import changes, queries, rendering
from apps.publishing.forms import SheetFilter
from apps.publishing.models import Edition, EditionLine
from apps.publishing.sheets import EditionHeader, SheetLine, Since, must_stay_off
from apps.registry.models import Unit

FEW = 8  # as many devices are seen without a search
MEDIA = {
    "pdf": "application/pdf",
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
}


@dataclass(frozen=True)
class Shown:
    """A line as a page shows it: the frozen values, and those that need the event's time zone put into words.

    `others`: further devices of the same frequency, of which the same is to be said.
    """

    line: SheetLine
    hours: str
    batteries: str
    others: list["Shown"] = field(default_factory=list)

    @classmethod
    def of(cls, line: SheetLine, zone: ZoneInfo) -> "Shown":
        return cls(line, rendering.hours(line, zone), rendering.batteries_of(line, zone))

    @property
    def number(self) -> str:
        """The unit's number on its carrier, where there are several."""
        return self.line.unit.rsplit("/", 1)[-1]


def together(lines: Iterable[SheetLine], zone: ZoneInfo, since: Since | None = None) -> list[Shown]:
    """Devices that differ in their numbers alone share a row, where the first of them stands; not if only some changed."""
    rows: dict[tuple[SheetLine, str], Shown] = {}
    for line in lines:
        mark = since.marks.get(line.unit, "") if since else ""
        key = replace(line, unit="", unit_label="", unit_key=""), mark
        shown = Shown.of(line, zone)
        if key in rows:
            rows[key].others.append(shown)
        else:
            rows[key] = shown
    return list(rows.values())


@dataclass(frozen=True)
class ZoneOfSheet:
    """The devices of one zone."""

    code: str
    name: str
    count: int
    rows: list[Shown]

    @property
    def jumps(self) -> list[Shown]:
        """The first device of each line, where there are so many that somebody wants to jump; else none."""
        firsts = {row.line.label: row for row in reversed(self.rows)}
        return list(reversed(firsts.values())) if len(self.rows) > FEW and len(firsts) > 1 else []


def by_zone(lines: Iterable[SheetLine], zone: ZoneInfo, since: Since | None) -> list[ZoneOfSheet]:
    found: dict[str, list[SheetLine]] = {}
    for line in lines:
        found.setdefault(line.zone, []).append(line)
    return [
        ZoneOfSheet(code, found[code][0].zone_name, len(found[code]), together(found[code], zone, since))
        for code in sorted(found)
    ]


class SheetPage(EventPage):
    here = "publishing:sheets"

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.event.timezone)

    def found_department(self) -> Department:
        row = events.departments_of(self.actor).filter(code=self.kwargs["department"]).first()
        if row is None:
            raise Missing()
        return row

    def found_edition(self, department: Department) -> tuple[Edition | None, Edition | None]:
        """The edition that counts for a department, and the one asked for with ?edition=, the same unless it is older."""
        counts = queries.standing_edition_of(self.event, department.code)
        number = self.request.GET.get("edition", "")
        if not number:
            return counts, counts
        editions = queries.editions_of(self.actor).filter(department__in=["", department.code])
        asked = editions.filter(number=number).first() if number.isdigit() else None
        if asked is None:
            raise Missing()
        return counts, asked

    def searched(self, lines: list[SheetLine]) -> "Found":
        """Of the devices with a frequency those that the address asks for."""
        on = [line for line in lines if line.frequency_hz is not None]
        form = SheetFilter(self.request.GET, lines=on, zone=self.zone)
        return Found(form, form.left(on), len(on), len(on) > FEW or bool(form.chosen()))


@dataclass(frozen=True)
class Found:
    """What a search leaves of a sheet's `total` devices; `offered` where there are enough to look for one."""

    form: SheetFilter
    lines: list[SheetLine]
    total: int
    offered: bool

    @property
    def partial(self) -> bool:
        return len(self.lines) < self.total


class Sheets(SheetPage):
    """Which sheets there are for this reader."""

    template = "publishing/sheets.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        standing = queries.standing_editions(self.event)
        whole = standing.get("")
        named = set(queries.standing_lines(self.actor).values_list("department", flat=True))
        rows = [
            (row, standing.get(row.code, whole), row.code in named)
            for row in events.departments_of(self.actor)
        ]
        by_name = sorted(events.zones_of(self.actor), key=lambda zone: zone.name.casefold())
        return self.render(rows=rows, zones=by_name, whole=whole, any=bool(standing))


class DepartmentSheet(SheetPage):
    """A department's sheet of the edition that counts, or of an older one with ?edition=, by zone."""

    template = "publishing/sheet.html"

    def get(self, request: HttpRequest, slug: str, department: str) -> HttpResponse:
        row = self.found_department()
        counts, edition = self.found_edition(row)
        if edition is None:
            return self.render(department=row, edition=None)
        lines = [queries.sheet_line(line) for line in _lines(self, edition, row)]
        header = queries.header_of(edition)
        found = self.searched(lines)
        editions = queries.editions_of(self.actor).filter(department__in=["", row.code])
        since = changes.since_before(self.actor, edition, row.code)
        return self.render(
            department=row, edition=edition, counts=counts, header=header, editions=editions[:20],
            off=must_stay_off(lines), since=since, zones=by_zone(found.lines, self.zone, since), found=found,
            cautions=rendering.cautions_for(header, lines),
        )  # fmt: skip


class SheetFile(SheetPage):
    """A department's sheet as paper, table or data."""

    def get(self, request: HttpRequest, slug: str, department: str, suffix: str) -> HttpResponse:
        row = self.found_department()
        _, edition = self.found_edition(row)
        if edition is None:
            raise Missing()
        header = queries.header_of(edition)
        lines = [queries.sheet_line(line) for line in _lines(self, edition, row)]
        since = changes.since_before(self.actor, edition, row.code) if suffix == "pdf" else None
        return _file(header, lines, row.code, suffix, since, f"{slug}-{row.code}-edition-{edition.number}")


class ZoneSheet(SheetPage):
    """Everything that a reader may see in one zone, each department from the edition that counts for it."""

    template = "publishing/zone_sheet.html"

    def get(self, request: HttpRequest, slug: str, zone: str) -> HttpResponse:
        place: Zone | None = events.zones_of(self.actor).filter(code=zone).first()
        if place is None:
            raise Missing()
        lines = [
            queries.sheet_line(line) for line in queries.standing_lines(self.actor).filter(zone=place.code)
        ]
        lines.sort(key=lambda line: (line.frequency_hz or 0, len(line.unit), line.unit))
        found = self.searched(lines)
        rows = together(found.lines, self.zone)
        return self.render(
            place=place, rows=rows, off=must_stay_off(lines), found=found, cautions=rendering.OWN_CAUTIONS
        )


class DeviceSheet(SheetPage):
    """One device: what to set at both ends; and its page on paper."""

    template = "publishing/device.html"

    def get(
        self, request: HttpRequest, slug: str, department: str, key: str, suffix: str = ""
    ) -> HttpResponse:
        row = self.found_department()
        counts, edition = self.found_edition(row)
        stored = _lines(self, edition, row).filter(unit_key=key).first() if edition else None
        if edition is None or stored is None:
            raise Missing()
        header, line = queries.header_of(edition), queries.sheet_line(stored)
        if suffix and suffix != "pdf":
            raise Missing()
        if suffix:
            from apps.publishing import paper  # noqa: PLC0415 - loaded by whoever prints

            answer = HttpResponse(paper.unit_page_pdf(header, line), content_type=MEDIA["pdf"])
            name = f"{slug}-{line.unit.replace('/', '-')}-edition-{edition.number}.pdf"
            answer["Content-Disposition"] = f'inline; filename="{name}"'
            return answer
        return self.render(
            department=row, edition=edition, counts=counts, header=header, shown=Shown.of(line, self.zone),
            since=changes.since_before(self.actor, edition, row.code),
            cautions=rendering.cautions_for(header, [line]),
        )  # fmt: skip


def _lines(page: SheetPage, edition: Edition, department: Department) -> QuerySet[EditionLine]:
    return queries.lines_of(page.actor, edition).filter(department=department.code)


def _file(
    header: EditionHeader, lines: list[SheetLine], code: str, suffix: str, since: Since | None, name: str
) -> HttpResponse:
    def printed() -> bytes:
        from apps.publishing import paper  # noqa: PLC0415 - loaded by whoever prints

        return paper.pdf(header, lines, code, since)

    drawn = {
        "pdf": printed,
        "csv": lambda: rendering.csv(header, lines),
        "json": lambda: rendering.json(header, lines),
    }
    if suffix not in drawn:
        raise Missing()
    answer = HttpResponse(drawn[suffix](), content_type=MEDIA[suffix])
    how = "inline" if suffix == "pdf" else "attachment"
    answer["Content-Disposition"] = f'{how}; filename="{name}.{suffix}"'
    return answer


# -- behind the QR --------------------------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """From one edition of a device to the next: what changed."""

    old: Edition
    new: Edition
    changes: list[changes.Change]


class LivePage(View):
    """What a device's QR code opens, without logging in: what counts for it now, and whether the paper still does.

    The key in the code is the right to see this one device; of a confidential department only whoever is logged in
    and may see it. Contact, notes and neighbours stay on the sheet; settings such as the pairing key show only to whoever
    is logged in and may see the sheet. `?e=` is the edition that the paper was printed from.
    """

    def get(self, request: HttpRequest, key: str) -> HttpResponse:
        unit = Unit.objects.select_related("carrier__registration__department__event").filter(key=key).first()
        if unit is None:
            raise Http404
        department = unit.carrier.registration.department
        event = department.event
        if department.confidential and not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        actor = self._reader(request, event)
        may_see = actor is not None and events.departments_of(actor).filter(pk=department.pk).exists()
        if department.confidential and not may_see:
            raise Http404
        with timezone.override(ZoneInfo(event.timezone)):
            answer = render(
                request,
                "publishing/live.html",
                self._context(request, unit, department, may_see=may_see)
                | {"may_report": actor is not None and not refusal_to_write(actor)},
            )
        answer["Cache-Control"] = "no-store"
        return answer

    @staticmethod
    def _reader(request: HttpRequest, event: Event) -> Actor | None:
        """Who reads it, where that is somebody of this event."""
        if not request.user.is_authenticated:
            return None
        try:
            return events.actor_in(request.user, event.slug)
        except Missing:
            return None

    @staticmethod
    def _context(
        request: HttpRequest, unit: Unit, department: Department, *, may_see: bool
    ) -> dict[str, object]:
        event, zone = department.event, ZoneInfo(department.event.timezone)
        counts = queries.standing_edition_of(event, department.code)
        stored = list(
            EditionLine.objects.select_related("edition")
            .filter(edition__event=event, unit_key=unit.key)
            .order_by("edition__number")
        )
        lines = [(line.edition, queries.sheet_line(line)) for line in stored]
        steps = [
            Step(old, new, changes.that_matter(before, after, zone, secrets=may_see))
            for (old, before), (new, after) in pairwise(lines)
        ]
        number = request.GET.get("e", "")
        printed = int(number) if number.isdigit() and len(number) < 9 else None
        # A number above the edition that counts was never on this device's paper.
        paper = printed if printed and counts and printed <= counts.number else None
        current = next((line for edition, line in lines if counts and edition.pk == counts.pk), None)
        held = next((line for edition, line in lines if edition.number == paper), None)
        return {
            "unit": unit,
            "site": event,
            "counts": counts,
            "shown": Shown.of(current, zone) if current else None,
            "last": lines[-1] if lines else None,
            "paper": paper,
            "paper_counts": bool(counts and paper == counts.number),
            "since_paper": changes.that_matter(held, current, zone, secrets=may_see)
            if held and current
            else None,
            "steps": list(reversed(steps)),
            "cautions": rendering.OWN_CAUTIONS,
            "department": department,
            "may_see": may_see,
            "hidden": not may_see,
        }
