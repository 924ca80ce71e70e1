"""What is done in the kernels of a run, which are processes of their own.

They are handed the season's audit in one file that all of them map into their memory,
so that a million plots are there once, whatever the number of processes.
"""

import gc
import json
import mmap
import os
import pickle
import random
import sys
import warnings
from functools import partial
from importlib.resources import files
from io import BytesIO
from pathlib import Path
from typing import Any, cast

import matplotlib
import numpy as np
import pandas as pd
from IPython import get_ipython
from matplotlib import pyplot
from matplotlib.figure import Figure

from kitlib.season.season import SeasonAudit, for_others, hold_audit

AUDIT = "audit"  # the file that hands it over
JOIN, CURVES, TRIAL, PLAN = "1_join", "2_curves", "3_trial", "5_plan"
_ALIGNED = 64  # bytes, so that numbers begin where processors like them to


class _Pickler(pickle.Pickler):
    """Pickles texts as they lie in memory, where pandas would copy them first."""

    def reducer_override(self, value):
        if not isinstance(value, pd.arrays.ArrowStringArray):
            return NotImplemented
        return partial(type(value), dtype=value.dtype), (value.__arrow_array__(),)


def write_audit(audit: SeasonAudit, season: Path, path: Path) -> None:
    """Write an audit for other processes, to which its season lies in a folder."""
    buffers: list[pickle.PickleBuffer] = []
    head = BytesIO()
    pickler = _Pickler(head, protocol=5, buffer_callback=buffers.append)
    pickler.dump(for_others(audit, season))
    parts = [head.getbuffer(), *(buffer.raw() for buffer in buffers)]
    with path.open("wb") as file:
        pickle.dump([part.nbytes for part in parts], file)
        for part in parts:
            file.write(bytes(-file.tell() % _ALIGNED))
            file.write(part)


def read_audit(path: Path) -> SeasonAudit:
    """Return an audit whose columns stay in the file until they are looked at.

    What is changed in them is changed for this reading alone.
    """
    with path.open("rb") as file:
        sizes, place, parts = pickle.load(file), file.tell(), []
        whole = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_COPY))
    for size in sizes:
        place += -place % _ALIGNED
        parts.append(whole[place : place + size])
        place += size
    return pickle.loads(parts[0], buffers=parts[1:])


_FRESH: dict[str, Any] = {}  # what notebooks may change, as before the first of them
_HELD: list[str] = []  # names of the files of audits that are at hand


def notebook_folder() -> Path:
    """Return where the notebooks lie: in the package, or beside it in a clone."""
    package = Path(str(files("kitlib")))
    inside = package / "notebooks"
    return inside if inside.is_dir() else package.parent / "notebooks"


def prepare() -> None:
    """Import what notebooks do, while the run reads; 2_curves alone asks for more."""
    for name in (JOIN, TRIAL, PLAN):
        cells = json.loads((notebook_folder() / f"{name}.ipynb").read_text("utf-8"))
        code = [c["source"] for c in cells["cells"] if c["cell_type"] == "code"]
        exec("".join(code[1]), {})  # the first holds the parameters
    figure = Figure()
    figure.text(0.5, 0.5, "a rehearsal, for the fonts are read at the first letter")
    figure.savefig(BytesIO(), format="svg")
    _FRESH["figures"] = dict(matplotlib.rcParams)
    _FRESH["environment"] = dict(os.environ)
    _FRESH["path"], _FRESH["filters"] = list(sys.path), list(warnings.filters)
    gc.collect()
    gc.freeze()  # what is there now stays, so no collection need look at it again
    gc.enable()


def begin(folder: str, audit: str) -> None:
    """Make a kept kernel as good as new, in a folder, with an audit at hand.

    The audit stays, with what was worked out of it, for no notebook of the kit writes
    to it; a test holds that.
    """
    os.chdir(folder)  # first, for where it stood may be gone
    get_ipython().reset(new_session=True)
    pyplot.close("all")
    if _FRESH:
        matplotlib.rcParams.update(_FRESH["figures"])
        os.environ.clear()
        os.environ.update(_FRESH["environment"])
        sys.path[:] = _FRESH["path"]
        # A warning is shown once from each line: this forgets which were shown.
        warnings.resetwarnings()
        cast(list, warnings.filters)[:] = _FRESH["filters"]
    pd.reset_option("display.")
    random.seed()
    np.random.seed()
    if audit not in _HELD:
        hold_audit(read_audit(Path(audit)))
        _HELD.append(audit)
        gc.freeze()
    gc.collect()
