"""A season of one trial and its undisturbed run, made once for all that disturb one."""

import pytest
from conftest import SeasonFolder

from faults.runs import Finished, files_of, only_trials, run


@pytest.fixture(scope="session")
def finished(tmp_path_factory) -> Finished:
    """Return a season, and the output of a run that nothing disturbed."""
    season = SeasonFolder(tmp_path_factory.mktemp("season"))
    only_trials(season, "T1")
    out = tmp_path_factory.mktemp("undisturbed")
    done = run(season.folder, "--out", out)
    assert done.returncode == 0, done.stderr
    return Finished(season.folder, files_of(out / "Small season"))
