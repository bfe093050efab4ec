"""Device lists as workbooks (XLSX, ISO/IEC 29500): cells into text as the reader of lines takes it, and rows into cells.

A workbook is an archive of XML parts. What it says of its own size is not believed before it is checked, and what
it computes is not computed again: of a formula only the result that the file itself holds is taken.
"""

import io
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any

from django.conf import settings
from openpyxl import Workbook, load_workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.read_only import ReadOnlyCell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._read_only import ReadOnlyWorksheet
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.writer.excel import save_workbook

from apps.common.errors import Fault, Faulty

MEDIA_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
MAX_COLUMNS = 100
MAX_SHEETS = 20
LAST_ROW = 1_048_576  # of a sheet, by the format

_HEAD = Font(bold=True), PatternFill("solid", fgColor="FFDDE6EE")
# How the cells of an empty list take what is typed: identifiers keep their noughts, hertz their digits.
_FORMATS = {
    "external_id": "@", "label": "@", "contact": "@", "start": "yyyy-mm-dd hh:mm", "end": "yyyy-mm-dd hh:mm",
    "fixed_hz": "0", "low_hz": "0", "high_hz": "0",
}  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """The cells of one sheet as text, without its empty rows. `unread` names (row, column) of formulas without a result."""

    name: str
    rows: list[list[str]]
    unread: list[tuple[int, int]]


def is_workbook(content: bytes) -> bool:
    return content.startswith(b"PK\x03\x04")


def read_sheet(content: bytes, known: set[str]) -> Sheet:
    """The sheet whose first row names the most of the `known` columns. Raises Faulty, with a remedy, for anything else.

    Dates become ISO 8601, truth becomes yes or no, numbers keep their digits.
    """
    _check_archive(content)
    try:
        found = max(_sheets(content, known), key=lambda sheet: _named(sheet, known), default=None)
    except Faulty:
        raise
    except Exception as error:  # whatever a damaged or forged part makes the library stumble over
        raise _refused(
            f"The workbook is damaged ({type(error).__name__}). Open it, save it anew as XLSX or as CSV, then upload that."
        ) from None
    if found is None:
        raise _refused("The workbook has no rows. Its first row names the columns.")
    return found


def _refused(message: str, value: str = "") -> Faulty:
    return Faulty([Fault(0, "file", value, message)])


def _check_archive(content: bytes) -> None:
    """Refuse what would unfold beyond the limit; a part that lies about its size is cut off there by the archive's reader."""
    try:
        parts = zipfile.ZipFile(io.BytesIO(content)).infolist()
    except (zipfile.BadZipFile, ValueError, OSError):
        raise _refused(
            "The workbook is damaged or cut short. Save it anew as XLSX, then upload that."
        ) from None
    if "xl/workbook.xml" not in {part.filename for part in parts}:
        raise _refused(
            "This is an archive, but no XLSX workbook. Save the list as XLSX or CSV (UTF-8), then upload that."
        )
    size, most = sum(part.file_size for part in parts), settings.IMPORT_MAX_EXPANDED_BYTES
    if size > most:
        raise _refused(
            f"The workbook unfolds to {size:,} bytes; at most {most:,} are taken. Keep only the list in it, or split it.",
            f"{size:,} bytes",
        )


def _named(sheet: Sheet, known: set[str]) -> int:
    return len({cell.strip().lower() for cell in sheet.rows[0]} & known)


def _opened(content: bytes, *, results: bool = False) -> list[ReadOnlyWorksheet]:
    """The visible sheets, with their formulas or with what these last came to."""
    book = load_workbook(io.BytesIO(content), read_only=True, data_only=results)
    return [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"][:MAX_SHEETS]


def _sheets(content: bytes, known: set[str]) -> Iterator[Sheet]:
    """The sheets that hold anything; those that name none of our columns with their first row alone."""
    for index, sheet in enumerate(_opened(content)):
        rows: list[list[str]] = []
        formulas: dict[tuple[int, int], tuple[int, int]] = {}
        for cells in _rows(sheet):
            if len(rows) > settings.IMPORT_MAX_ROWS:
                most = f"{settings.IMPORT_MAX_ROWS:,}"
                raise _refused(
                    f"The sheet «{sheet.title}» has more than {most} rows; no more are taken. Split it."
                )
            for place, cell in enumerate(cells):
                if cell.data_type == "f":
                    formulas[cell.row, cell.column] = len(rows), place
            rows.append([_text(cell) for cell in cells])
            if len(rows) == 1 and not {text.strip().lower() for text in rows[0]} & known:
                break
        unread = _take_results(_opened(content, results=True)[index], rows, formulas) if formulas else []
        if rows:
            yield Sheet(sheet.title, rows, unread)


def _take_results(
    sheet: ReadOnlyWorksheet, rows: list[list[str]], formulas: dict[tuple[int, int], tuple[int, int]]
) -> list[tuple[int, int]]:
    """Put what formulas last came to into their places; where the file holds no result, say where, and guess nothing."""
    left = dict(formulas)
    for cells in _rows(sheet):
        for cell in cells:
            if cell.value is not None and (place := left.pop((cell.row, cell.column), None)):
                rows[place[0]][place[1]] = _text(cell)
    return sorted(left.values())


def _rows(sheet: ReadOnlyWorksheet) -> Iterator[Sequence[ReadOnlyCell]]:
    """The cells of the rows that hold anything, never wider than MAX_COLUMNS."""
    blank = None
    for row in sheet.iter_rows(max_col=MAX_COLUMNS, max_row=LAST_ROW):
        if (
            row is blank
        ):  # the library hands out one and the same for all that are not in the file, and may do so a million times
            continue
        filled = [
            place for place, cell in enumerate(row, 1) if cell.value is not None and str(cell.value).strip()
        ]
        if filled:
            yield row[: filled[-1]]
        else:
            blank = row


def _text(cell: ReadOnlyCell) -> str:
    match value := cell.value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case float() if value.is_integer():
            return str(int(value))
        case datetime() if value.time() == time() and "h" not in cell.number_format.lower():
            return value.date().isoformat()  # a day without a time of day, and refused as one
        case datetime():
            # Sheets count days in floating point: 18:00 may come as 17:59:59.9995.
            return (value + timedelta(milliseconds=500)).replace(microsecond=0).isoformat()
        case _:
            return str(value)


# -- writing --------------------------------------------------------------------------------


def write_sheet(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """A workbook of one sheet: the columns' names, then the rows. Text stays text, whatever a formula would look like."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Devices")
    _shape(sheet, columns)
    sheet.append(_head(sheet, columns))
    for row in rows:
        sheet.append([_cell(sheet, value) for value in row])
    return _saved(book)


def write_template(
    columns: Mapping[str, str], required: Iterable[str], allowed: Mapping[str, Sequence[tuple[str, str]]]
) -> bytes:
    """An empty list to be filled in: its columns ({name: what it means}), what may stand in some of them
    ({name: (value, meaning)}, offered in the cells themselves), and a sheet for each of the two to be read.
    """
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Devices")
    names = list(columns)
    _shape(sheet, names)
    for place, (name, values) in enumerate(allowed.items()):
        letter, source = get_column_letter(names.index(name) + 1), get_column_letter(2 * place + 1)
        if values:
            offer = DataValidation(
                type="list", formula1=f"'Allowed values'!${source}$2:${source}${len(values) + 1}", allow_blank=True,
                showErrorMessage=False,  # names are taken as well as codes; whoever knows better is not stopped here
            )  # fmt: skip
            offer.add(f"{letter}2:{letter}{settings.IMPORT_MAX_ROWS + 1}")
            sheet.data_validations.append(offer)
    sheet.append(_head(sheet, names))
    _write_allowed(book, allowed)
    meaning = book.create_sheet("Columns")
    meaning.column_dimensions["A"].width, meaning.column_dimensions["C"].width = 16, 90
    meaning.append(_head(meaning, ("Column", "Must be there", "What stands in it")))
    for name, words in columns.items():
        meaning.append([_cell(meaning, text) for text in (name, "yes" if name in required else "", words)])
    return _saved(book)


def _write_allowed(book: Workbook, allowed: Mapping[str, Sequence[tuple[str, str]]]) -> None:
    sheet = book.create_sheet("Allowed values")
    sheet.freeze_panes = "A2"
    heads = [text for name in allowed for text in (name, "that is")]
    for number, name in enumerate(heads, 1):
        sheet.column_dimensions[get_column_letter(number)].width = 34 if name == "that is" else 20
    sheet.append(_head(sheet, heads))
    for row in range(max((len(values) for values in allowed.values()), default=0)):
        cells: list[Any] = []
        for values in allowed.values():
            cells += [_cell(sheet, text) for text in (values[row] if row < len(values) else ("", ""))]
        sheet.append(cells)


def _shape(sheet: Any, columns: Sequence[str]) -> None:
    sheet.freeze_panes = "A2"
    for number, name in enumerate(columns, 1):
        column = sheet.column_dimensions[get_column_letter(number)]
        column.width = {"label": 30, "notes": 40, "settings": 30, "reason": 60, "kind": 22}.get(name, 16)
        if name in _FORMATS:
            column.number_format = _FORMATS[name]


def _head(sheet: Any, names: Iterable[str]) -> list[WriteOnlyCell]:
    cells = []
    for name in names:
        cell = WriteOnlyCell(sheet, name)
        cell.font, cell.fill = _HEAD
        cell.alignment = Alignment(vertical="top")
        cells.append(cell)
    return cells


def _cell(sheet: Any, value: Any) -> Any:
    """Numbers as they are; text as text, marked as such where a spreadsheet would take it for a formula once it is edited."""
    if not isinstance(value, str) or value == "":
        return value if value != "" else None
    clean = "".join(letter for letter in value if letter >= " " or letter in "\n\t")
    if clean[:1] not in _FORMULA and clean[:1] != "'":
        return clean
    cell = WriteOnlyCell(sheet, clean)
    cell.data_type, cell.quotePrefix = "s", True
    return cell


_FORMULA = frozenset("=+-@\t\r＝＋－＠")


def _saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    save_workbook(book, out)
    return out.getvalue()
