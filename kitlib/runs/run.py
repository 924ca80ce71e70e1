"""The whole run of a season: tables, executed notebooks, PDFs and their manifest."""

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import partial
from io import BytesIO
from pathlib import Path

import pandas as pd

from kitlib.intake.files import csv_bytes, file_names, sha256_of, sole_use
from kitlib.intake.settings import read_season
from kitlib.intake.tables import input_hashes
from kitlib.reports.season_sections import plots_table, season_tables
from kitlib.reports.trial_sections import trial_basis
from kitlib.review.history import CURVES_FILE
from kitlib.review.review import review_season
from kitlib.runs.account import SeasonRun
from kitlib.runs.folder import (
    WrongCall,
    output_folder,
    refuse_other_season,
    refuse_others_files,
    workshop,
    write_paths,
)
from kitlib.runs.kernels import Kernels
from kitlib.runs.manifest import (
    TRIALS,
    Journal,
    environment,
    fingerprint,
    read_record,
)
from kitlib.runs.notebooks import (
    Task,
    check_parameters,
    read_notebook,
    run_notebook,
    source_hash,
)
from kitlib.runs.workers import (
    AUDIT,
    CURVES,
    JOIN,
    PLAN,
    TRIAL,
    rank_trials,
    write_audit,
)
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.words.findings import KitError
from kitlib.words.terms import counted, listed

EARLIER = "earlier"  # how the manifest names what was read of earlier seasons
Finish = Callable[[Task, str], None]
Track = Callable[[Iterable, int], Iterable]
Say = Callable[[str], object]


class RunBroken(KitError):
    """The run could not go on; what was finished is kept."""


def run_season(
    folder: str | Path,
    out: str | Path,
    *,
    trials: Sequence[str] = (),
    earlier: Sequence[str | Path] = (),
    jobs: int | None = None,
    replace: bool = False,
    say: Say = lambda stage: None,
    track: Track = lambda ended, total: ended,
    run_notebooks: Callable | None = None,
) -> SeasonRun:
    """Audit a season and write all its results into `out`/<name of the season>/.

    What an earlier run wrote and the folder still holds is left as it is, so the
    same season is done once.

    Parameters
    ----------
    folder : str or Path
        The season folder.
    out : str or Path
        Made if it is not there.
    trials : sequence of str
        Trials to make notebooks for; none named means all.
    earlier : sequence of str or Path
        Output folders of earlier seasons, the earliest first.
    jobs : int, optional
        Notebooks run at once; by default as many as there are processors.
    replace : bool
        Whether the results of another season of the same name may be replaced.
    say : callable
        Told of each stage, in words.
    track : callable
        Wraps the iterable of ended notebooks, given their number.
    run_notebooks : callable, optional
        Runs them, here by default; `cluster.run_on_cluster` does so elsewhere.

    Returns
    -------
    SeasonRun

    Raises
    ------
    SeasonRefused
        If the season cannot be audited.
    WrongCall
        If a trial is not there, or `out` would overwrite what is not a run's own.
    OutputBusy
        If another run writes into the same folder.
    RunBroken
        If the season's files change meanwhile, or there is no cluster where one is
        to be.
    """
    folder, at_once = Path(folder), jobs or os.cpu_count() or 1
    home = output_folder(folder, Path(out), read_season(folder).name)
    inputs = input_hashes(folder) | earlier_hashes(earlier)
    say(f"reading and auditing {folder}")
    audit = audit_season(folder)
    tasks = season_tasks(audit, bool(earlier))
    wanted = wanted_tasks(tasks, audit.trials, trials)
    with sole_use(home), workshop(home, folder, earlier) as scratch:
        record = read_record(home)
        if not replace:
            refuse_other_season(home, audit, record, inputs)
        say(f"ranking {counted(len(audit.trials), 'trial')}")
        rank_trials(audit, at_once)
        say("writing the tables")
        tables = season_tables(audit, review_season(audit, earlier))
        contents = table_files(audit, tables)
        will_write = [*contents, *(f for task in tasks.values() for f in task.files)]
        will_write += [task.failed_name for task in tasks.values()]
        refuse_others_files(home, record, will_write)
        rests_on = {n: basis_of(task, audit, inputs) for n, task in tasks.items()}
        run = SeasonRun(
            home=home,
            audit=audit,
            findings=tables["findings"],
            record=record,
            rests_on=rests_on,
            prints={n: task_print(task, rests_on[n]) for n, task in tasks.items()},
        )
        del tables
        journal = Journal(home, scratch)
        due = run.plan(tasks, wanted)
        if due or run.removed or any(n not in record.names for n in contents):
            journal.begin(record, will_write, inputs)
        while contents:  # each is let go once it is written
            name, made = contents.popitem()
            run.tables[name] = journal.put(name, made())
        say(
            f"running {counted(len(due), 'notebook')}; {len(run.up_to_date)} up to date"
        )
        if due:
            finish = partial(run.finish, journal)
            (run_notebooks or run_here)(
                due, scratch, audit, at_once, finish, track, say
            )
        write_paths(home, journal, folder, earlier)
        refuse_changed(folder, earlier, inputs)
        told = {
            "inputs": inputs,
            "parameters": {n: task.parameters for n, task in tasks.items()},
            "trials_asked_for": sorted(set(trials)) or "all",
        }
        content = environment() | run.told() | told
        run.manifest = journal.end(content, record.notebooks)
    return run


def run_here(
    tasks: Sequence[Task],
    scratch: Path,
    audit: SeasonAudit,
    jobs: int,
    finish: Finish,
    track: Track,
    say: Say,
    kernels: Kernels | None = None,
) -> None:
    """Run notebooks in kernels on this machine and hand over each as it ends.

    Parameters
    ----------
    tasks : sequence of Task
    scratch : Path
        Where they run.
    audit : SeasonAudit
        The season's.
    jobs : int
        How many run at once.
    finish : callable
        Given a task and why it failed, empty if it did not.
    track : callable
        Wraps the iterable of ended notebooks, given their number.
    say : callable
        Not used.
    kernels : Kernels, optional
        Kernels started already.

    Raises
    ------
    KeyboardInterrupt
        After the notebooks under way have come to their end and been handed over.
    """
    # Threads, for the work itself is done in the kernels, which are processes.
    pool = ThreadPoolExecutor(min(jobs, len(tasks)))
    with kernels or Kernels() as lent, pool:
        write_audit(audit, audit.folder.resolve(), lent.folder / AUDIT)
        under_way = {pool.submit(run_notebook, t, scratch, lent): t for t in tasks}
        try:
            for ended in track(as_completed(under_way), len(tasks)):
                finish(under_way.pop(ended), ended.result())
        except BaseException as stopped:
            pool.shutdown(cancel_futures=True)
            if isinstance(stopped, KeyboardInterrupt):
                for future, task in under_way.items():
                    if not future.cancelled() and future.exception() is None:
                        finish(task, future.result())
            raise


# ---- what is asked for


def earlier_hashes(earlier: Sequence[str | Path]) -> dict[str, str]:
    """Return the SHA-256 of what is read of earlier seasons, by folder and file."""
    found = {}
    for folder in map(Path, earlier):
        path = folder / CURVES_FILE
        if not path.is_file():
            raise WrongCall(
                f"--earlier {folder}: there is no {CURVES_FILE} in it. Give the output "
                "folder of an earlier run, such as reports/<name of the season>."
            )
        found[f"{EARLIER}/{folder.resolve().name}/{CURVES_FILE}"] = sha256_of(path)
    return found


def season_tasks(audit: SeasonAudit, with_earlier: bool = False) -> dict[str, Task]:
    """Return the notebooks of a season by the name they are executed under."""
    tasks = [
        Task(
            name="season.ipynb",
            notebook=CURVES,
            report="season.pdf",
            with_earlier=with_earlier,
        ),
        Task(name="join.ipynb", notebook=JOIN),
        Task(name="plan.ipynb", notebook=PLAN),
    ]
    tasks += [
        Task(name=f"{stem}.ipynb", notebook=TRIAL, trial=trial, report=f"{stem}.pdf")
        for trial, stem in trial_files(audit.trials).items()
    ]
    for task in tasks:
        check_parameters(read_notebook(task.notebook), task.parameters)
    return {task.name: task for task in tasks}


def trial_files(trials: Sequence[str]) -> dict[str, str]:
    """Return the name of each trial's files in the output folder, without suffix.

    No two names meet, nor does one meet the failed notebook of another.

    Examples
    --------
    >>> list(trial_files(["T1", "../T1", "T1.failed"]).values())
    ['trials/T1', 'trials/%2E.%2FT1', 'trials/T1%2Efailed']
    """
    stems = {}
    for trial, stem in file_names(trials).items():
        if stem.casefold().endswith(".failed"):
            stem = f"{stem[:-7]}%2E{stem[-6:]}"
        stems[trial] = f"{TRIALS}/{stem}"
    return stems


def wanted_tasks(
    tasks: Mapping[str, Task], known: Sequence[str], trials: Sequence[str]
) -> set[str]:
    """Return the names of the notebooks asked for; refuse a trial that is not known."""
    unknown = [trial for trial in trials if trial not in known]
    if unknown:
        raise WrongCall(
            f"--trial {listed(unknown)}: not in the season, which holds "
            f"{listed(known)}."
        )
    asked = set(trials or known)
    return {name for name, t in tasks.items() if not t.trial or t.trial in asked}


def basis_of(task: Task, audit: SeasonAudit, inputs: dict[str, str]) -> dict[str, str]:
    """Return the SHA-256 of what a notebook is made from.

    That is the files for the whole season's notebooks; a trial's are made from a part
    of the season only, so they stand while that part does.
    """
    return trial_basis(audit, task.trial) if task.trial else inputs


def task_print(task: Task, rests_on: dict[str, str]) -> str:
    """Return a fingerprint of all that a notebook's results depend on."""
    return fingerprint(
        {
            "rests_on": rests_on,
            "environment": environment(),
            "notebook": source_hash(read_notebook(task.notebook)),
            "parameters": task.parameters,
        }
    )


# ---- tables and inputs


def table_files(
    audit: SeasonAudit, tables: Mapping[str, pd.DataFrame]
) -> dict[str, Callable[[], bytes]]:
    """Return what makes the content of each table's file, by the file's name."""
    files: dict[str, Callable[[], bytes]] = {
        f"{name}.csv": partial(csv_bytes, table) for name, table in tables.items()
    }
    files["pairs.parquet"] = partial(_parquet, tables["pairs"])
    files["plots.parquet"] = lambda: _parquet(plots_table(audit))
    return files


def _parquet(table: pd.DataFrame) -> bytes:
    """Return a table as Parquet."""
    buffer = BytesIO()
    table.to_parquet(buffer, index=False)
    return buffer.getvalue()


def refuse_changed(
    folder: Path, earlier: Sequence[str | Path], inputs: dict[str, str]
) -> None:
    """Refuse to call a run done whose inputs changed under it."""
    now = input_hashes(folder) | earlier_hashes(earlier)
    changed = sorted(n for n in inputs | now if inputs.get(n) != now.get(n))
    if changed:
        raise RunBroken(
            f"{folder}: {listed(changed)} changed while the run was on, so its results "
            "are of no one season. Run again."
        )
