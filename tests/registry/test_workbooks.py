"""Lists as workbooks. Files are put together by hand after ISO/IEC 29500-1 and taken apart the same way, without our library."""

import csv
import io
import re
import zipfile
from datetime import date
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.common.errors import Fault, Faulty
from apps.registry.importing import read_list, write_list, write_remarks, write_template
from apps.registry.lines import COLUMNS, READ_ONLY, Names
from tests.site import make_site

SHEET_XML = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def cell(value: str, kind: str = "str", style: int = 0) -> str:
    return f'<c t="{kind}" s="{style}"><v>{value}</v></c>'


def sheet(*rows: list[str], before: str = "") -> str:
    body = "".join(f"<row>{''.join(c if c.startswith('<') else cell(c) for c in row)}</row>" for row in rows)
    return f'{before}<worksheet xmlns="{SHEET_XML}"><sheetData>{body}</sheetData></worksheet>'


def workbook(
    *sheets: str, names: tuple[str, ...] = ("List", "Second"), hidden: tuple[int, ...] = ()
) -> bytes:
    """The smallest package that is a workbook (Part 1, 12.3.23). Style 1 shows a day, style 2 a day with its hour."""
    states = {False: "visible", True: "hidden"}
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types"><Default Extension="xml" ContentType="application/xml"/>'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Override PartName="/xl/workbook.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
        '<Override PartName="/xl/styles.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="r1" '
        f'Type="{RELATIONS}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{SHEET_XML}" xmlns:r="{RELATIONS}"><sheets>'
        + "".join(
            f'<sheet name="{names[n]}" sheetId="{n + 1}" r:id="s{n}" state="{states[n in hidden]}"/>'
            for n in range(len(sheets))
        )
        + "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="st" Type="{RELATIONS}/styles" Target="styles.xml"/>'
        + "".join(
            f'<Relationship Id="s{n}" Type="{RELATIONS}/worksheet" Target="worksheets/sheet{n}.xml"/>'
            for n in range(len(sheets))
        )
        + "</Relationships>",
        "xl/styles.xml": f'<styleSheet xmlns="{SHEET_XML}"><fonts><font/></fonts><fills><fill><patternFill/></fill></fills>'
        "<borders><border/></borders><cellStyleXfs><xf/></cellStyleXfs>"
        '<cellXfs><xf numFmtId="0"/><xf numFmtId="14"/><xf numFmtId="22"/></cellXfs>'
        '<cellStyles><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>',
        **{f"xl/worksheets/sheet{n}.xml": text for n, text in enumerate(sheets)},
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return out.getvalue()


def refusal(content: bytes) -> str:
    with pytest.raises(Faulty) as refused:
        read_list(content)
    return refused.value.faults[0].message


def test_numbers_days_hours_and_truth_read_as_somebody_would_type_them() -> None:
    # Serial numbers of the 1900 date system count days from 1899-12-30 (ISO/IEC 29500-1, 18.17.4.1); formats 14 and 22
    # are a day, and a day with its hour (18.8.30). 17:59:59.9996 is what binary fractions make of 18:00.
    day = (date(2027, 6, 11) - date(1899, 12, 30)).days
    table = read_list(
        workbook(
            sheet(
                ["Label", "fixed_hz", "power_mw", "start", "end", "all_day", "external_id"],
                [
                    cell("12", "n"), cell("4.70125E8", "n"), cell("12.5", "n"), cell(f"{day}.74999999537", "n", 2),
                    cell(str(day + 1), "n", 1), cell("1", "b"), "0012",
                ],
            )
        )
    )  # fmt: skip
    assert table.rows == [
        {
            "label": "12", "fixed_hz": "470125000", "power_mw": "12.5", "start": "2027-06-11T18:00:00", "end": "2027-06-12",
            "all_day": "yes", "external_id": "0012",
        }
    ]  # fmt: skip
    assert table.recognised == "read from the sheet «List»"


def test_a_cell_left_empty_is_blank_and_rows_and_columns_without_anything_are_not_there() -> None:
    blank = "<c/>"
    table = read_list(
        workbook(sheet(["label", blank, "notes", " "], ["a"], [blank], [blank, blank, "b"], ["  "]))
    )
    assert table.rows == [{"label": "a", "notes": ""}, {"label": "", "notes": "b"}]


def test_text_under_no_name_and_unknown_columns_are_named_with_a_remedy() -> None:
    assert "No name stands above this cell" in refusal(workbook(sheet(["label"], ["a", "stray"])))
    assert "no column «lable»; did you mean label?" in refusal(
        workbook(sheet(["lable", "kind"], ["a", "mic"]))
    )
    assert "names none of our columns" in refusal(workbook(sheet(["Name", "What"], ["a", "b"])))


def test_the_sheet_that_names_most_of_our_columns_is_read_and_hidden_ones_are_not() -> None:
    other, ours = (
        sheet(["kind", "zone"], ["mic", "main"]),
        sheet(["label", "kind", "zone"], ["a", "mic", "main"]),
    )
    assert read_list(workbook(other, ours)).sheet == "Second"
    assert read_list(workbook(other, ours, hidden=(1,))).sheet == "List"


def test_of_a_formula_its_result_is_taken_and_where_there_is_none_the_cell_is_named() -> None:
    known = "<c t='str'><f>CONCATENATE(1,2)</f><v>12</v></c>"
    unknown = "<c><f>A1+1</f></c>"
    assert (
        read_list(workbook(sheet(["label", "kind"], ["a", "mic"], [known, "mic"]))).rows[1]["label"] == "12"
    )
    with pytest.raises(Faulty) as refused:
        read_list(workbook(sheet(["label", "quantity"], ["a", "1"], ["b", unknown])))
    assert [(fault.row, fault.field) for fault in refused.value.faults] == [(2, "quantity")]
    assert "put the value itself" in refused.value.faults[0].message


def test_what_unfolds_beyond_the_limit_is_refused_before_it_is_unfolded(settings: Any) -> None:
    settings.IMPORT_MAX_EXPANDED_BYTES = 1_000_000
    bomb = workbook(sheet(["label"], ["a" * 2_000_000]))
    assert len(bomb) < 10_000
    assert re.search(r"unfolds to 2,\d{3},\d{3} bytes; at most 1,000,000", refusal(bomb))


def test_entities_that_multiply_are_refused() -> None:
    # «Billion laughs»; expat stops at an amplification of 100 (its documentation, XML_SetBillionLaughsAttackProtection…).
    entities = '<!ENTITY a0 "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa">' + "".join(
        f'<!ENTITY a{n} "{f"&a{n - 1};" * 20}">' for n in range(1, 8)
    )
    laughing = sheet(["label"], ["&a7;"], before=f"<!DOCTYPE x [{entities}]>")
    assert "damaged (ParseError)" in refusal(workbook(laughing))


def test_a_row_far_below_or_a_cell_far_to_the_right_costs_nothing(settings: Any) -> None:
    far = f'<worksheet xmlns="{SHEET_XML}"><dimension ref="A1:XFD1048576"/><sheetData>'
    far += (
        '<row r="1"><c r="A1" t="str"><v>label</v></c></row><row r="2"><c r="A2" t="str"><v>a</v></c></row>'
    )
    table = read_list(
        workbook(f'{far}<row r="999999999999"><c t="str"><v>b</v></c></row></sheetData></worksheet>')
    )
    assert table.rows == [{"label": "a"}]
    settings.IMPORT_MAX_ROWS = 2
    assert "more than 2 rows" in refusal(workbook(sheet(["label"], ["a"], ["b"], ["c"])))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500),
            "old make, or locked",
        ),  # compound file, [MS-CFB] 2.2
        (workbook(sheet(["label"], ["a"]))[:-200], "damaged or cut short"),
        (workbook("<worksheet"), "damaged (ParseError)"),
        (workbook(sheet()), "no rows"),
    ],
    ids=["old", "short", "no-xml", "empty"],
)
def test_what_is_no_workbook_says_what_to_do(content: bytes, said: str) -> None:
    assert said in refusal(content)


def test_another_archive_is_no_workbook() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    assert "no XLSX workbook" in refusal(out.getvalue())


def cells_of(content: bytes, path: str = "xl/worksheets/sheet1.xml") -> list[ElementTree.Element]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return list(ElementTree.fromstring(archive.read(path)).iter(f"{{{SHEET_XML}}}c"))


# Beginnings of formulas: OWASP, «CSV Injection».
EVIL = ["=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", "＝1+1", "'=quoted", "''=twice", "'quoted"]


def test_no_cell_of_an_exported_list_is_a_formula_and_all_text_reads_back() -> None:
    rows = [
        dict.fromkeys([*COLUMNS, *READ_ONLY]) | {"label": text, "notes": f"{text}\n{text}"} for text in EVIL
    ]
    content = write_list(rows, "xlsx")
    assert not any(cell.find(f"{{{SHEET_XML}}}f") is not None for cell in cells_of(content))
    assert [row["label"] for row in read_list(content).rows] == EVIL
    text = write_list(rows, "csv")
    cells = [cell for line in csv.reader(io.StringIO(text.decode(), newline="")) for cell in line]
    assert EVIL[0] in "".join(cells) and not any(cell[:1] in tuple("=+-@＝") for cell in cells)
    assert [row["label"] for row in read_list(text).rows] == EVIL


# What a line may hold: text without blanks around it, of characters that XML 1.0 (2.2) has a place for.
TEXT = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\r\ufffe\uffff" + "".join(map(chr, {*range(32)} - {10, 9}))),
    max_size=20,
).map(str.strip)  # fmt: skip


@settings(deadline=None, max_examples=40)
@given(
    text=TEXT,
    power=st.integers(1, 10**11).map(lambda nanowatts: nanowatts / 10**6),
    form=st.sampled_from(["csv", "xlsx"]),
)
def test_whatever_a_line_may_hold_is_written_and_read_back(text: str, power: float, form: str) -> None:
    row = dict.fromkeys([*COLUMNS, *READ_ONLY]) | {"label": f"x{text}", "notes": text, "power_mw": power}
    read = read_list(write_list([row], form)).rows[0]
    assert (read["label"], read["notes"], float(read["power_mw"])) == (f"x{text}", text, power)


def test_remarks_stand_in_a_column_that_is_passed_over() -> None:
    content = write_remarks(
        {3: {"label": "a", "kind": "mik"}}, [Fault(3, "kind", "mik", "There is no kind.")], "xlsx"
    )
    assert read_list(content).rows == [{"label": "a", "kind": "mik", "reason": "kind: There is no kind."}]


@pytest.mark.django_db
def test_the_template_offers_what_may_stand_in_the_event_and_no_more_than_its_reader_may_know() -> None:
    site = make_site()
    for actor, departments in ((site.lead, {"AUD"}), (site.coordinator, {"AUD", "GRD", "VID"})):
        content = write_template(Names(actor), "xlsx")
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            text = b"".join(archive.read(name) for name in archive.namelist()).decode(errors="replace")
            devices = ElementTree.fromstring(archive.read("xl/worksheets/sheet1.xml"))
        offers = {
            offer.get("sqref"): offer.findtext(f"{{{SHEET_XML}}}formula1")
            for offer in devices.iter(f"{{{SHEET_XML}}}dataValidation")
        }
        assert offers["C2:C20001"] == "'Allowed values'!$A$2:$A$4"
        assert {"mic", "repeater", "hopping", "Main stage", "between shows"} <= set(
            re.findall(r"[\w ]+", text)
        )
        assert set(re.findall(r"\b(?:AUD|VID|GRD)\b", text)) == departments
        assert read_list(content).rows == []
