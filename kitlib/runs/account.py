"""The account of one run: what was there, what is due, what was made of it."""

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from kitlib.curves.advice import Recommendation
from kitlib.intake.files import sha256_of
from kitlib.intake.pairs import why_nothing_used
from kitlib.runs.folder import OUT
from kitlib.runs.manifest import Journal, Made, OnRecord, is_whole, remove_made
from kitlib.runs.notebooks import Task
from kitlib.season.season import SeasonAudit
from kitlib.words.findings import FAULT, NOTE, WARNING
from kitlib.words.terms import NOT_KNOWN, counted, listed, show


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
    record : OnRecord
        What earlier runs left, and then what this one made.
    rests_on : dict of dict
        SHA-256 of what each notebook is made from, by the notebook's name.
    prints : dict of str to str
        Fingerprint of each notebook, by name.
    tables : dict of str to str
        SHA-256 of each table, by name of its file.
    made, up_to_date, outdated, removed : list of str
        Notebooks executed now; those that needed nothing; those of an earlier state
        of the season that were not asked for; files of trials that are gone.
    failed : dict of str to str
        Why a notebook failed, by the name it is kept under.
    manifest : str
        SHA-256 of the manifest.
    """

    home: Path
    audit: SeasonAudit
    findings: pd.DataFrame
    record: OnRecord
    rests_on: dict[str, dict[str, str]]
    prints: dict[str, str]
    tables: dict[str, str] = field(default_factory=dict)
    made: list[str] = field(default_factory=list)
    up_to_date: list[str] = field(default_factory=list)
    outdated: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    manifest: str = ""

    def plan(self, tasks: Mapping[str, Task], wanted: Collection[str]) -> list[Task]:
        """Return the notebooks to be run; remove what no trial owns any more."""
        notebooks = self.record.notebooks
        failed = {task.failed_name for task in tasks.values()}
        for name in notebooks.keys() - tasks.keys() - failed:
            self.removed += remove_made(self.home, notebooks.pop(name))
        for name in notebooks.keys() & failed:
            if not is_whole(notebooks[name], self.home, [name]):
                del notebooks[name]  # deleted or edited: no longer ours to list
        for name, task in tasks.items():
            if self._is_up_to_date(task):
                self.up_to_date.append(name)
            elif name in notebooks and name not in wanted:
                self.outdated.append(name)
        return [tasks[n] for n in tasks if n in wanted and n not in self.up_to_date]

    def _is_up_to_date(self, task: Task) -> bool:
        """Whether a notebook's files are there, of this season and as written."""
        made = self.record.notebooks.get(task.name)
        if made is None or made.fingerprint != self.prints[task.name]:
            return False
        return is_whole(made, self.home, task.files)

    def finish(self, journal: Journal, task: Task, failure: str) -> None:
        """Move what a notebook made to its place, and note it."""
        name, files, earlier = task.name, task.files, task.failed_name
        if failure:
            name, files, earlier = task.failed_name, [task.failed_name], task.name
            self.failed[name] = failure
        else:
            self.made.append(name)
        for file in files:
            (self.home / file).parent.mkdir(parents=True, exist_ok=True)
            os.replace(journal.scratch / OUT / file, self.home / file)
        if earlier in self.record.notebooks:
            remove_made(self.home, self.record.notebooks.pop(earlier))
        made = Made(
            fingerprint=self.prints[task.name],
            rests_on=self.rests_on[task.name],
            files={file: sha256_of(self.home / file) for file in files},
        )
        self.record.notebooks[name] = made
        journal.note(name, made)

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

    # ---- what is said at the end

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
        lines += [f"  {name}: {_action(audit.advice[name])}" for name in audit.audits]
        kinds = (FAULT, WARNING, NOTE)
        told = [counted(int(counts.get(severity, 0)), severity) for severity in kinds]
        lines.append(f"findings: {', '.join(told)} (findings.csv)")
        lines.append(f"written to {self.home}: {self._written()}")
        if self.outdated:
            lines.append(
                f"{counted(len(self.outdated), 'notebook')} of an earlier state of the "
                f"season left as they are: {listed(self.outdated)}; run without "
                "--trial to make them anew"
            )
        lines.append(f"SHA-256 of manifest.json, to be kept elsewhere: {self.manifest}")
        return lines

    def _written(self) -> str:
        """Return how many files of which kind lie in the folder, and how new."""
        parts = [f"{counted(len(self.tables), 'table')}, manifest.json"]
        parts.append(f"{counted(len(self.made), 'notebook')} made")
        if self.up_to_date:
            parts.append(f"{len(self.up_to_date)} up to date")
        if self.failed:
            parts.append(f"{len(self.failed)} failed")
        if self.removed:
            parts.append(f"{counted(len(self.removed), 'file')} of former trials gone")
        return ", ".join(parts)


def _action(advice: Recommendation) -> str:
    """Return a curve's action with the setting to load."""
    setting = show(advice.new_setting, sign=True)
    if setting == NOT_KNOWN:
        return str(advice.action)
    return f"{advice.action}, new setting {setting}"
