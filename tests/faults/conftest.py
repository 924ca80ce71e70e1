"""A season of one trial and its undisturbed run, made once for all that disturb one."""

import pytest

from faults.kills import undisturbed
from faults.runs import Finished


@pytest.fixture(scope="session")
def finished(tmp_path_factory) -> Finished:
    """Return a season, and the output of a run that nothing disturbed."""
    return undisturbed(tmp_path_factory.mktemp("undisturbed"))
