"""The whole run of a season: tables, executed notebooks, PDFs and their manifest."""

import os
from collections.abc import Callable, Sequence
from functools import partial
from io import BytesIO
from pathlib import Path

import pandas as pd

from kitlib.intake.outputs import (
    csv_bytes,
    file_names,
    input_hashes,
    sha256_of,
    sole_use,
)
from kitlib.intake.settings import SETTINGS_FILE, read_season
from kitlib.reports.results import plots_table, season_tables
from kitlib.reports.trial_basis import trial_basis
from kitlib.review.history import CURVES_FILE
from kitlib.review.review import review_season
from kitlib.runs.bench import SEASON_LINK
from kitlib.runs.manifest import (
    environment,
    fingerprint,
    read_made,
    replace_if_other,
    write_manifest,
)
from kitlib.runs.notebook_files import (
    CURVES,
    JOIN,
    PLAN,
    TRIAL,
    check_parameters,
    read_notebook,
    source_hash,
)
from kitlib.runs.notebook_pool import (
    EARLIER,
    RunBroken,
    Track,
    remove_leftovers,
    run_tasks,
    workshop,
)
from kitlib.runs.notebook_runs import Task
from kitlib.runs.ranking import rank_trials
from kitlib.runs.season_run import SeasonRun
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.words.errors import KitError
from kitlib.words.terms import counted, listed


class WrongCall(KitError):
    """The run was asked for what it cannot do, whatever the data."""


def run_season(
    folder: str | Path,
    out: str | Path,
    *,
    trials: Sequence[str] = (),
    earlier: Sequence[str | Path] = (),
    jobs: int | None = None,
    say: Callable[[str], object] = lambda stage: None,
    track: Track = lambda ended, total: ended,
    run_notebooks: Callable = run_tasks,
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
    say : callable
        Told of each stage, in words.
    track : callable
        Wraps the iterable of ended notebooks, given their number.
    run_notebooks : callable
        Runs them, here by default; `cluster.run_on_cluster` does so elsewhere.

    Returns
    -------
    SeasonRun

    Raises
    ------
    SeasonRefused
        If the season cannot be audited.
    WrongCall
        If a trial is not there, or `out` would overwrite a season.
    OutputBusy
        If another run writes into the same folder.
    RunBroken
        If the season's files change meanwhile, or there is no cluster where one is
        to be.
    """
    folder = Path(folder)
    home = output_folder(folder, Path(out), read_season(folder).name)
    inputs = input_hashes(folder) | earlier_hashes(earlier)
    say(f"reading and auditing {folder}")
    audit = audit_season(folder)
    tasks = season_tasks(audit, bool(earlier))
    wanted = wanted_tasks(tasks, audit.trials, trials)
    with sole_use(home):
        remove_leftovers(home)
        at_once = jobs or os.cpu_count() or 1
        say(f"ranking {counted(len(audit.trials), 'trial')}")
        rank_trials(audit, at_once)
        say("writing the tables")
        tables = season_tables(audit, review_season(audit, earlier))
        rests_on = {n: basis_of(task, audit, inputs) for n, task in tasks.items()}
        run = SeasonRun(
            home=home,
            audit=audit,
            findings=tables["findings"],
            tables=write_tables(home, tables, plots_table(audit)),
            rests_on=rests_on,
            prints={n: task_print(task, rests_on[n]) for n, task in tasks.items()},
            records=read_made(home),
        )
        due = run.plan(tasks, wanted)
        say(
            f"running {counted(len(due), 'notebook')}; {len(run.up_to_date)} up to date"
        )
        with workshop(home, folder, earlier) as scratch:
            finish = partial(run.finish, scratch)
            run_notebooks(due, scratch, audit, at_once, finish, track, say)
        refuse_changed(folder, earlier, inputs)
        told = {
            "inputs": inputs,
            "parameters": {n: task.all_parameters for n, task in tasks.items()},
            "trials_asked_for": sorted(set(trials)) or "all",
        }
        write_manifest(home, environment() | run.told() | told, run.records)
    return run


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


def output_folder(folder: Path, out: Path, name: str) -> Path:
    """Return where a season's results go; refuse a place that holds a season."""
    home = out / name
    season = folder.resolve()
    if home.resolve() in (season, *season.parents):
        raise WrongCall(
            f"--out {out}: the results would go to {home}, where the season itself "
            "lies. Give --out another folder."
        )
    if (home / SETTINGS_FILE).exists():
        raise WrongCall(
            f"--out {out}: {home} holds a {SETTINGS_FILE}, so it is a season folder. "
            "Give --out another folder."
        )
    return home


def season_tasks(audit: SeasonAudit, with_earlier: bool = False) -> dict[str, Task]:
    """Return the notebooks of a season by the name they are executed under."""
    season = {"season": SEASON_LINK}
    past = {"earlier": EARLIER} if with_earlier else {}
    tasks = [
        Task(
            name="season.ipynb",
            notebook=CURVES,
            parameters=season | past,
            report="season.pdf",
        ),
        Task(name="join.ipynb", notebook=JOIN, parameters=season),
        Task(name="plan.ipynb", notebook=PLAN, parameters=season),
    ]
    tasks += [
        Task(
            name=f"{stem}.ipynb",
            notebook=TRIAL,
            parameters={**season, "trial": trial},
            report=f"{stem}.pdf",
        )
        for trial, stem in trial_files(audit.trials).items()
    ]
    for task in tasks:
        check_parameters(read_notebook(task.notebook), task.all_parameters)
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
        stems[trial] = f"trials/{stem}"
    return stems


def wanted_tasks(tasks, known: Sequence[str], trials: Sequence[str]) -> set[str]:
    """Return the names of the notebooks asked for; refuse a trial that is not known."""
    unknown = [trial for trial in trials if trial not in known]
    if unknown:
        raise WrongCall(
            f"--trial {listed(unknown)}: not in the season, which holds "
            f"{listed(known)}."
        )
    return {
        name
        for name, task in tasks.items()
        if task.notebook != TRIAL or task.parameters["trial"] in (trials or known)
    }


def basis_of(task: Task, audit: SeasonAudit, inputs: dict[str, str]) -> dict[str, str]:
    """Return the SHA-256 of what a notebook is made from.

    That is the files for the whole season's notebooks; a trial's are made from a part
    of the season only, so they stand while that part does.
    """
    if task.notebook == TRIAL:
        return trial_basis(audit, task.parameters["trial"])
    return inputs


def task_print(task: Task, rests_on: dict[str, str]) -> str:
    """Return a fingerprint of all that a notebook's results depend on."""
    return fingerprint(
        {
            "rests_on": rests_on,
            "environment": environment(),
            "notebook": source_hash(read_notebook(task.notebook)),
            "parameters": task.all_parameters,
        }
    )


def write_tables(home: Path, tables, plots: pd.DataFrame) -> dict[str, str]:
    """Write every table; return the SHA-256 of each, by name of its file."""
    contents = {f"{name}.csv": csv_bytes(table) for name, table in tables.items()}
    buffer = BytesIO()
    plots.to_parquet(buffer, index=False)
    contents["plots.parquet"] = buffer.getvalue()
    return {
        name: replace_if_other(home / name, content)
        for name, content in contents.items()
    }


def refuse_changed(folder: Path, earlier, inputs: dict[str, str]) -> None:
    """Refuse to call a run done whose inputs changed under it."""
    now = input_hashes(folder) | earlier_hashes(earlier)
    changed = sorted(n for n in inputs | now if inputs.get(n) != now.get(n))
    if changed:
        raise RunBroken(
            f"{folder}: {listed(changed)} changed while the run was on, so its results "
            "are of no one season. Run again."
        )
