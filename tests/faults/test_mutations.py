"""Of each kind of change one, in short; the whole table is made by faults/run.py."""

from pathlib import Path

import pytest

from faults.good_season import odd_names_once, reading_once
from faults.mutations import HARMLESS as MUST_BE_HARMLESS
from faults.mutations import UNSEEN
from faults.outcomes import HARMLESS, MISSED, REPORTED, Judge, kinds
from kitlib.intake import checks, tables

ROOT = Path(__file__).parents[2]
SEEN = [kind for kind in kinds() if kind.expected != UNSEEN]
NAMES = [kind.name for kind in kinds()]


@pytest.fixture(scope="module")
def judge():
    found = Judge()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tables, "_read_table", reading_once(found.season))
        patch.setattr(checks, "_odd_names", odd_names_once())
        yield found


@pytest.mark.slow
@pytest.mark.parametrize("kind", SEEN, ids=lambda kind: kind.name)
def test_what_can_be_seen_is_reported_or_does_no_harm(judge, kind):
    outcome = judge.judge(kind, seed=0)
    assert outcome.verdict != MISSED, outcome.change.said
    if kind.expected == MUST_BE_HARMLESS:
        # Spaces around names are taken away, and that is said.
        assert outcome.verdict == HARMLESS or "spaces-trimmed" in outcome.said


@pytest.mark.slow
def test_the_judge_calls_missed_what_nothing_is_said_of(judge):
    [unseen] = [k for k in kinds() if k.name.startswith("readings of two unsampled")]
    assert judge.judge(unseen, seed=0).verdict == MISSED
    [seen] = [k for k in kinds() if k.name == "a decimal comma, quoted"]
    assert judge.judge(seen, seed=0).verdict == REPORTED


def test_there_are_kinds_enough_each_under_its_own_name():
    assert len(set(NAMES)) == len(NAMES) >= 150


@pytest.mark.parametrize("kind", [k for k in kinds() if k.expected == UNSEEN])
def test_the_manual_lists_what_cannot_be_seen(kind):
    manual = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    assert kind.name in manual
