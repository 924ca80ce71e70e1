"""Records read back and held against what was written."""

from kitlib.explorer.record import changed_records, read_records, row_hash


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
