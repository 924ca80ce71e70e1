"""What-ifs put on record, read back, and held against what was written."""

from datetime import datetime

import pytest
from pypdf import PdfReader

from kitlib.explorer.explorer import Look, SeasonExplorer
from kitlib.explorer.pictures import NOT_THE_AUDIT, ErrorPicture, OffsetPicture
from kitlib.explorer.record import (
    changed_records,
    delete_records,
    inputs_digest,
    read_records,
    records_section,
    row_hash,
    write_record,
)
from kitlib.intake.outputs import OutputBusy, sole_use
from kitlib.reports.drawing import png_bytes
from kitlib.words.findings import KitError
from kitlib.words.terms import columns_of

NOW = datetime(2026, 3, 1, 9, 30)


@pytest.fixture(scope="module")
def explorer(audited_demo):
    found = SeasonExplorer(audited_demo)
    list(found.serve("wheat"))
    found.choose("curve", curve="wheat-S1")
    return found


def put(explorer, home, reason="asked"):
    return write_record(explorer, Look(explorer), reason, home, NOW)


def test_a_record_says_what_when_why_and_on_what(explorer, tmp_path):
    explorer.choose("samples", offset=-0.6, left_out=frozenset({0, 1}))
    assert put(explorer, tmp_path, "=the breeder\n asked") == 1
    row, look = read_records(tmp_path).iloc[0], Look(explorer)
    assert (row["curve"], row["offset"], row["n"]) == ("wheat-S1", -0.6, 38)
    assert row["rmsep"] == look.chosen.rmsep[0]
    assert row["bias_low"] == look.chosen["bias_low"][0]
    assert row["samples_left_out"] == "; ".join(look.curve.names[[0, 1]])
    assert row["recorded_at"] == "2026-03-01T09:30:00"
    assert row["inputs_sha256"] == inputs_digest(explorer.season)
    assert row["reason"] == "'=the breeder asked"
    pages = PdfReader(tmp_path / "explore" / row["page"]).pages
    text = " ".join(pages[0].extract_text().split())
    assert len(pages) == 1 and NOT_THE_AUDIT in text and "=the breeder asked" in text
    assert changed_records(tmp_path) == []


def test_the_page_of_a_record_shows_the_what_if_in_its_pictures(explorer):
    drawn = []
    for offset in (-0.6, 0.2):
        explorer.choose("offset", offset=offset)
        look = Look(explorer)
        for picture in (ErrorPicture(look.curve), OffsetPicture(look.curve)):
            picture.show(look)
            drawn.append(png_bytes(picture.figure))
    assert len(set(drawn)) == 4


def test_the_same_record_is_the_same_bytes(explorer, tmp_path):
    for home in ("a", "b"):
        put(explorer, tmp_path / home)
    one, other = (sorted((tmp_path / home / "explore").glob("w*")) for home in "ab")
    assert [p.read_bytes() for p in one] == [p.read_bytes() for p in other]


def test_rows_on_record_stay_byte_for_byte(explorer, tmp_path):
    put(explorer, tmp_path, 'first, with a "quote" and a comma')
    table = tmp_path / "explore" / "what_if.csv"
    before = table.read_bytes()
    put(explorer, tmp_path)
    after = table.read_bytes()
    assert after.startswith(before) and after.count(b"\n") == 3
    assert after.split(b"\n")[0].decode().split(",") == list(columns_of("what_if"))
    delete_records(tmp_path, [2])
    assert table.read_bytes() == before
    assert [p.name for p in table.parent.glob("*.pdf")] == ["what_if_001.pdf"]
    assert put(explorer, tmp_path) == 2 and changed_records(tmp_path) == []


def test_the_seasons_report_lists_what_is_on_record(explorer, tmp_path):
    assert records_section("") == records_section(tmp_path) == []
    put(explorer, tmp_path, "the breeder asked")
    _, table = records_section(tmp_path)
    cells = {column.name: cells for column, cells in table.columns}
    assert cells["reason"] == ["the breeder asked"] and cells["curve"] == ["wheat-S1"]
    assert "None of them changes the audit" in table.note


def test_a_table_of_someone_elses_is_left_alone(explorer, tmp_path):
    table = tmp_path / "explore" / "what_if.csv"
    table.parent.mkdir()
    table.write_text("a,b\n1,2\n")
    for act in (lambda: put(explorer, tmp_path), lambda: delete_records(tmp_path, [1])):
        with pytest.raises(KitError, match="its columns are not those of a what-if"):
            act()
    assert table.read_text() == "a,b\n1,2\n" and not list(tmp_path.rglob("*.pdf"))


def test_a_folder_in_use_is_refused(explorer, tmp_path):
    with sole_use(tmp_path / "explore"), pytest.raises(OutputBusy):
        put(explorer, tmp_path)


def test_nothing_on_record_is_a_table_without_rows(tmp_path):
    found = read_records(tmp_path)
    assert found.empty
    assert {"what_if", "curve", "offset", "reason", "page"} <= set(found.columns)
    assert changed_records(tmp_path) == []


def test_a_row_changed_by_hand_and_a_page_gone_are_told(tmp_path):
    folder = tmp_path / "explore"
    folder.mkdir()
    rows = [{"what_if": "1", "offset": "-0.4", "page": "a.pdf", "page_sha256": "0"}]
    rows.append(rows[0] | {"what_if": "2", "offset": "0.1"})
    names = [*rows[0], "row_sha256"]
    lines = [",".join(names)]
    lines += [",".join([*row.values(), row_hash(row)]) for row in rows]
    (folder / "what_if.csv").write_text("\n".join(lines).replace("0.1", "0.2") + "\n")
    assert read_records(tmp_path)["offset"].tolist() == [-0.4, 0.2]
    assert changed_records(tmp_path) == [
        "record missing: explore/a.pdf",
        "record changed: explore/what_if.csv, what-if 2",
    ]
