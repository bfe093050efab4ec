"""The list of permissions as a file: it goes out to whoever decides, and comes back with the answers filled in."""

import csv
import io
import re
from collections.abc import Iterable
from typing import Any

from apps.common.errors import Fault, Faulty
from apps.registry.asking import COLUMNS, READ_ONLY
from apps.registry.importing import check_size

MAX_ROWS = 5000
_SEPARATORS = ",;\t|"


def decoded(content: bytes) -> str:
    """The text of a file: UTF-8, UTF-16 with its mark, else Windows-1252. Raises Faulty for what is no text."""
    check_size(len(content))
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\x00" in content:
        raise _refused("This is no text file. Save the list as CSV (UTF-8), then send that.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def read_list(text: str) -> list[dict[str, str]]:
    """The rows under a line that names the columns; empty lines are passed over. Raises Faulty for the list as a whole."""
    names = ",".join(COLUMNS)
    lines = text.lstrip("\ufeff").strip("\r\n")
    if not lines:
        raise _refused(f"The list is empty. Its first line names the columns: {names}")
    first = lines.splitlines()[0]
    separator = max(_SEPARATORS, key=lambda sign: len(set(_header(first.split(sign))) & set(COLUMNS)))
    try:
        cells = [row for row in csv.reader(io.StringIO(lines, newline=""), delimiter=separator) if any(row)]
    except csv.Error as error:
        raise _refused(f"This cannot be read as CSV ({error}); look at its quotes.") from None
    header = _header(cells[0])
    if not set(header) & set(COLUMNS):
        raise _refused(f"The first line names none of our columns; they are: {names}", first[:100])
    twice = sorted({name for name in header if name and header.count(name) > 1})
    if twice:
        raise _refused("This column stands twice; remove one of them.", twice[0])
    if len(cells) - 1 > MAX_ROWS:
        raise _refused(f"{len(cells) - 1:,} rows; at most {MAX_ROWS:,} are taken. Split the list.")
    faults = [
        Fault(number, "", f"{len(row)} cells", f"There are {len(header)} columns; put text with a «{separator}» into quotes.")
        for number, row in enumerate(cells[1:], 1)
        if any(cell.strip() for cell in row[len(header) :])
    ]  # fmt: skip
    if faults:
        raise Faulty(faults)
    return [
        {name: _plain(cell) for name, cell in zip(header, row, strict=False) if name} for row in cells[1:]
    ]


def write_list(rows: Iterable[dict[str, Any]]) -> bytes:
    """Rows (asking.row_of) under the names of their columns; reads back to the same."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*COLUMNS, *READ_ONLY])
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in (*COLUMNS, *READ_ONLY)])
    return out.getvalue().encode()


def _header(cells: list[str]) -> list[str]:
    return [cell.strip().strip('"').lower() for cell in cells]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    # What a spreadsheet would take for a formula gets an apostrophe, which is taken away again on reading.
    return f"'{text}" if text[:1] in "=+-@\t\r" and text else text


def _plain(cell: str) -> str:
    return cell[1:] if re.match(r"'[=+\-@\t\r]", cell) else cell


def _refused(message: str, value: str = "") -> Faulty:
    return Faulty([Fault(0, "file", value, message)])
