"""Device lists as files: reading text or a workbook of whatever make into rows, and writing rows that read back."""

import csv
import difflib
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings

from apps.common.errors import Fault, Faulty
from apps.registry import workbooks
from apps.registry.lines import COLUMNS, KEY, READ_ONLY, REQUIRED, Names
from apps.registry.models import Change

_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_KNOWN = {*COLUMNS, *READ_ONLY, KEY}
# What spreadsheets take for the beginning of a formula (OWASP, CSV Injection), behind any apostrophes against it.
_FORMULA = re.compile(r"'*[=+\-@\t\r＝＋－＠]")
_NUMBERS = ("power_mw", "fixed_hz", "low_hz", "high_hz")
FORMS = ("csv", "xlsx")
MEDIA_TYPES = {"csv": "text/csv; charset=utf-8", "xlsx": workbooks.MEDIA_TYPE}

COLUMN_WORDS = {
    "external_id": "your own number; a line with the same number is changed instead of entered twice",
    "label": "what your crew calls it, unique in its department; must be there",
    "kind": "code or name of a kind of this event; must be there",
    "department": "code or name; may be left out by who leads just one",
    "zone": "code or name of a zone; must be there",
    "quantity": "how many frequencies at the same time; empty: 1",
    "units": "how many devices on each; empty: 1",
    "spares": "how many frequencies in reserve; empty: 0",
    "start": "switched on from, such as 2027-06-11T18:00 or Fri 11 June 18:00, local time of the event",
    "end": "until; leave start and end empty for all day",
    "all_day": "yes or no",
    "stretches": "on more than once: start/end; start/end, such as 2027-06-11T18:00/2027-06-11T23:00 or 11 June 18:00–23:00",
    "priority": "1 (the show stops without it) to 9; empty: 2",
    "power_mw": "milliwatts; empty: the strongest permitted",
    "fixed_hz": "the frequency in use now: 470125000 or 470.125 MHz",
    "low_hz": "only from this frequency",
    "high_hz": "up to this frequency",
    "can_change": "no, between shows or freely: whether the frequency in use can change",
    "contact": "who answers for it on the day",
    "notes": "anything else",
    "settings": "for the sheet, name=value; name=value, such as pairing key=17; low cut=80 Hz",
}


@dataclass(frozen=True)
class Table:
    """Rows of a file, and what was recognised in it, to be said to whoever uploaded it.

    form: csv or xlsx; encoding and separator of the one, name of the sheet of the other.
    """

    rows: list[dict[str, str]]
    form: str = "csv"
    encoding: str = ""
    separator: str = ""
    sheet: str = ""

    @property
    def recognised(self) -> str:
        """In words: how the file was read."""
        how = (
            f"read from the sheet «{self.sheet}»"
            if self.form == "xlsx"
            else f"read as {self.encoding}, separated by {self.separator}"
        )
        return f"{how}, with decimal commas" if self.decimal_commas else how

    @property
    def decimal_commas(self) -> bool:
        return any(re.match(r"\s*\d+,\d", row.get(name, "")) for row in self.rows for name in _NUMBERS)


def read_list(content: bytes) -> Table:
    """Read a file with a header row, text or workbook. Raises Faulty when the file as a whole cannot be taken."""
    check_size(len(content))
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise _refused(
            "file",
            "",
            "This is a workbook of an old make, or locked by a password. Save it as XLSX without one, or as CSV.",
        )
    return read_workbook(content) if workbooks.is_workbook(content) else read_csv(content)


def read_workbook(content: bytes) -> Table:
    """Read the sheet of a workbook that names our columns. Raises Faulty."""
    check_size(len(content))
    sheet = workbooks.read_sheet(content, _KNOWN)
    header, *lines = sheet.rows
    header = header + [""] * (max(map(len, sheet.rows)) - len(header))
    faults = [
        Fault(
            row, header[place].strip() if place < len(header) else "", "",
            "The file does not hold what this formula comes to; put the value itself into the cell.",
        )
        for row, place in sheet.unread
    ]  # fmt: skip
    return Table(_rows(header, lines, faults), "xlsx", sheet=sheet.name)


def read_csv(content: bytes) -> Table:
    """Read text with a header row. Raises Faulty.

    Encoding: UTF-8 with or without mark, UTF-16 with mark, else Windows-1252. Separator: whichever splits the header
    into the most columns that we know. Empty lines are passed over.
    """
    check_size(len(content))
    text, encoding = _decoded(content)
    if not text.strip():
        raise _refused(
            "file", "", "The file is empty. Its first line names the columns: " + ",".join(COLUMNS)
        )
    separator = _separator(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        header, *lines = _bounded(reader)
    except csv.Error as error:
        raise _refused(
            "file", "", f"Line {reader.line_num} cannot be read as CSV ({error}); look at its quotes."
        ) from None
    faults = [
        Fault(
            number, "", f"{len(cells)} cells under {len(header)} columns",
            f"Too many cells; put text that holds a {_SEPARATORS[separator]} into quotes.",
        )
        for number, cells in enumerate(lines, 1)
        if any(cell.strip() for cell in cells[len(header) :])
    ]  # fmt: skip
    return Table(_rows(header, lines, faults), "csv", encoding, _SEPARATORS[separator])


def _rows(header: Sequence[str], lines: Iterable[Sequence[str]], faults: list[Fault]) -> list[dict[str, str]]:
    """The lines by the columns' names; a line that ends early is blank from there on. Raises Faulty."""
    names = [name.strip().lower().lstrip("\ufeff") for name in header]
    _judge_header(names)
    rows = []
    for number, cells in enumerate(lines, 1):
        full = [_plain(cell) for cell in cells] + [""] * (len(names) - len(cells))
        nameless = [cell for name, cell in zip(names, full, strict=False) if not name and cell.strip()]
        if nameless:
            faults.append(
                Fault(
                    number,
                    "",
                    nameless[0][:200],
                    "No name stands above this cell; name its column, or empty it.",
                )
            )
        rows.append({name: cell for name, cell in zip(names, full, strict=False) if name})
    if faults:
        raise Faulty(sorted(faults, key=lambda fault: fault.row))
    return rows


def check_size(size: int) -> None:
    """Raises Faulty when a file of so many bytes is too large to be taken."""
    if size > settings.IMPORT_MAX_BYTES:
        raise _refused(
            "file",
            f"{size:,} bytes",
            f"The file has {size:,} bytes; at most {settings.IMPORT_MAX_BYTES:,} are taken. Split it.",
        )


def _bounded(reader: Iterable[list[str]]) -> list[list[str]]:
    lines = [cells for cells in reader if any(cell.strip() for cell in cells)]
    rows = len(lines) - 1
    if rows > settings.IMPORT_MAX_ROWS:
        raise _refused(
            "file",
            f"{rows:,} rows",
            f"The file has {rows:,} rows; at most {settings.IMPORT_MAX_ROWS:,} are taken. Split it.",
        )
    return lines


def _decoded(content: bytes) -> tuple[str, str]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return content.decode("utf-16"), "UTF-16"
        except UnicodeDecodeError:
            raise _refused("file", "", "The file says it is UTF-16 but is not; save it as UTF-8.") from None
    if content.count(b"\x00") > len(content) // 4:
        # Text of Latin letters in UTF-16 without its mark: every other byte is zero.
        encoding = "utf-16-be" if content[:1] == b"\x00" else "utf-16-le"
        return content.decode(encoding, errors="replace"), "UTF-16"
    if b"\x00" in content:
        raise _refused("file", "", "This is no text file. Save the list as CSV (UTF-8), then upload that.")
    try:
        return content.decode("utf-8-sig"), "UTF-8"
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace"), "Windows-1252"


def _separator(text: str) -> str:
    header = next(line for line in text.splitlines() if line.strip())

    def score(separator: str) -> int:
        return sum(
            name.strip().strip('"').lower().lstrip("\ufeff") in _KNOWN for name in header.split(separator)
        )

    return max(_SEPARATORS, key=score)


def _judge_header(header: list[str]) -> None:
    if not set(header) & set(COLUMNS):
        raise _refused(
            "file",
            ",".join(header)[:100],
            "The first line names none of our columns. Separate them with commas, semicolons or tabs: "
            + ",".join(COLUMNS),
        )
    faults = [
        Fault(0, name, name, f"The column «{name}» stands twice; remove one of them.")
        for name in sorted({name for name in header if name and header.count(name) > 1})
    ]
    for name in filter(None, header):
        if name not in _KNOWN:
            close = difflib.get_close_matches(name, COLUMNS, 1)
            hint = (
                f"did you mean {close[0]}?"
                if close
                else "remove it, or take its name away and its cells with it."
            )
            faults.append(Fault(0, name, name, f"There is no column «{name[:60]}»; {hint}"))
    if faults:
        raise Faulty(faults)


def _refused(name: str, value: str, message: str) -> Faulty:
    return Faulty([Fault(0, name, value, message)])


def _plain(cell: str) -> str:
    """Undo the apostrophe that our own export puts before what a spreadsheet would take for a formula."""
    return cell[1:] if cell[:1] == "'" and _FORMULA.match(cell) else cell


# -- writing --------------------------------------------------------------------------------


def write_list(rows: Iterable[dict[str, Any]], form: str = "csv") -> bytes:
    """Rows (lines.row_of) as a file of that form, which reads back to the same rows."""
    columns = [*COLUMNS, *READ_ONLY]
    return _written(columns, ([row.get(name) for name in columns] for row in rows), form)


def write_remarks(rows: Mapping[int, dict[str, str]], faults: Iterable[Fault], form: str = "csv") -> bytes:
    """Rows by their numbers as they came, with what is wrong with each in the column «reason», which is passed over when
    the file is read again.
    """
    remarks: dict[int, list[str]] = {}
    for fault in faults:
        remarks.setdefault(fault.row, []).append(f"{fault.field}: {fault.message}")
    columns = list(dict.fromkeys(name for row in rows.values() for name in row if name != "reason"))
    lines = (
        [*(row.get(name) for name in columns), " ".join(remarks.get(number, []))]
        for number, row in rows.items()
    )
    return _written([*columns, "reason"], lines, form)


def _written(columns: Sequence[str], lines: Iterable[Sequence[Any]], form: str) -> bytes:
    if form == "xlsx":
        return workbooks.write_sheet(columns, ([_sheet_cell(value) for value in line] for line in lines))
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_text_cell(value) for value in line] for line in lines)
    return out.getvalue().encode()


def _said(value: Any) -> Any:
    """A value as a cell says it: numbers stay numbers, everything else is text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, dict):
        return "; ".join(f"{name}={text}" for name, text in value.items())
    if isinstance(value, list):
        return "; ".join(value)
    return value if isinstance(value, int | float) else str(value)


def _text_cell(value: Any) -> str:
    said = _said(value)
    text = str(int(said)) if isinstance(said, float) and said.is_integer() else str(said)
    return unlike_a_formula(text)


def unlike_a_formula(text: str) -> str:
    """Text for a cell of a CSV file: with an apostrophe before it where a spreadsheet would take it for a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def _sheet_cell(value: Any) -> Any:
    """Text in a workbook is no formula as it is; what only looks like ours against formulas gets one more, as in text."""
    said = _said(value)
    return f"'{said}" if isinstance(said, str) and said[:1] == "'" and _FORMULA.match(said) else said


def write_template(names: Names, form: str = "csv") -> bytes:
    """An empty list: the columns' names; as a workbook also what they mean, and what may stand in them in this event."""
    if form == "csv":
        return _written(COLUMNS, [], "csv")
    allowed: dict[str, list[tuple[str, str]]] = {
        "kind": _choices(names.kinds),
        "department": _choices(names.departments),
        "zone": _choices(names.zones),
        "all_day": [("yes", "on the air all day, every day"), ("no", "from start to end")],
        "priority": [("1", "the show stops without it"), ("2", "usual"), *((str(n), "") for n in range(3, 9)),
                     ("9", "if there is room")],
        "can_change": [
            (Change.NO, "the frequency in use now stays"), (Change.BETWEEN_SHOWS, "it may move between shows"),
            (Change.FREELY, "it may move at any time"),
        ],
    }  # fmt: skip
    return workbooks.write_template(COLUMN_WORDS, REQUIRED, allowed)


def _choices(rows: dict[str, Any]) -> list[tuple[str, str]]:
    return sorted({(row.code, row.name) for row in rows.values()})
