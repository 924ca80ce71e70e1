"""The whole run of a season: tables, executed notebooks, PDFs and their manifest."""

import gc
import hashlib
import os
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from concurrent.futures import as_completed
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import pandas as pd
from tqdm import tqdm

from kitlib.explorer.record import ON_RECORD
from kitlib.intake import outputs
from kitlib.intake.pairs import why_nothing_used
from kitlib.intake.settings import (
    EARLIER_PATHS,
    SEASON_PATH,
    SETTINGS_FILE,
    read_season,
)
from kitlib.intake.tables import input_hashes
from kitlib.reports.season_sections import plots_table, season_tables
from kitlib.reports.trial_sections import trial_basis
from kitlib.review.comparisons import CURVES_FILE
from kitlib.review.review import review_season
from kitlib.runs import manifest
from kitlib.runs.kernels import (
    OUT,
    Kernels,
    Task,
    folder_lines,
    read_notebook,
    run_notebook,
    season_tasks,
    source_hash,
    workshop,
)
from kitlib.runs.workers import AUDIT, write_audit
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.words.findings import FAULT, NOTE, WARNING, KitError
from kitlib.words.terms import NOT_KNOWN, counted, listed, show

# Two states of one season share the reading or the mass of nearly every plot, for what
# is corrected is one or the other. Two seasons that share names share what chance
# gives: 3 plots in 100 for readings to 0.1 point with an SD of 1, 6 for masses to
# 0.1 kg with an SD of 0.5. A limit halfway is far from both; a test measures them.
SAME_SEASON = 0.5
_KEYS, _VALUES = ["trial", "plot"], ["recorded_pct", "plot_mass_kg"]
Finish = Callable[[Task, str], None]  # given a task and why it failed, if it did
Say = Callable[[str], object]
# A bar behind what ends, if a terminal is there.
progress = partial(tqdm, unit="notebook", disable=None)


class WrongCall(KitError):
    """The run was asked for what it cannot do, whatever the data."""


class RunBroken(KitError):
    """The run could not go on; what was finished is kept."""


@dataclass(kw_only=True)
class SeasonRun:
    """What a run found in the output folder and what it did."""

    audit: SeasonAudit
    findings: pd.DataFrame  # all of them, the most serious first
    record: manifest.Record  # of the season's output folder
    rests_on: dict[str, dict[str, str]]  # SHA-256 of what each notebook is made from
    tables: dict[str, str] = field(default_factory=dict)  # SHA-256 by file name
    made: list[str] = field(default_factory=list)  # notebooks executed now
    up_to_date: list[str] = field(default_factory=list)
    outdated: list[str] = field(default_factory=list)  # and not asked for
    removed: list[str] = field(default_factory=list)  # files of trials that are gone
    failed: dict[str, str] = field(default_factory=dict)  # why, by name it is kept as
    manifest: str = ""  # its SHA-256

    def plan(self, tasks: Mapping[str, Task], wanted: Collection[str]) -> list[Task]:
        """Return the notebooks to be run; remove what no trial owns any more."""
        home, notebooks = self.record.home, self.record.notebooks
        failed = {task.failed_name for task in tasks.values()}
        for name in notebooks.keys() - tasks.keys() - failed:
            self.removed += notebooks.pop(name).remove(home)
        for name in notebooks.keys() & failed:
            if not notebooks[name].is_whole(home, [name]):
                del notebooks[name]  # deleted or edited: no longer ours to list
        for name, task in tasks.items():
            made, now = notebooks.get(name), self.fingerprint(task)
            same = made is not None and made.fingerprint == now
            if made and same and made.is_whole(home, task.files):
                self.up_to_date.append(name)
            elif made and name not in wanted:
                self.outdated.append(name)
        return [tasks[n] for n in tasks if n in wanted and n not in self.up_to_date]

    def fingerprint(self, task: Task) -> str:
        """Return one hash of all that a notebook's results depend on."""
        depends = {
            "rests_on": self.rests_on[task.name],
            "environment": manifest.environment(),
            "notebook": source_hash(read_notebook(task.notebook)),
            "parameters": task.parameters,
        }
        return hashlib.sha256(outputs.json_bytes(depends)).hexdigest()

    def finish(self, task: Task, failure: str) -> None:
        """Move what a notebook made to its place, and note it."""
        name, files, earlier = task.name, task.files, task.failed_name
        if failure:
            name, files, earlier = task.failed_name, [task.failed_name], task.name
            self.failed[name] = failure
        else:
            self.made.append(name)
        home, notebooks = self.record.home, self.record.notebooks
        for file in files:
            (home / file).parent.mkdir(parents=True, exist_ok=True)
            os.replace(self.record.scratch / OUT / file, home / file)
        if earlier in notebooks:
            notebooks.pop(earlier).remove(home)
        made = manifest.Made(
            fingerprint=self.fingerprint(task),
            rests_on=self.rests_on[task.name],
            files={file: outputs.sha256_of(home / file) for file in files},
        )
        self.record.note(name, made)

    def told(self) -> dict:
        """Return what the manifest tells of the output folder."""
        notebooks = self.record.notebooks
        current = {n: m for n, m in notebooks.items() if n not in self.outdated}
        files = {f: sha for made in current.values() for f, sha in made.files.items()}
        return {
            "season": self.audit.settings.name,
            "seed": self.audit.settings.seed,
            "outputs": self.tables | files,
            "failed": sorted(n for n in current if n.endswith(".failed.ipynb")),
            "outdated": sorted(self.outdated),
        }

    def problems(self) -> list[str]:
        """Return what keeps the run from being a clean one, one line each."""
        faults = self.findings[self.findings["severity"] == FAULT]
        lines = [
            f"fault: {f'{table}: ' if table else ''}{message}"
            for table, message in zip(faults["table"], faults["message"], strict=True)
        ]
        if lines:
            said = f"{counted(len(lines), 'fault')} in the data"
            lines.append(f"{said}; all that could be made without those rows was made.")
        if not self.audit.audits:
            lines.append(why_nothing_used(self.audit.pairing))
        return lines + [f"failed: {name}: {why}" for name, why in self.failed.items()]

    def summary(self) -> list[str]:
        """Return what was found and written, line by line."""
        audit, counts = self.audit, self.findings["severity"].value_counts()
        lines = [
            f"{audit.settings.name}: {counted(len(audit.trials), 'trial')}, "
            f"{counted(len(audit.plots), 'plot')}, "
            f"{counted(len(audit.audits), 'curve')} audited"
        ]
        for name in audit.audits:
            advice = audit.advice[name]
            setting = show(advice.new_setting, sign=True)
            told = "" if setting == NOT_KNOWN else f", new setting {setting}"
            lines.append(f"  {name}: {advice.action}{told}")
        kinds = [counted(int(counts.get(k, 0)), k) for k in (FAULT, WARNING, NOTE)]
        lines.append(f"findings: {', '.join(kinds)} (findings.csv)")
        parts = [f"{counted(len(self.tables), 'table')}, manifest.json"]
        parts.append(f"{counted(len(self.made), 'notebook')} made")
        gone = f"{counted(len(self.removed), 'file')} of former trials gone"
        parts += [f"{len(self.up_to_date)} up to date"] * bool(self.up_to_date)
        parts += [f"{len(self.failed)} failed"] * bool(self.failed)
        parts += [gone] * bool(self.removed)
        lines.append(f"written to {self.record.home}: {', '.join(parts)}")
        if self.outdated:
            said = f"{counted(len(self.outdated), 'notebook')} of an earlier state of "
            said += f"the season left as they are: {listed(self.outdated)}; run "
            lines.append(f"{said}without --trial to make them anew")
        lines.append(f"SHA-256 of manifest.json, to be kept elsewhere: {self.manifest}")
        return lines


# ---- the run


def run_season(
    folder: str | Path,
    out: str | Path,
    *,
    trials: Sequence[str] = (),
    earlier: Sequence[str | Path] = (),
    replace: bool = False,
    say: Say = lambda stage: None,
    run_notebooks: Callable | None = None,  # as `run_here` does, which is the default
) -> SeasonRun:
    """Audit a season and write all its results into `out`/<name of the season>/.

    What an earlier run wrote and the folder still holds is left as it is, so the
    same season is done once. Notebooks are made for the trials named, none meaning
    all; `earlier` are output folders of earlier seasons, the earliest first.

    Raises `SeasonRefused` if the season cannot be audited; `WrongCall` if a trial is
    not there or `out` would overwrite what is not a run's own; `OutputBusy` if another
    run writes there; `RunBroken` if the season's files change meanwhile, or a cluster
    fails.
    """
    folder = Path(folder)
    home = output_folder(folder, Path(out), read_season(folder).name)
    inputs = _hashes_of_inputs(folder, earlier)
    say(f"reading and auditing {folder}")
    audit = audit_season(folder)
    if unknown := [trial for trial in trials if trial not in audit.trials]:
        said = f"--trial {listed(unknown)}: not in the season, which holds "
        raise WrongCall(f"{said}{listed(audit.trials)}.")
    past = home / ON_RECORD
    records = {ON_RECORD: outputs.sha256_of(past)} if past.is_file() else {}
    tasks = season_tasks(audit, bool(earlier), bool(records))
    with outputs.sole_use(home), workshop(home, folder, earlier) as scratch:
        record = manifest.Record(home=home, scratch=scratch)
        if not replace:
            refuse_other_season(record, audit, inputs)
        say(f"ranking {counted(len(audit.trials), 'trial')}")
        _ = audit.outcomes  # which the audit keeps
        say("writing the tables")
        tables = season_tables(audit, review_season(audit, earlier))
        contents = table_files(audit, tables)
        will_write = [*contents, *(f for task in tasks.values() for f in task.files)]
        will_write += [task.failed_name for task in tasks.values()]
        refuse_others_files(record, will_write)
        run = SeasonRun(
            audit=audit,
            findings=tables["findings"],
            record=record,
            rests_on={
                # A trial's are made from a part of the season, and stand while it does.
                name: trial_basis(audit, task.trial)
                if task.trial
                else inputs | (records if "records" in task.reads else {})
                for name, task in tasks.items()
            },
        )
        del tables
        asked = {"", *(trials or audit.trials)}
        due = run.plan(tasks, [n for n, t in tasks.items() if t.trial in asked])
        if due or run.removed or any(n not in record.names for n in contents):
            record.begin(will_write, inputs)
        while contents:  # each is let go once it is written
            name, made = contents.popitem()
            run.tables[name] = record.put(name, made())
        told = f"{len(run.up_to_date)} up to date"
        say(f"running {counted(len(due), 'notebook')}; {told}")
        if due:
            run_them = run_notebooks or partial(run_here, Kernels(os.cpu_count() or 1))
            run_them(due, scratch, audit, run.finish)
        # Where the season lay, for who runs the notebooks again: no result, so it may
        # be edited, and no hash is taken of it.
        for name, folders in ((SEASON_PATH, [folder]), (EARLIER_PATHS, earlier)):
            if folders:
                record.put(name, folder_lines(_seen_from(home, f) for f in folders))
        refuse_changed(folder, earlier, inputs)
        content = {
            "inputs": inputs,
            "parameters": {name: task.parameters for name, task in tasks.items()},
            "trials_asked_for": sorted(set(trials)) or "all",
        }
        content |= manifest.environment() | run.told()
        run.manifest = record.end(content)
    return run


def run_here(
    kernels: Kernels,
    tasks: Sequence[Task],
    scratch: Path,
    audit: SeasonAudit,
    finish: Finish,
) -> None:
    """Run notebooks in kernels on this machine and hand over each as it ends.

    An interrupt is passed on after those under way have ended and been handed over.
    """
    with kernels:
        gc.freeze()  # so that the audit is not looked through after every notebook
        write_audit(audit, audit.folder.resolve(), kernels.folder / AUDIT)
        submit = kernels.threads.submit
        under_way = {submit(run_notebook, t, scratch, kernels): t for t in tasks}
        try:
            for ended in progress(as_completed(under_way), total=len(tasks)):
                finish(under_way.pop(ended), ended.result())
        except BaseException as stopped:
            kernels.threads.shutdown(cancel_futures=True)
            if isinstance(stopped, KeyboardInterrupt):
                for future, task in under_way.items():
                    if not future.cancelled() and future.exception() is None:
                        finish(task, future.result())
            raise
        finally:
            gc.unfreeze()


def table_files(
    audit: SeasonAudit, tables: Mapping[str, pd.DataFrame]
) -> dict[str, Callable[[], bytes]]:
    """Return what makes the content of each table's file, by the file's name."""
    files: dict[str, Callable[[], bytes]] = {
        f"{name}.csv": partial(outputs.csv_bytes, table)
        for name, table in tables.items()
    }
    pairs = tables["pairs"]  # alone, so that the other tables are let go
    files["pairs.parquet"] = lambda: pairs.to_parquet(index=False)
    files["plots.parquet"] = lambda: plots_table(audit).to_parquet(index=False)
    return files


# ---- what is refused


def output_folder(folder: Path, out: Path, name: str) -> Path:
    """Return where a season's results go; refuse a place where they may not."""
    home, season = out / name, folder.resolve()
    parts = ("", manifest.TRIALS, outputs.LOCK_FILE, manifest.JOURNAL)
    own = [home / part for part in parts]
    if home.resolve() in (season, *season.parents):
        why = f"the results would go to {home}, where the season itself lies"
    elif (home / SETTINGS_FILE).exists():
        why = f"{home} holds a {SETTINGS_FILE}, so it is a season folder"
    elif links := [str(path) for path in own if path.is_symlink()]:
        why = f"{listed(links)}: a link, so results would be written elsewhere"
    else:
        return home
    raise WrongCall(f"--out {out}: {why}. Give --out another folder.")


def refuse_others_files(record: manifest.Record, names: Iterable[str]) -> None:
    """Refuse to write over files that no run of ours wrote."""
    home = record.home
    others = [n for n in (*names, *manifest.OF_A_RUN) if n not in record.names]
    if there := [name for name in others if os.path.lexists(home / name)]:
        raise WrongCall(
            f"--out: {home} holds {listed(there)}, which no run on record wrote. "
            "Nothing of it is overwritten: move it away, or give --out another folder."
        )


def refuse_other_season(
    record: manifest.Record, audit: SeasonAudit, inputs: Mapping[str, str]
) -> None:
    """Refuse to replace the results of another season that has the same name."""
    same_file = any(
        inputs.get(name) == sha and Path(name).stem in ("plots", "oven")
        for name, sha in record.inputs.items()
    )
    path = record.home / "plots.parquet"
    if same_file or not path.is_file():
        return
    try:
        before = pd.read_parquet(path, columns=[*_KEYS, *_VALUES])
    except (OSError, ValueError):  # not as a run wrote it; `verify` tells of that
        return
    if share_alike(before, audit.plots) < SAME_SEASON:
        raise WrongCall(
            f"--out: {record.home} holds the results of another season of the same "
            f"name. Give this one a name of its own in {SETTINGS_FILE}, or call with "
            "--replace."
        )


def share_alike(before: pd.DataFrame, now: pd.DataFrame) -> float:
    """Return the share of plots, of the fewer, whose reading or mass is as it was."""
    both = before.merge(now[[*_KEYS, *_VALUES]], on=_KEYS, suffixes=("", "_now"))
    same = [(both[name] - both[f"{name}_now"]).abs() < 1e-9 for name in _VALUES]
    fewer = min(len(before), len(now))
    return (same[0] | same[1]).sum() / fewer if fewer else 1.0


def refuse_changed(
    folder: Path, earlier: Sequence[str | Path], inputs: dict[str, str]
) -> None:
    """Refuse to call a run done whose inputs changed under it."""
    now = _hashes_of_inputs(folder, earlier)
    changed = sorted(n for n in inputs | now if inputs.get(n) != now.get(n))
    if changed:
        raise RunBroken(
            f"{folder}: {listed(changed)} changed while the run was on, so its results "
            "are of no one season. Run again."
        )


def _hashes_of_inputs(folder: Path, earlier: Sequence[str | Path]) -> dict[str, str]:
    """Return the SHA-256 of all that is read; refuse an earlier season without it."""
    for past in earlier:
        if not (Path(past) / CURVES_FILE).is_file():
            raise WrongCall(
                f"--earlier {past}: there is no {CURVES_FILE} in it. Give the output "
                "folder of an earlier run, such as reports/<name of the season>."
            )
    return input_hashes(folder) | manifest.earlier_hashes(earlier)


def _seen_from(home: Path, folder: str | Path) -> Path:
    """Return the way from an output folder to another folder."""
    try:
        return Path(os.path.relpath(Path(folder).resolve(), home.resolve()))
    except ValueError:  # on another disk, so there is no way from here to there
        return Path(folder).resolve()
