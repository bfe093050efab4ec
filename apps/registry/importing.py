"""Device lists as files: reading text of whatever encoding and separator into rows, and writing rows that read back."""

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.conf import settings

from apps.common.errors import Fault, Faulty
from apps.registry.lines import COLUMNS, READ_ONLY

_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}


@dataclass(frozen=True)
class Table:
    """Rows of a file, and what was recognised in it, to be said to whoever uploaded it."""

    rows: list[dict[str, str]]
    encoding: str
    separator: str


def read_csv(content: bytes) -> Table:
    """Read a file with a header row. Raises Faulty when the file as a whole cannot be taken.

    Encoding: UTF-8 with or without mark, UTF-16 with mark, else Windows-1252. Separator: whichever splits the header
    into the most columns that we know. Empty lines are passed over.
    """
    check_size(content)
    text, encoding = _decoded(content)
    if not text.strip():
        raise _refused(
            "file", "", "The file is empty. Its first line names the columns: " + ",".join(COLUMNS)
        )
    separator = _separator(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        lines = _bounded(reader)
    except csv.Error as error:
        raise _refused(
            "file", "", f"Line {reader.line_num} cannot be read as CSV ({error}); look at its quotes."
        ) from None
    header = [name.strip().lower().lstrip("\ufeff") for name in lines[0]]
    _judge_header(header, separator)
    rows, faults = [], []
    for number, cells in enumerate(lines[1:], 1):
        if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
            extra = f"{len(cells)} cells under {len(header)} columns"
            faults.append(
                Fault(
                    number,
                    "",
                    extra,
                    f"Too many cells; put text that holds a {_SEPARATORS[separator]} into quotes.",
                )
            )
        rows.append(dict(zip(header, (_plain(cell) for cell in cells), strict=False)))
    if faults:
        raise Faulty(faults)
    return Table(rows, encoding, _SEPARATORS[separator])


def check_size(content: bytes) -> None:
    """Raises Faulty when a file is too large to be taken."""
    if len(content) > settings.IMPORT_MAX_BYTES:
        raise _refused(
            "file",
            f"{len(content):,} bytes",
            f"The file has {len(content):,} bytes; at most {settings.IMPORT_MAX_BYTES:,} are taken. Split it.",
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
    known = {*COLUMNS, *READ_ONLY}

    def score(separator: str) -> int:
        return sum(
            name.strip().strip('"').lower().lstrip("\ufeff") in known for name in header.split(separator)
        )

    return max(_SEPARATORS, key=score)


def _judge_header(header: list[str], separator: str) -> None:
    faults = [
        Fault(0, name, name, "This column stands twice; remove one of them.")
        for name in sorted({name for name in header if name and header.count(name) > 1})
    ]
    if not set(header) & set(COLUMNS):
        shown = ",".join(header)[:100]
        faults.append(
            Fault(
                0,
                "file",
                shown,
                "The first line names none of our columns. Separate them with commas, semicolons or tabs: "
                + ",".join(COLUMNS),
            )
        )
    if faults:
        raise Faulty(faults)


def _refused(name: str, value: str, message: str) -> Faulty:
    return Faulty([Fault(0, name, value, message)])


def _plain(cell: str) -> str:
    """Undo the apostrophe that our own export puts before what a spreadsheet would take for a formula."""
    return cell[1:] if re.match(r"'[=+\-@\t\r]", cell) else cell


def write_csv(rows: Iterable[dict[str, Any]]) -> bytes:
    """Rows (lines.row_of) as a file that reads back to the same rows."""
    columns = [*COLUMNS, *READ_ONLY]
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    return out.getvalue().encode()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, dict):
        return "; ".join(f"{name}={text}" for name, text in value.items())
    if isinstance(value, list):
        return "; ".join(value)
    if isinstance(value, float):
        return f"{value:g}"
    text = str(value)
    return f"'{text}" if text and text[0] in "=+-@\t\r" else text


def write_remarks(rows: Iterable[dict[str, str]], faults: Iterable[Fault]) -> bytes:
    """Rows as they came, with what is wrong with each in the column «reason», which is passed over when it is read again."""
    rows = list(rows)
    remarks: dict[int, list[str]] = {}
    for fault in faults:
        remarks.setdefault(fault.row, []).append(f"{fault.field}: {fault.message}")
    columns = list(dict.fromkeys([name for row in rows for name in row if name != "reason"]))
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*columns, "reason"])
    for number, row in enumerate(rows, 1):
        writer.writerow(
            [*(_cell(row.get(name)) for name in columns), _cell(" ".join(remarks.get(number, [])))]
        )
    return out.getvalue().encode()


def write_template() -> bytes:
    """An empty list: the line that names the columns."""
    return (",".join(COLUMNS) + "\r\n").encode()
