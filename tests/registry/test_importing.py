"""Files as people really send them: every fault names row, column, value and remedy, and nothing is half taken."""

import pytest

from apps.common.errors import Faulty
from apps.registry.importing import read_csv, write_list
from apps.registry.lines import COLUMNS, READ_ONLY

HEADER = "label,kind,department,zone,quantity"


def refusal(content: bytes) -> str:
    with pytest.raises(Faulty) as refused:
        read_csv(content)
    return refused.value.faults[0].message


def test_an_empty_file_says_what_the_first_line_should_be() -> None:
    assert "label" in refusal(b"") and "empty" in refusal(b"  \r\n ")


def test_semicolons_and_tabs_are_recognised() -> None:
    for separator, name in ((";", "semicolon"), ("\t", "tab"), (",", "comma")):
        table = read_csv(f"{HEADER}\nvocals,mic,AUD,main,2\n".replace(",", separator).encode())
        assert table.separator == name
        assert table.rows == [
            {"label": "vocals", "kind": "mic", "department": "AUD", "zone": "main", "quantity": "2"}
        ]


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8"),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_encodings_are_recognised_and_said(encoding: str, said: str) -> None:
    table = read_csv(f"{HEADER}\nGesangsbühne,mic,AUD,main,2\n".encode(encoding))
    assert (table.rows[0]["label"], table.encoding) == ("Gesangsbühne", said)


def test_a_wrong_separator_is_named() -> None:
    assert "names none of our columns" in refusal(b"label:kind:zone\na:b:c\n")


def test_a_spreadsheet_file_is_no_text() -> None:
    assert "no text file" in refusal(b"PK\x03\x04" + bytes([1, 2, 0, 4] * 40))


def test_a_column_twice_is_refused() -> None:
    assert "twice" in refusal(b"label,label,kind\na,b,c\n")


def test_too_many_cells_name_their_row() -> None:
    with pytest.raises(Faulty) as refused:
        read_csv(f"{HEADER}\na,mic,AUD,main,1\nb,mic,AUD,main,1,oops\n".encode())
    assert [fault.row for fault in refused.value.faults] == [2]


def test_too_many_rows_are_refused_with_both_numbers(settings) -> None:
    content = (f"{HEADER}\n" + "a,mic,AUD,main,1\n" * (settings.IMPORT_MAX_ROWS + 1)).encode()
    message = refusal(content)
    assert "20,001" in message and "20,000" in message


def test_too_many_bytes_are_refused_with_both_numbers(settings) -> None:
    message = refusal(b"x" * (settings.IMPORT_MAX_BYTES + 1))
    assert "10,000,001" in message and "10,000,000" in message


def test_what_is_written_reads_back() -> None:
    row = dict.fromkeys(COLUMNS) | {
        "label": "=cmd()", "kind": "mic", "quantity": 2, "all_day": True, "settings": {"pairing key": "7, no, 8", "gain": "-3"},
    }  # fmt: skip
    text = write_list([{**row, **dict.fromkeys(READ_ONLY)}])
    read = read_csv(text).rows[0]
    assert read["label"] == "=cmd()"
    assert b"'=cmd()" in text
    assert (read["quantity"], read["all_day"], read["fixed_hz"]) == ("2", "yes", "")
