"""A season small enough to check by hand, and a fixed stream of chance."""

import os
from pathlib import Path

# As in .ci/run, before numpy is there: its threads wait for work by spinning, and take
# the cores from the other tests.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pytest
from hypothesis import settings
from reviewed import demo_season

# The same examples every time, and no clock: a busy machine is no failure.
settings.register_profile("kit", deadline=None, derandomize=True)
settings.load_profile("kit")

PLOTS = """trial,plot,entry,crop,curve,sensor_pct,plot_mass_kg,plot_area_m2,block
T1,001,E1,wheat,W,14.2,5.0,10,1
T1,002,E2,wheat,W,15.1,5.5,10,1
T1,003,E1,wheat,W,14.6,5.2,10,2
T1,004,E2,wheat,W,15.4,5.6,10,2
T2,001,E1,wheat,W,16.3,4.8,10,1
T2,002,E2,wheat,W,17.2,5.1,10,1
T2,003,E1,wheat,W,16.0,4.9,10,2
T2,004,E2,wheat,W,17.9,5.3,10,2
T3,001,E1,wheat,W,12.9,6.1,10,1
T3,002,E2,wheat,W,13.3,6.0,10,1
"""
# Net weights of 10 g, so that the loss in grams is a tenth of the moisture.
OVEN = """sample,trial,plot,method,tare_g,wet_g,dry_g
s1,T1,001,ISO 712-1,20,30,28.61
s1,T1,001,ISO 712-1,21,31,29.60
s2,T1,002,ISO 712-1,20,30,28.53
s2,T1,002,ISO 712-1,21,31,29.53
s3,T2,001,ISO 712-1,20,30,28.41
s3,T2,001,ISO 712-1,21,31,29.42
s4,T2,002,ISO 712-1,20,30,28.29
s4,T2,002,ISO 712-1,21,31,29.30
s5,T3,001,ISO 712-1,20,30,28.74
s5,T3,001,ISO 712-1,21,31,29.75
"""
CURVES = """curve,crop,offset_loaded
W,wheat,0.2
"""
SETTINGS = 'name = "Small season"\nyear = 2025\nreport_date = 2026-01-15\n'


# By what they cost, most first; what is not named costs little.
LONGEST = ["test_mutations", "test_trial_basis", "test_season", "test_kernels"]
LONGEST += ["test_disturbed_runs", "test_cluster", "test_newcomer", "test_calibration"]
LONGEST += ["test_nbval", "test_explorer", "test_run", "test_own_error", "test_panel"]
LONGEST += ["test_season_sections", "test_reports"]


def pytest_collection_modifyitems(items):
    """Begin with what takes longest, so that all workers end at about one time."""
    rank = {name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path.stem, len(rank)))


class SeasonFolder:
    """A season folder whose cells a test can change one at a time."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.write("plots.csv", PLOTS)
        self.write("oven.csv", OVEN)
        self.write("curves.csv", CURVES)
        self.write("season.toml", SETTINGS)

    def write(self, name, text, encoding="utf-8"):
        (self.folder / name).write_text(text, encoding=encoding)

    def text(self, name) -> str:
        return (self.folder / name).read_text(encoding="utf-8")

    def replace(self, name, old, new, count=1):
        text = self.text(name)
        assert old in text, f"{old!r} is not in {name}"
        self.write(name, text.replace(old, new, count))

    def append(self, name, line):
        self.write(name, self.text(name) + line + "\n")


@pytest.fixture
def rng():
    return np.random.default_rng(20250901)


@pytest.fixture
def season(tmp_path):
    return SeasonFolder(tmp_path)


@pytest.fixture(scope="session")
def demo():
    return Path(__file__).parent.parent / "demo_data"


@pytest.fixture(scope="session")
def audited_demo():
    """Return the audit of the demo season, made once for all tests of a process."""
    return demo_season()


@pytest.fixture(scope="session")
def run_here():
    """Return a function that runs a season in this process, with one kept kernel."""
    from kept_kernel import runs_here  # here, for few tests need all it imports

    with runs_here() as run:
        yield run
