"""The account of one run: what was there, what is due, what was made of it."""

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from kitlib.intake.outputs import sha256_of
from kitlib.runs.manifest import Made, is_whole, note_made, remove_made, start_journal
from kitlib.runs.notebook_runs import OUT, Task
from kitlib.season.season import SeasonAudit


@dataclass(kw_only=True)
class SeasonRun:
    """What a run found in the output folder and what it did.

    Attributes
    ----------
    home : Path
        The season's output folder.
    audit : SeasonAudit
    findings : DataFrame
        All findings, the most serious first.
    tables : dict of str to str
        SHA-256 of each table, by name of its file.
    rests_on : dict of dict
        SHA-256 of what each notebook is made from, by the notebook's name.
    prints : dict of str to str
        Fingerprint of each notebook, by name.
    records : dict of Made
        Executed notebooks in the folder, failed ones among them, by name.
    made, up_to_date, outdated, removed : list of str
        Notebooks executed now; those that needed nothing; those of an earlier state
        of the season that were not asked for; files of trials that are gone.
    failed : dict of str to str
        Why a notebook failed, by the name it is kept under.
    """

    home: Path
    audit: SeasonAudit
    findings: pd.DataFrame
    tables: dict[str, str]
    rests_on: dict[str, dict[str, str]]
    prints: dict[str, str]
    records: dict[str, Made]
    made: list[str] = field(default_factory=list)
    up_to_date: list[str] = field(default_factory=list)
    outdated: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)

    def plan(self, tasks: Mapping[str, Task], wanted: Collection[str]) -> list[Task]:
        """Return the notebooks to be run; remove what no trial owns any more."""
        failed = {task.failed_name for task in tasks.values()}
        for name in self.records.keys() - tasks.keys() - failed:
            self.removed += remove_made(self.home, self.records.pop(name))
        for name in self.records.keys() & failed:
            if not is_whole(self.records[name], self.home, [name]):
                del self.records[name]  # deleted or edited: no longer ours to list
        for name, task in tasks.items():
            if self._is_up_to_date(task):
                self.up_to_date.append(name)
            elif name in self.records and name not in wanted:
                self.outdated.append(name)
        due = [tasks[n] for n in tasks if n in wanted and n not in self.up_to_date]
        if due or self.removed:
            start_journal(self.home, self.records)
        return due

    def _is_up_to_date(self, task: Task) -> bool:
        """Whether a notebook's files are there, of this season and as written."""
        made = self.records.get(task.name)
        current = made is not None and made.fingerprint == self.prints[task.name]
        return current and is_whole(made, self.home, task.files)

    def finish(self, scratch: Path, task: Task, failure: str) -> None:
        """Move what a notebook made to its place, and note it."""
        name, files, earlier = task.name, task.files, task.failed_name
        if failure:
            name, files, earlier = task.failed_name, [task.failed_name], task.name
            self.failed[name] = failure
        else:
            self.made.append(name)
        for file in files:
            (self.home / file).parent.mkdir(parents=True, exist_ok=True)
            os.replace(scratch / OUT / file, self.home / file)
        if earlier in self.records:
            remove_made(self.home, self.records.pop(earlier))
        written = {file: sha256_of(self.home / file) for file in files}
        made = Made(
            fingerprint=self.prints[task.name],
            rests_on=self.rests_on[task.name],
            files=written,
        )
        self.records[name] = made
        note_made(self.home, name, made)

    def told(self) -> dict:
        """Return what the manifest tells of the output folder."""
        current = {n: m for n, m in self.records.items() if n not in self.outdated}
        files = {f: sha for made in current.values() for f, sha in made.files.items()}
        return {
            "season": self.audit.settings.name,
            "seed": self.audit.settings.seed,
            "outputs": self.tables | files,
            "failed": sorted(n for n in current if n.endswith(".failed.ipynb")),
            "outdated": sorted(self.outdated),
        }
