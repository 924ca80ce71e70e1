"""The table of kinds is the whole list of what is found, and no more."""

from pathlib import Path

import pytest

import kitlib
from kitlib.intake.schema import SENTENCES
from kitlib.words.findings import (
    FAULT,
    KINDS,
    NOTE,
    SEVERITIES,
    WARNING,
    Finding,
    SeasonRefused,
    findings_table,
    refuse,
)

SOURCE = "".join(
    path.read_text(encoding="utf-8")
    for path in Path(kitlib.__file__).parent.rglob("*.py")
)


def in_source(name):
    """Whether some module names it."""
    return f'"{name}"' in SOURCE


def test_every_kind_is_made_somewhere():
    told = {row["code"] for key, row in SENTENCES.items()}
    causes = Path(kitlib.__file__).parent / "review" / "causes.csv"
    told |= {line.split(",")[0] for line in causes.read_text("utf-8").splitlines()}
    assert [code for code in KINDS if code not in told and not in_source(code)] == []


def test_every_sentence_is_of_a_kind_and_said_somewhere():
    assert {row["code"] for row in SENTENCES.values()} <= KINDS.keys()
    # The two that are said of a crop or sensor, and of plots or readings, by its name.
    built = {"crop-differs", "sensor-differs", "plot-twice", "reading-twice"}
    assert [key for key in SENTENCES.keys() - built if not in_source(key)] == []


def test_every_kind_has_a_known_severity_and_a_remedy():
    for kind in KINDS.values():
        assert kind.severity in SEVERITIES
        assert kind.title and kind.remedy.endswith(".")


def test_findings_stand_in_the_order_of_their_severity():
    found = [
        Finding(code="columns-kept", message="a"),
        Finding(code="plot-twice", message="b", rows=(2, 9)),
        Finding(code="no-reading", message="c"),
    ]
    table = findings_table(found)
    assert table["severity"].tolist() == [FAULT, WARNING, NOTE]
    assert table["rows"].iloc[0] == "2 9"
    remedy = table["remedy"].iloc[0]
    assert remedy.startswith("Keep the right row and delete the other.")


def test_problems_beyond_those_shown_are_counted_for_a_folder_as_for_a_file():
    with pytest.raises(SeasonRefused) as refusal:
        refuse("my season", ["a.", "b.", "c."], shown=1)
    assert str(refusal.value).splitlines() == [
        "my season: 3 problem(s)",
        "  a.",
        "  and 2 more",
    ]
