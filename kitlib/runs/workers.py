"""What a run's other processes do: the kernels it keeps, and those that rank trials.

They are handed the season's audit in one file that all of them map into their memory,
so that a million plots are there once, whatever the number of processes.
"""

import ast
import gc
import json
import mmap
import os
import pickle
import random
import sys
import tempfile
import threading
import warnings
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from importlib.resources import files
from io import BytesIO
from multiprocessing import get_context, parent_process
from pathlib import Path
from typing import cast

import matplotlib
import numpy as np
import pandas as pd
from IPython import get_ipython
from matplotlib import pyplot
from matplotlib.figure import Figure

from kitlib.season.season import SeasonAudit, TrialOutcome, for_others, hold_audit

AUDIT = "audit"  # the file that hands it over
JOIN, CURVES, TRIAL, PLAN = "1_join", "2_curves", "3_trial", "5_plan"
NOTEBOOKS = (JOIN, CURVES, TRIAL, PLAN)  # those that a run executes
# Fewer plots are ranked here before other processes have begun (measured).
MANY_PLOTS = 30_000
_AT_ONCE = 4  # trials handed to a process together
_ALIGNED = 64  # bytes, so that numbers begin where processors like them to


def write_audit(audit: SeasonAudit, season: Path, path: Path) -> None:
    """Write an audit for other processes, to which its season lies in a folder."""
    buffers: list[pickle.PickleBuffer] = []
    sent = for_others(audit, season)
    head = pickle.dumps(sent, protocol=5, buffer_callback=buffers.append)
    parts = [memoryview(head), *(buffer.raw() for buffer in buffers)]
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


# ---- in a kernel


def notebook_folder() -> Path:
    """Return where the notebooks lie: in the package, or beside it in a clone."""
    package = Path(str(files("kitlib")))
    inside = package / "notebooks"
    return inside if inside.is_dir() else package.parent / "notebooks"


def imports_of(notebook: str) -> str:
    """Return the import statements of one of the kit's notebooks."""
    path = notebook_folder() / f"{notebook}.ipynb"
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    code = ["".join(c["source"]) for c in cells if c["cell_type"] == "code"]
    statements = ast.parse("\n".join(code)).body
    imports = [s for s in statements if isinstance(s, ast.Import | ast.ImportFrom)]
    return "\n".join(map(ast.unparse, imports))


@dataclass(frozen=True)
class _Fresh:
    """What notebooks may change of a process, as it was before the first of them."""

    environment: dict[str, str]
    path: list[str]
    figures: dict
    filters: list


_FRESH: list[_Fresh] = []
_HELD: list[str] = []  # names of the files of audits that are at hand


def prepare() -> None:
    """Import what the notebooks import; a new kernel does so while the run reads."""
    for name in NOTEBOOKS:
        exec(imports_of(name), {})
    figure = Figure()
    figure.text(0.5, 0.5, "a rehearsal, for the fonts are read at the first letter")
    figure.savefig(BytesIO(), format="svg")
    figures, filters = dict(matplotlib.rcParams), list(warnings.filters)
    _FRESH.append(_Fresh(dict(os.environ), list(sys.path), figures, filters))
    gc.collect()
    gc.freeze()  # what is there now stays, so no collection need look at it again


def begin(folder: str, audit: str) -> None:
    """Make a kept kernel as good as new, in a folder, with an audit at hand.

    Nothing is left of the notebook before: no names, no count of cells, no settings
    of figures, tables, warnings or the environment. The audit stays, with what was
    worked out of it, for no notebook of the kit writes to it; a test holds that.
    """
    get_ipython().reset(new_session=True)
    pyplot.close("all")
    for fresh in _FRESH:
        matplotlib.rcParams.update(fresh.figures)
        os.environ.clear()
        os.environ.update(fresh.environment)
        sys.path[:] = fresh.path
        # A warning is shown once from each line: this forgets which were shown.
        warnings.resetwarnings()
        cast(list, warnings.filters)[:] = fresh.filters
    pd.reset_option("display.")
    random.seed()
    np.random.seed()
    os.chdir(folder)
    if audit not in _HELD:
        hold_audit(read_audit(Path(audit)))
        _HELD.append(audit)
    gc.collect()


# ---- in a process that ranks


_READ: list[SeasonAudit] = []


def rank_trials(audit: SeasonAudit, jobs: int) -> None:
    """Work out what the correction does to each trial; the audit keeps it.

    Parameters
    ----------
    audit : SeasonAudit
    jobs : int
        Trials ranked at once, where there are so many plots that it pays.
    """
    if jobs > 1 and len(audit.pairing.plots) >= MANY_PLOTS:
        _ = audit.findings  # worked out once, for all processes
        # Started anew, for this process has threads, and not every system forks.
        apart = get_context("spawn")
        with (
            tempfile.TemporaryDirectory(prefix="kit-") as folder,
            ProcessPoolExecutor(
                jobs, apart, _begin_ranking, (Path(folder) / AUDIT,)
            ) as pool,
        ):
            write_audit(audit, audit.folder, Path(folder) / AUDIT)
            found = pool.map(_outcome, audit.trials, chunksize=_AT_ONCE)
            with suppress(BrokenProcessPool):  # such as for want of memory: see below
                vars(audit)["outcomes"] = dict(zip(audit.trials, found, strict=True))
    _ = audit.outcomes


def _begin_ranking(path: Path) -> None:
    """Read the audit, and end with the process that started this one."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _READ.append(read_audit(path))


def _end_with_parent() -> None:
    """Wait for the end of the run, however it ends, and end too."""
    parent = parent_process()
    if parent:
        parent.join()
        os._exit(1)


def _outcome(trial: str) -> TrialOutcome:
    """Return what the correction does to one trial."""
    return _READ[0].trial(trial).outcome
