"""After each kind of change: what a report rests on is the same, or it may differ."""

import json
import tempfile
from functools import cache, partial
from pathlib import Path
from zlib import crc32

import numpy as np
import pytest
from whole_reports import trial_report

from faults import file_kinds
from faults.good_season import good_season, reading_once
from faults.mutations import CannotBeDone, Files
from faults.outcomes import kinds
from kitlib.intake import tables
from kitlib.reports.trial_sections import trial_basis
from kitlib.reports.typeset import as_json
from kitlib.season.season import audit_season
from kitlib.words.findings import SeasonRefused

pytestmark = pytest.mark.slow  # whole runs

TRIES = 200
# For want of time, one kind in four and one trial of each.
KINDS = kinds()[::4]


def audited(files: Files):
    """Return the audit of files, which are not there any more."""
    with tempfile.TemporaryDirectory() as name:
        file_kinds.write(files, Path(name))
        season = audit_season(name)
        _ = season.findings
    return season


def changed(good, kind, rng) -> Files | None:
    """Return the good season changed once in some of its rows; None if it cannot be.

    After a change of a whole table hardly a report rests on what it rested on.
    """
    for _ in range(TRIES):
        files = Files(dict(good))
        try:
            change = kind.make(files, rng)
        except CannotBeDone:
            continue
        if not change.places or files.broken:
            return None
        if files.content != good:
            return files
    return None


def report_of(season, name) -> str:
    return json.dumps(as_json(trial_report(season, name)))


def test_a_report_that_rests_on_the_same_is_the_same(monkeypatch):
    good = good_season()
    monkeypatch.setattr(tables, "_read_table", reading_once(good))
    season = audited(Files(dict(good)))
    bases = {name: trial_basis(season, name) for name in season.trials}
    good_report_of = cache(partial(report_of, season))
    compared = []
    for kind in KINDS:
        rng = np.random.default_rng(crc32(kind.name.encode()))
        spoilt = changed(good, kind, rng)
        if spoilt is None:
            continue
        try:
            other = audited(spoilt)
        except SeasonRefused:
            continue
        for name in rng.permutation(other.trials):
            if bases.get(name) == trial_basis(other, name):
                assert report_of(other, name) == good_report_of(name), kind.name
                compared.append(kind.name)
                break
    assert len(compared) >= 12
