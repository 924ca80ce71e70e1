"""The table of kinds is the whole list of what is found, and no more."""

from pathlib import Path

import pytest

import kitlib
from kitlib.words.findings import (
    FAULT,
    KINDS,
    NOTE,
    SEVERITIES,
    WARNING,
    Finding,
    findings_table,
)

SOURCE = "".join(
    path.read_text(encoding="utf-8")
    for path in Path(kitlib.__file__).parent.rglob("*.py")
)


@pytest.mark.parametrize("code", KINDS)
def test_every_kind_is_made_somewhere(code):
    assert f'"{code}"' in SOURCE


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
    assert table["remedy"].iloc[0] == "Keep the right row and delete the other."
