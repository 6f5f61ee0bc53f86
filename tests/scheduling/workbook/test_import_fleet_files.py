"""Workbooks and CSV folders on disk: the template, the refused rows, hostile files, the command."""

import csv
import io
import json
import re
import zipfile
import zlib
from datetime import date, datetime

import pandas
import pytest
from django.core.management import CommandError, call_command
from openpyxl import Workbook, load_workbook

from fleet.models import Customer, MeterReading, Site, TreatmentUnit
from fleet.workbook import guard
from fleet.workbook.template import example_row
from scheduling.workbook.importing import import_workbook, make_template
from scheduling.workbook.sheets import SHEETS
from shared.errors import DomainError
from tests.scheduling.small_fleet import sheets

pytestmark = pytest.mark.django_db


def to_xlsx(path, source):
    workbook = Workbook()
    workbook.remove(workbook.active)
    for name, rows in source.items():
        page = workbook.create_sheet(name)
        headers = list(dict.fromkeys(key for row in rows for key in row))
        page.append(headers)
        for row in rows:
            page.append([row.get(header) for header in headers])
    workbook.save(path)
    return path


def to_csv(folder, source):
    folder.mkdir()
    for name, rows in source.items():
        headers = list(dict.fromkeys(key for row in rows for key in row))
        with (folder / f"{name}.csv").open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.DictWriter(file, headers)
            writer.writeheader()
            writer.writerows(rows)
    return folder


def added(report):
    return {name: counts.added for name, counts in report.counts.items()}


EVERY_ROW = {name: len(rows) for name, rows in sheets().items()}


def test_a_workbook_a_folder_and_frames_say_the_same(now, tmp_path):
    book = import_workbook(to_xlsx(tmp_path / "fleet.xlsx", sheets()), accept_good_rows=False, now=now)
    assert (book.problems, added(book)) == ([], EVERY_ROW)
    folder = import_workbook(to_csv(tmp_path / "fleet", sheets()), accept_good_rows=False, now=now)
    frames = {name: pandas.DataFrame(rows) for name, rows in sheets().items()}
    memory = import_workbook(frames, accept_good_rows=False, now=now)
    for again in (folder, memory):
        assert again.problems == []
        assert {name: c.unchanged for name, c in again.counts.items()} == EVERY_ROW


def test_real_date_and_number_cells_are_read(now, tmp_path):
    source = sheets()
    source["meter_readings"][0]["read_at"] = datetime(2026, 1, 15, 10, 15)  # noqa: DTZ001
    source["plans"][0]["starts_on"] = source["plans"][1]["starts_on"] = date(2025, 2, 1)
    source["sites"][0]["code"] = 1001
    for sheet, column in [("treatment_units", "site"), ("plans", "site")]:
        for row in source[sheet]:
            row[column] = 1001 if row[column] == "S1" else row[column]
    report = import_workbook(to_xlsx(tmp_path / "fleet.xlsx", source), accept_good_rows=False, now=now)
    assert report.problems == []
    assert Site.objects.filter(code="1001").exists()


def test_the_empty_template_brings_in_nothing_and_is_no_problem(now, tmp_path):
    make_template(tmp_path / "template.xlsx")
    report = import_workbook(tmp_path / "template.xlsx", accept_good_rows=False, now=now)
    assert report.problems == []
    assert set(added(report).values()) == {0}
    assert len(report.counts) == len(SHEETS)


def test_the_templates_own_examples_go_in(now, tmp_path):
    make_template(tmp_path / "template.xlsx")
    workbook = load_workbook(tmp_path / "template.xlsx")
    for entry in SHEETS:
        page = workbook[entry.name]
        assert str(page["A2"].value).startswith("# invented example")
        page["A2"].value = example_row(entry)[0]
    workbook.save(tmp_path / "filled.xlsx")
    report = import_workbook(tmp_path / "filled.xlsx", accept_good_rows=False, now=now)
    assert [str(problem) for problem in report.problems] == []
    assert set(added(report).values()) == {1}


def test_the_template_explains_every_column(tmp_path):
    make_template(tmp_path / "template.xlsx")
    page = load_workbook(tmp_path / "template.xlsx")["read me"]
    explained = {(row[0], row[1]) for row in page.iter_rows(values_only=True) if row[5]}
    wanted = {(entry.name, column.header) for entry in SHEETS for column in entry.columns}
    assert wanted <= explained


def test_refused_rows_come_back_with_what_is_wrong_and_go_in_once_corrected(now, tmp_path):
    source = sheets()
    source["treatment_units"][0]["design_use [gal/day]"] = -5
    rest = tmp_path / "rest.xlsx"
    report = import_workbook(source, accept_good_rows=True, now=now, rest_path=rest)
    assert report.rest_path == rest
    workbook = load_workbook(rest)
    page = workbook["treatment_units"]
    headers = [cell.value for cell in page[1]]
    row = dict(zip(headers, [cell.value for cell in page[2]], strict=True))
    assert (page.max_row, row["serial"], row["design_use [gal/day]"]) == (2, "TU-1", -5)
    assert "can't be negative" in row["what is wrong"]
    page.cell(2, headers.index("design_use [gal/day]") + 1).value = 200
    workbook.save(rest)
    again = import_workbook(rest, accept_good_rows=False, now=now)
    assert again.problems == []
    assert TreatmentUnit.objects.count() == 2
    assert MeterReading.objects.count() == 3


def test_a_cell_that_looks_like_a_formula_comes_back_as_text(now, tmp_path):
    source = {"sites": [{"code": "S1", "name": "=1+1", "customer": "nobody"}]}
    import_workbook(source, accept_good_rows=True, now=now, rest_path=tmp_path / "rest.xlsx")
    cell = load_workbook(tmp_path / "rest.xlsx")["sites"]["B2"]
    assert (cell.value, cell.data_type) == ("=1+1", "s")


def test_semicolons_between_cells_are_understood(now, tmp_path):
    (tmp_path / "customers.csv").write_text("code;name\nK1;Amber Bakery (invented)\n", encoding="utf-8")
    report = import_workbook(tmp_path, accept_good_rows=False, now=now)
    assert report.counts["customers"].added == 1


def test_a_value_under_no_header_is_refused(now, tmp_path):
    (tmp_path / "customers.csv").write_text("code,name\nK1,Amber,Bakery\n", encoding="utf-8")
    (problem,) = import_workbook(tmp_path, accept_good_rows=False, now=now).problems
    assert (problem.value, problem.message) == ("Bakery", "This value stands under no header.")


def test_row_numbers_are_those_of_the_file(now, tmp_path):
    text = "# our own remark,\n\ncode,name\nK1,Amber\n\n# another,\nK2,\n"
    (tmp_path / "customers.csv").write_text(text, encoding="utf-8")
    (problem,) = import_workbook(tmp_path, accept_good_rows=False, now=now).problems
    assert (problem.row, problem.field) == (7, "name")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("latin.csv", "code,name\nK1,Caf\xe9\n".encode("latin-1")),
        ("broken.csv", b'code,name\nK1,"never closed\n'),
        ("text.xlsx", b"this is no workbook"),
        ("cut.xlsx", b"PK\x03\x04" + b"\0" * 40),
    ],
)
def test_a_file_that_can_not_be_read_says_so(now, tmp_path, name, content):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(DomainError) as refusal:
        import_workbook(tmp_path / name, accept_good_rows=False, now=now)
    assert refusal.value.remedy


def test_a_missing_file_says_so(now, tmp_path):
    with pytest.raises(DomainError, match="no file"):
        import_workbook(tmp_path / "nowhere.xlsx", accept_good_rows=False, now=now)


def spoil_archive(path, entry, content):
    """Replace one entry of a workbook."""
    with zipfile.ZipFile(path) as archive:
        kept = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in (kept | {entry: content}).items():
            archive.writestr(name, body)
    return path


def refused(path, now):
    with pytest.raises(DomainError) as refusal:
        import_workbook(path, accept_good_rows=False, now=now)
    return str(refusal.value)


def test_a_workbook_that_unpacks_to_too_much_is_refused(now, tmp_path, monkeypatch):
    monkeypatch.setattr(guard, "MOST_UNPACKED_BYTES", 1_000_000)
    path = spoil_archive(to_xlsx(tmp_path / "bomb.xlsx", sheets()), "xl/media/x.xml", b" " * 2_000_000)
    assert path.stat().st_size < 40_000
    assert "unpacks to more" in refused(path, now)


def test_an_archive_that_lies_about_its_size_is_refused_all_the_same(now, tmp_path, monkeypatch):
    monkeypatch.setattr(guard, "MOST_UNPACKED_BYTES", 1_000_000)
    path = spoil_archive(to_xlsx(tmp_path / "liar.xlsx", sheets()), "xl/media/x.xml", b" " * 2_000_000)
    true_size = (2_000_000).to_bytes(4, "little")
    body = path.read_bytes()
    assert body.count(true_size) == 2
    path.write_bytes(body.replace(true_size, (10).to_bytes(4, "little")))
    assert "unpacks to more" in refused(path, now)


@pytest.mark.parametrize("body", [b" " * 2_000_000, b"<c/>" * 200_000], ids=["bytes", "cells"])
def test_a_bomb_is_refused_before_its_cells_are_looked_at(now, tmp_path, monkeypatch, body):
    monkeypatch.setattr(guard, "MOST_UNPACKED_BYTES", 1_000_000)
    monkeypatch.setattr(guard, "MOST_CELLS", 100_000)
    monkeypatch.setattr(guard._Scan, "feed", lambda scan, chunk: pytest.fail("looked at"))
    path = spoil_archive(to_xlsx(tmp_path / "bomb.xlsx", sheets()), "xl/worksheets/sheet1.xml", body)
    assert refused(path, now).startswith("bomb.xlsx ")


def test_a_cell_far_out_is_refused_before_room_is_made_for_it(now, tmp_path):
    page = (
        b'<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        b'<sheetData><row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData></worksheet>'
    )
    path = spoil_archive(to_xlsx(tmp_path / "far.xlsx", sheets()), "xl/worksheets/sheet1.xml", page)
    assert "far out" in refused(path, now)


@pytest.mark.parametrize(
    ("row", "word"),
    [
        (b"<row>" + b"<c/>" * 3000 + b"</row>", "more cells"),
        (b"<x:row>" + b"<x:c/>" * 3000 + b"</x:row>", "more cells"),
        (b'<row r="100"><c/><c/><c/><c/><c/><c/><c/><c/><c/><c/><c/></row>', "far out"),
        (b"<row/>" * 900 + b"<row><c/><c/></row>", "far out"),
    ],
    ids=["cells", "cells of a prefix", "a far row", "many rows"],
)
def test_cells_that_name_no_place_are_counted_all_the_same(now, tmp_path, monkeypatch, row, word):
    monkeypatch.setattr(guard, "MOST_CELLS", 1000)
    page = b'<worksheet xmlns="%s"><sheetData>%s</sheetData></worksheet>' % (SPREADSHEET.encode(), row)
    path = spoil_archive(to_xlsx(tmp_path / "dense.xlsx", sheets()), "xl/worksheets/sheet1.xml", page)
    assert word in refused(path, now)


@pytest.mark.parametrize(
    "cell",
    [b'<c r="B2" t="e"><v>#N/A</v></c>', b'<c r="B2"><f>C2+1</f><v /></c>', b'<c r="B2"><f>C2+1</f></c>',
     b'<c r="B2" t="e"><f>VLOOKUP(1,A:B,2)</f><v>#REF!</v></c>'],
    ids=["an error", "a formula without a value", "a bare formula", "a formula's error"],
)  # fmt: skip
def test_an_error_or_a_formula_without_value_is_not_taken_for_blank(now, tmp_path, cell):
    path = to_xlsx(tmp_path / "odd.xlsx", {"customers": [{"code": "K1", "phone": "5", "name": "First"}]})
    with zipfile.ZipFile(path) as archive:
        page = archive.read("xl/worksheets/sheet1.xml")
    old = re.search(rb'<c r="B2".*?</c>', page)[0]
    spoil_archive(path, "xl/worksheets/sheet1.xml", page.replace(old, cell))
    (problem,) = import_workbook(path, accept_good_rows=False, now=now).problems
    assert (problem.sheet, problem.row, problem.field) == ("customers", 2, "phone")
    assert problem.value in ("#N/A", "#REF!", "#FORMULA!")
    assert "formula" in problem.message


def test_a_formula_that_was_computed_is_its_value(now, tmp_path):
    path = to_xlsx(tmp_path / "f.xlsx", {"customers": [{"code": "K1", "phone": "5", "name": "First"}]})
    with zipfile.ZipFile(path) as archive:
        page = archive.read("xl/worksheets/sheet1.xml")
    old = re.search(rb'<c r="B2".*?</c>', page)[0]
    cell = b'<c r="B2" t="str"><f>D2</f><v>555-0100</v></c><c r="D2" t="str"><f>""</f><v></v></c>'
    spoil_archive(path, "xl/worksheets/sheet1.xml", page.replace(old, cell))
    assert import_workbook(path, accept_good_rows=False, now=now).problems == []
    assert Customer.objects.get().phone == "555-0100"


def test_one_long_text_shown_in_many_cells_is_refused(now, tmp_path, monkeypatch):
    monkeypatch.setattr(guard, "MOST_TEXT_BYTES", 1_000_000)
    rows = [{"code": f"K{i}", "name": "x" * 5000} for i in range(300)]
    path = to_xlsx(tmp_path / "long.xlsx", {"customers": rows})
    assert "more text" in refused(path, now)


def test_a_zip_that_is_no_workbook_is_refused(now, tmp_path):
    with zipfile.ZipFile(tmp_path / "other.xlsx", "w") as archive:
        archive.writestr("hello.txt", "hello")
    assert "no workbook" in refused(tmp_path / "other.xlsx", now)


def test_a_workbook_cut_off_in_the_middle_is_refused(now, tmp_path):
    path = to_xlsx(tmp_path / "fleet.xlsx", sheets())
    body = bytearray(path.read_bytes())
    start = body.index(b"xl/worksheets/sheet1.xml") + 60
    body[start : start + 40] = zlib.compress(b"other")[:13] * 3 + b"x"
    path.write_bytes(bytes(body))
    assert "can't be read as a workbook" in refused(path, now)


SPREADSHEET = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
TEN_TIMES = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 9))


@pytest.mark.parametrize(
    "declared",
    [f'<!ENTITY l0 "lol">{TEN_TIMES}', '<!ENTITY l8 SYSTEM "file:///etc/passwd">',
     '<!ENTITY l8 SYSTEM "http://192.0.2.1/x">'],
    ids=["a text that unfolds to a thousand million", "a file of the server", "an address outside"],
)  # fmt: skip
def test_what_a_sheet_declares_for_itself_is_never_unfolded(now, tmp_path, declared):
    page = (
        f'<?xml version="1.0"?><!DOCTYPE worksheet [{declared}]><worksheet xmlns="{SPREADSHEET}"><sheetData>'
        '<row r="1"><c r="A1" t="inlineStr"><is><t>code</t></is></c></row>'
        '<row r="2"><c r="A2" t="inlineStr"><is><t>&l8;</t></is></c></row></sheetData></worksheet>'
    )
    path = spoil_archive(to_xlsx(tmp_path / "own.xlsx", sheets()), "xl/worksheets/sheet1.xml", page.encode())
    before = Site.objects.count()
    try:
        report = import_workbook(path, accept_good_rows=False, now=now)
    except DomainError as error:
        told = str(error)
    else:
        assert report.problems
        told = " ".join(str(problem) for problem in report.problems)
    assert "root:" not in told
    assert len(told) < 20_000
    assert Site.objects.count() == before


def test_a_link_to_another_workbook_is_not_followed(now, tmp_path):
    link = (
        '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/'
        'externalLinkPath" Target="file:///etc/passwd" TargetMode="External"/></Relationships>'
    )
    path = spoil_archive(
        to_xlsx(tmp_path / "linked.xlsx", sheets()),
        "xl/externalLinks/_rels/externalLink1.xml.rels",
        link.encode(),
    )
    assert added(import_workbook(path, accept_good_rows=False, now=now)) == EVERY_ROW


def test_a_file_too_large_is_refused_unopened(now, tmp_path, monkeypatch):
    monkeypatch.setattr(guard, "MOST_FILE_BYTES", 1000)
    assert "can be read at once" in refused(to_xlsx(tmp_path / "fleet.xlsx", sheets()), now)


@pytest.fixture
def clock(time_machine, now):
    time_machine.move_to(now, tick=False)


@pytest.mark.usefixtures("clock")
def test_the_command_brings_in_a_file_and_tells_the_counts(tmp_path):
    out = io.StringIO()
    call_command(
        "import_fleet", str(to_xlsx(tmp_path / "f.xlsx", sheets())), stdout=out, stderr=io.StringIO()
    )
    assert "treatment_units: 2 rows, 2 added, 0 changed, 0 unchanged, 0 refused" in out.getvalue()
    assert TreatmentUnit.objects.count() == 2


@pytest.mark.usefixtures("clock")
def test_the_command_fails_on_a_workbook_without_rows(tmp_path):
    make_template(tmp_path / "template.xlsx")
    with pytest.raises(CommandError, match="No row is filled in"):
        call_command("import_fleet", str(tmp_path / "template.xlsx"), stderr=io.StringIO())


@pytest.mark.usefixtures("clock")
def test_the_command_fails_names_every_problem_and_writes_nothing(tmp_path):
    source = sheets()
    source["treatment_units"][0]["design_use [gal/day]"] = -5
    out = io.StringIO()
    with pytest.raises(CommandError, match="Nothing was written"):
        call_command(
            "import_fleet", str(to_xlsx(tmp_path / "f.xlsx", source)), stdout=out, stderr=io.StringIO()
        )
    assert "treatment_units row 2, design_use = '-5': design_use can't be negative." in out.getvalue()
    assert "customers: 1 rows, 1 to add, 0 to change, 0 unchanged, 0 refused" in out.getvalue()
    assert "meter_readings: 2 rows. Depends on treatment_units row 2, which was refused." in out.getvalue()
    assert not TreatmentUnit.objects.exists()


@pytest.mark.usefixtures("clock")
def test_the_command_writes_the_good_rows_and_the_rest_beside_the_file(tmp_path):
    source = sheets()
    source["treatment_units"][0]["design_use [gal/day]"] = -5
    out = io.StringIO()
    path = to_xlsx(tmp_path / "f.xlsx", source)
    call_command("import_fleet", str(path), "--accept-good-rows", "--json", stdout=out, stderr=io.StringIO())
    answer = json.loads(out.getvalue())
    assert answer["is_written"]
    assert answer["counts"]["treatment_units"] == {
        "read": 2, "added": 1, "changed": 0, "unchanged": 0, "refused": 1,
    }  # fmt: skip
    assert answer["rest"] == str(tmp_path / "f-rest.xlsx")
    assert load_workbook(answer["rest"])["parts"].max_row == 4


def test_the_command_makes_the_template(tmp_path):
    call_command("import_fleet", "--template", str(tmp_path / "t.xlsx"), stdout=io.StringIO())
    assert "meter_readings" in load_workbook(tmp_path / "t.xlsx").sheetnames
