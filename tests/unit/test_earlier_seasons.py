"""Earlier output folders: read as they were written, or said why not."""

import pandas as pd
import pytest

from kitlib.intake.outputs import csv_bytes
from kitlib.review.history import read_earlier


def table(**more):
    rows = {
        "curve": ["007", "=odd"],
        "crop": ["maize", "wheat"],
        "offset_loaded": [0.2, None],
        "bias": [0.1, -0.3],
        "bias_se": [0.05, 0.1],
        "bias_df": [4.5, 3.0],
    }
    return pd.DataFrame(rows | more)


def test_what_was_written_is_read_back(tmp_path):
    folder = tmp_path / "quillmoor-2023"
    folder.mkdir()
    (folder / "curves.csv").write_bytes(csv_bytes(table(sensor=["S1", None])))
    found, why = read_earlier(folder)
    assert why == "" and found.name == "quillmoor-2023"
    # Names stay text, and the apostrophe that defused one is gone again.
    assert found.curves["curve"].tolist() == ["007", "=odd"]
    assert found.curves["bias"].tolist() == [0.1, -0.3]
    assert found.curves["sensor"].isna().tolist() == [False, True]
    assert found.curves["built_on"].isna().all()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "cannot be opened"),
        (b"", "not readable as CSV"),
        (b"\xff\xfe\x00", "not readable as CSV"),
        (b"curve,crop\nA,maize\n", r"lacks the column\(s\) offset_loaded, bias"),
    ],
)
def test_what_cannot_be_read_says_why(tmp_path, content, said):
    folder = tmp_path / "old"
    folder.mkdir()
    if content is not None:
        (folder / "curves.csv").write_bytes(content)
    found, why = read_earlier(folder)
    assert found is None
    assert why.startswith("old/curves.csv")
    assert pd.Series([why]).str.contains(said).all()


def test_text_in_place_of_a_number_is_not_known(tmp_path):
    (tmp_path / "curves.csv").write_bytes(csv_bytes(table(bias=["none", "0.2"])))
    found, _ = read_earlier(tmp_path)
    assert found.curves["bias"].isna().tolist() == [True, False]
