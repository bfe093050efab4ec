"""Sheets on paper: pure functions from an edition's frozen lines to PDF.

The paper serves the person on site, in the sun and in the rain: what to tune in large figures, what must match at both
ends, the spare, when to change batteries, and what must stay off. Status is word plus shape, so that it reads in black
and white. The same lines give the same bytes. Whoever prints imports this when printing: the letters take half a second to load.
"""

import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

import segno
from reportlab.lib import colors
from reportlab.lib.enums import TA_LEFT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from apps.publishing.rendering import (
    FIRST_CAUTION,
    STAY_OFF,
    batteries_of,
    cautions_for,
    hours,
    live_address,
    megahertz,
)
from apps.publishing.sheets import EditionHeader, MustStayOff, SheetLine, Since, must_stay_off

SHAPES = {"locked": "■ locked", "approved": "● approved", "outsider": "◆ outside"}
OUTLOOKS = {"fine": "✓", "test at rehearsal": "◐", "expect trouble": "▲"}
CHANGES_TOLD = 60
ACCEPTED_TOLD = 4
KEPT_ROWS = 4  # the last devices that stay with the cautions
OFF = "✕ stay off"
BESIDE = TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (0, -1), 0)])
INK, RULE, SHADE = colors.black, colors.Color(0.55, 0.55, 0.55), colors.Color(0.93, 0.93, 0.93)


for _name, _file in (
    ("Sheet", "DejaVuSans"),
    ("Sheet-Bold", "DejaVuSans-Bold"),
    ("Sheet-Mono", "DejaVuSansMono-Bold"),
):
    pdfmetrics.registerFont(TTFont(_name, str(Path(__file__).parent / "fonts" / f"{_file}.ttf")))


def _style(
    name: str, size: float, *, bold: bool = False, mono: bool = False, lead: float = 1.25
) -> ParagraphStyle:
    font = "Sheet-Mono" if mono else "Sheet-Bold" if bold else "Sheet"
    return ParagraphStyle(
        name, fontName=font, fontSize=size, leading=size * lead, textColor=INK, alignment=TA_LEFT
    )


TITLE, HEAD, TEXT, SMALL = (
    _style("title", 20, bold=True),
    _style("head", 12, bold=True),
    _style("text", 9),
    _style("small", 7.5),
)
FIGURE, HUGE = _style("figure", 14, mono=True, lead=1.15), _style("huge", 44, mono=True)
WIDTH = A4[0] - 24 * mm


class Code(Flowable):
    """A QR code drawn as vectors."""

    def __init__(self, text: str, size: float) -> None:
        super().__init__()
        self.matrix, self.width, self.height = segno.make(text, error="m").matrix, size, size

    def draw(self) -> None:
        step = self.width / len(self.matrix)
        canvas = self.canv
        canvas.setFillColor(INK)
        for y, row in enumerate(self.matrix):
            for x, dark in enumerate(row):
                if dark:
                    canvas.rect(
                        x * step, self.height - (y + 1) * step, step * 1.02, step * 1.02, stroke=0, fill=1
                    )


def pdf(
    header: EditionHeader, lines: Sequence[SheetLine], department: str = "", since: Since | None = None
) -> bytes:
    """One department's paper (or the whole event's): cover, what changed, what must stay off, then a table per zone."""
    named = (
        next((line.department_name for line in lines if line.department == department), department)
        or "whole event"
    )
    zone = ZoneInfo(header.timezone)
    story: list[Flowable] = _cover(header, named, lines, zone)
    if since:
        story += _changed(since)
    off = [line for line in lines if line.frequency_hz is None]
    if off:
        story += [
            Spacer(1, 5 * mm),
            Paragraph(f"Must stay off: {len(off)} device{'s' if len(off) != 1 else ''}", HEAD),
            Spacer(1, 2 * mm),
            _off_table(must_stay_off(off)),
        ]
    on = [line for line in lines if line.frequency_hz is not None]
    cautions = [Paragraph(f"▲ {escape(text)}", SMALL) for text in cautions_for(header, lines)]
    codes = sorted({line.zone for line in on})
    for code in codes:
        here = [line for line in on if line.zone == code]
        last = cautions if code == codes[-1] else []
        story += [Spacer(1, 6 * mm), _table(header, here, zone, since.marks if since else {}, last)]
    if not lines:
        story += [Spacer(1, 8 * mm), Paragraph("This department has no devices in this edition.", TEXT)]
    if not codes:
        story += [Spacer(1, 4 * mm), _boxed(cautions)]
    return _built(header, story, f"{named}, edition {header.number}")


def unit_page_pdf(header: EditionHeader, line: SheetLine) -> bytes:
    """One page for one device: the frequency large, all settings for both ends, spare, batteries, QR."""
    zone = ZoneInfo(header.timezone)
    story: list[Flowable] = [
        Paragraph(escape(line.unit_label), TITLE),
        Paragraph(
            f"{escape(line.kind_name)}, {escape(line.role_name)} · {escape(line.zone_name)} · {escape(line.department_name)}",
            TEXT,
        ),
        Paragraph(
            f"{escape(header.event_name)}, edition {header.number}, published "
            f"{header.published_at.astimezone(zone):%A %d %B %Y, %H:%M}. Times are local ({escape(header.timezone)}).",
            TEXT,
        ),
        Spacer(1, 8 * mm),
    ]
    tuned: list[Flowable] = [
        Paragraph(
            f"{megahertz(line.frequency_hz)}<font size=18> MHz</font>" if line.frequency_hz else OFF, HUGE
        ),
        Paragraph(_beside(line) if line.frequency_hz else escape(line.reason), HEAD),
    ]
    scan: list[Flowable] = [
        Code(live_address(header, line), 34 * mm),
        Paragraph("Scan: is this sheet still the one that counts?", SMALL),
    ]
    story += [
        Table([[tuned, scan if line.unit_key else ""]], colWidths=[WIDTH - 44 * mm, 44 * mm], style=BESIDE),
        Spacer(1, 6 * mm),
        Paragraph("Match at both ends", HEAD),
    ]
    story.append(_to_set(line.both_ends or (("–", "–"),)))
    for words, pairs in line.set_apart:
        story += [Spacer(1, 3 * mm), Paragraph(words.capitalize(), HEAD), _to_set(pairs)]
    facts = [
        ("On the air", hours(line, zone)),
        ("Batteries", escape(batteries_of(line, zone))),
        ("Spare", escape(line.in_reserve) or "<br/>".join(map(escape, line.spares)) or "none"),
        ("Beware of", "<br/>".join(map(escape, line.beware)) or "nobody near"),
        ("What to expect", _expected(line)),
        ("Contact", escape(line.contact)),
        ("On site", escape(header.contact_on_site) or "the coordinator"),
        ("Notes", escape(line.notes)),
    ]
    story += [
        Spacer(1, 8 * mm),
        _ruled(
            Table(
                [[Paragraph(a, TEXT), Paragraph(b, TEXT)] for a, b in facts],
                colWidths=[60 * mm, WIDTH - 60 * mm],
            )
        ),
    ]
    story += [Spacer(1, 4 * mm), Paragraph(f"▲ <b>{STAY_OFF}</b> {FIRST_CAUTION}", TEXT)]
    return _built(header, story, f"{line.unit_label}, edition {header.number}")


def _cover(header: EditionHeader, named: str, lines: Sequence[SheetLine], zone: ZoneInfo) -> list[Flowable]:
    published = header.published_at.astimezone(zone)
    replaces = f" It replaces edition {header.replaces}: destroy that." if header.replaces else ""
    on = len({line.carrier for line in lines if line.frequency_hz})
    off = len({line.carrier for line in lines if not line.frequency_hz})
    story: list[Flowable] = [
        Paragraph(escape(named), TITLE),
        Spacer(1, 1 * mm),
        Paragraph(escape(", ".join(filter(None, (header.event_name, header.site)))), HEAD),
        Spacer(1, 2 * mm),
        Paragraph(
            f"Edition {header.number}, published {published:%A %d %B %Y, %H:%M} by {escape(header.published_by)}. "
            f"Fingerprint {header.digest[:12]}.{replaces}",
            TEXT,
        ),
        Paragraph(f"{_counted(on, off)}{_example(lines)}. Times are local "
                  f"({escape(header.timezone)}). Rules: {escape(header.ruleset_name)}.", TEXT),
    ]  # fmt: skip
    if header.note:
        story.append(Paragraph(f"<b>Note: {escape(header.note)}</b>", TEXT))
    if header.contact_on_site:
        story.append(Paragraph(f"On site: <b>{escape(header.contact_on_site)}</b>", TEXT))
    return [*story, Spacer(1, 2 * mm), Paragraph(f"▲ <b>{FIRST_CAUTION}</b> More at the end.", TEXT)]


def _counted(on: int, off: int) -> str:
    """How many frequencies the sheet names, and how many were asked for beside them."""
    named = f"{on} frequenc{'y' if on == 1 else 'ies'}"
    return (
        f"{named}; {off} more {'was' if off == 1 else 'were'} asked for, and what has none must stay off"
        if off
        else named
    )


def _example(lines: Sequence[SheetLine]) -> str:
    """How a device is named, said once with one of the sheet's own."""
    line = next((line for line in lines if line.unit), None)
    return (
        f"; {line.unit} is device {line.unit.rsplit('/', 1)[-1]} on frequency {line.carrier}" if line else ""
    )


def _boxed(cautions: Sequence[Flowable]) -> Flowable:
    """The cautions of a sheet that names no frequency."""
    box = Table([[caution] for caution in cautions], colWidths=[WIDTH])
    box.setStyle(TableStyle(_as_cautions(0)))
    return box


def _as_cautions(first: int) -> list[tuple[Any, ...]]:
    """How the rows of a table from `first` on look that hold cautions, each as wide as the table."""
    return [
        ("BOX", (0, first), (-1, -1), 1, INK),
        ("BACKGROUND", (0, first), (-1, -1), SHADE),
        ("TOPPADDING", (0, first), (-1, -1), 1),
        ("BOTTOMPADDING", (0, first), (-1, -1), 1),
    ]


def _changed(since: Since) -> list[Flowable]:
    """What is different from the paper that this one replaces; without it everybody compares the two by eye."""
    told = since.words[:CHANGES_TOLD]
    more = len(since.words) - len(told)
    head = f"Changed since edition {since.edition}: {len(since.words) or 'nothing'}"
    return [
        Spacer(1, 5 * mm),
        Paragraph(head, HEAD),
        *(Paragraph(f"≠ {escape(words)}", SMALL) for words in told),
        *([Paragraph(f"and {more} more, marked in their rows", SMALL)] if more else []),
    ]


def _table(
    header: EditionHeader,
    lines: Sequence[SheetLine],
    zone: ZoneInfo,
    marks: Mapping[str, str],
    cautions: Sequence[Flowable],
) -> Flowable:
    """A zone's devices: label, frequency, what stands beside it, settings, hours and batteries, and the live page.

    Cautions that follow keep together with the last devices: alone they would make a page that is nearly empty.
    """
    title = Paragraph(f"{escape(lines[0].zone_name)} <font size=8>({len(lines)} devices)</font>", HEAD)
    heads = ["Device", "MHz", "Match at both ends", "On the air · batteries", ""]
    rows: list[list[Any]] = [[title, "", "", "", ""], [Paragraph(f"<b>{text}</b>", SMALL) for text in heads]]
    whole: list[tuple[Any, ...]] = []
    said, by = (
        "",
        "",
    )  # devices of one frequency share what there is to beware of: it is spelled out for the first
    for line in lines:
        beware = _beware(line)
        if beware != said:
            said, by = beware, line.unit
        elif beware:
            beware = f"beware: as {escape(by)}"
        rows.append(
            [
                [
                    Paragraph(f"<b>{escape(line.unit)}</b>", TEXT),
                    Paragraph(
                        "<br/>".join(
                            map(escape, filter(None, (line.label, line.kind_name, line.contact, line.notes)))
                        ),
                        SMALL,
                    ),
                ],
                [
                    Paragraph(megahertz(line.frequency_hz or 0), FIGURE),
                    *(
                        [Paragraph(f"≠ <b>{escape(marks[line.unit])}</b>", SMALL)]
                        if line.unit in marks
                        else []
                    ),
                    Paragraph(_beside(line), SMALL),
                ],
                [*_settings(line), Paragraph(_spare(line), SMALL)],
                [
                    Paragraph(f"{hours(line, zone)}<br/>{escape(batteries_of(line, zone))}", SMALL),
                    Paragraph(beware, SMALL),
                ],
                Code(live_address(header, line), 15 * mm) if line.unit_key else "",
            ]
        )
        if line.accepted:  # a row of its own below, as wide as the table
            whole.append(("SPAN", (0, len(rows)), (-1, len(rows))))
            whole.append(("LINEABOVE", (0, len(rows)), (-1, len(rows)), 0.5, colors.white))
            words = [Paragraph(f"▲ {escape(f'{line.unit}: {words}')}", SMALL) for words in _accepted(line)]
            rows.append([words, "", "", "", ""])
    if cautions:
        first = len(rows)
        rows += [[caution, "", "", "", ""] for caution in cautions]
        whole += [("SPAN", (0, row), (-1, row)) for row in range(first, len(rows))]
        whole += [*_as_cautions(first), ("LINEBELOW", (0, first), (-1, -2), 0.5, SHADE)]
    table = Table(
        rows, colWidths=[43 * mm, 37 * mm, 48 * mm, WIDTH - 146 * mm, 18 * mm], repeatRows=2, splitInRow=1
    )
    table.setStyle(
        TableStyle(
            [
                ("SPAN", (0, 0), (-1, 0)),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 1), (-1, -1), 0.5, RULE),
                ("LINEBELOW", (0, 0), (-1, 0), 1.2, INK),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 4),
                *whole,
            ]
        )
    )
    table.wrap(WIDTH, A4[1])
    heights: list[float] = table._rowHeights  # known once it is wrapped; reportlab has no other door to them
    # Only a row that fills most of a page may go on overleaf: its figures belong together.
    table.splitInRow = int(max(heights) > A4[1] / 2)
    if cautions:
        table.setStyle([("NOSPLIT", (0, _kept_together(heights, first)), (-1, -1))])
    return table


def _kept_together(heights: Sequence[float], cautions: int) -> int:
    """The first of the last rows that stay on one page with the cautions, which begin at a row: no more than fill half a page."""
    first = cautions
    while first > cautions - KEPT_ROWS and first > 2 and sum(heights[first - 1 :]) < A4[1] / 2:
        first -= 1
    return first


def _off_table(groups: Sequence[MustStayOff]) -> Flowable:
    rows: list[list[Any]] = [
        [
            Paragraph(f"<b>{OFF}</b>", TEXT),
            [
                Paragraph(f"<b>{escape(row.label)}</b>", TEXT),
                Paragraph(f"{escape(row.kind_name)}: {escape(', '.join(row.units))}", SMALL),
            ],
            Paragraph(escape(row.reason), SMALL),
        ]
        for row in groups
    ]
    return _ruled(Table(rows, colWidths=[26 * mm, 60 * mm, WIDTH - 86 * mm]))


def _ruled(table: Table) -> Table:
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, -1), 0.5, RULE),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
            ]
        )
    )
    return table


def _beside(line: SheetLine) -> str:
    channel = f"TV {line.channel} · " if line.channel else ""
    power = f"{line.power_mw:g} mW · " if line.power_mw else ""
    return f"{channel}{power}{SHAPES.get(line.status, line.status)}"


def _to_set(pairs: Iterable[tuple[str, str]]) -> Table:
    """Settings of one device, with room to write where nothing is filled in."""
    rows = [
        [Paragraph(escape(name), TEXT), Paragraph(escape(value) or "______________", TEXT)]
        for name, value in pairs
    ]
    return _ruled(Table(rows, colWidths=[60 * mm, WIDTH - 60 * mm]))


def _settings(line: SheetLine) -> list[Flowable]:
    """What must match at both ends, one below the other; all others behind it, in as little room as they take."""

    def written(pairs: Iterable[tuple[str, str]], between: str) -> str:
        return between.join(f"{escape(name)}: <b>{escape(value) or '________'}</b>" for name, value in pairs)

    found: list[Flowable] = [Paragraph(written(line.both_ends, "<br/>") or "–", SMALL)]
    for words, pairs in line.set_apart:
        found += [Spacer(1, 1 * mm), Paragraph(f"{words} – {written(pairs, '; ')}", SMALL)]
    return found


def _spare(line: SheetLine) -> str:
    if line.spare_of:
        return f"▷ {escape(line.in_reserve)}"
    return "<br/>".join(f"▷ spare {escape(spare)}" for spare in line.spares)


def _beware(line: SheetLine) -> str:
    word = f"{OUTLOOKS.get(line.outlook, '')} {line.outlook}; " if line.outlook else ""
    margin = [f"{word}model: {escape(line.margin)}"] if line.margin else []
    return "<br/>".join([*(f"near: {escape(text)}" for text in line.beware), *margin])


def _accepted(line: SheetLine) -> list[str]:
    """What was accepted, no more of it than leaves room for the rest of the page."""
    more = len(line.accepted) - ACCEPTED_TOLD
    rest = [f"and {more} more: on the device's page of the service"] if more > 0 else []
    return [*line.accepted[:ACCEPTED_TOLD], *rest]


def _expected(line: SheetLine) -> str:
    """The margin with its word, and what was accepted, for the page of one device."""
    word = f"{OUTLOOKS.get(line.outlook, '')} {line.outlook}: " if line.outlook else ""
    margin = [f"{word}by the model {escape(line.margin)}"] if line.margin else []
    margin += [f"most at risk from {escape(line.most_at_risk)}"] if line.most_at_risk else []
    return "<br/>".join([*margin, *(f"▲ {escape(words)}" for words in _accepted(line))]) or "–"


def _built(header: EditionHeader, story: list[Flowable], footer: str) -> bytes:
    out = io.BytesIO()
    frame = Frame(12 * mm, 14 * mm, WIDTH, A4[1] - 26 * mm, 0, 0, 0, 0)
    template = BaseDocTemplate(
        out,
        pagesize=A4,
        title=footer,
        author=header.event_name,
        subject=f"digest {header.digest}",
        invariant=1,
        pageCompression=1,
    )
    template.addPageTemplates(PageTemplate("page", [frame]))
    foot = f"{header.event_name} · {footer}"

    class Numbered(Canvas):
        """Keeps its pages until their number is known."""

        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self._pages: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self._pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self._pages, 1):
                self.__dict__.update(page)
                self.setFont("Sheet", 7.5)
                self.drawString(12 * mm, 8 * mm, foot)
                self.drawRightString(A4[0] - 12 * mm, 8 * mm, f"page {number} of {len(self._pages)}")
                super().showPage()
            super().save()

    template.build([KeepTogether([]), *story], canvasmaker=Numbered)
    return out.getvalue()
