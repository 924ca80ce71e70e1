"""What is said at the end of a run: problems, actions, findings, what lies where."""

from kitlib.curves.advice import Recommendation
from kitlib.intake.pairs import why_nothing_used
from kitlib.runs.season_run import SeasonRun
from kitlib.words.findings import FAULT, NOTE, WARNING
from kitlib.words.terms import NOT_KNOWN, counted, listed, show


def problems(run: SeasonRun) -> list[str]:
    """Return what keeps a run from being a clean one, one line each."""
    faults = run.findings[run.findings["severity"] == FAULT]
    lines = [
        f"fault: {row.table + ': ' if row.table else ''}{row.message}"
        for row in faults.itertuples()
    ]
    if lines:
        said = f"{counted(len(lines), 'fault')} in the data"
        lines.append(f"{said}; all that could be made without those rows was made.")
    if not run.audit.audits:
        lines.append(why_nothing_used(run.audit.pairing))
    lines += [f"failed: {name}: {why}" for name, why in run.failed.items()]
    return lines


def summary(run: SeasonRun) -> list[str]:
    """Return what was found and written, line by line."""
    audit = run.audit
    lines = [
        f"{audit.settings.name}: {counted(len(audit.trials), 'trial')}, "
        f"{counted(len(audit.plots), 'plot')}, "
        f"{counted(len(audit.audits), 'curve')} audited"
    ]
    lines += [f"  {curve}: {_action(audit.advice[curve])}" for curve in audit.audits]
    counts = run.findings["severity"].value_counts()
    kinds = (FAULT, WARNING, NOTE)
    told = [counted(int(counts.get(severity, 0)), severity) for severity in kinds]
    lines.append(f"findings: {', '.join(told)} (findings.csv)")
    lines.append(f"written to {run.home}: {_written(run)}")
    if run.outdated:
        lines.append(
            f"{counted(len(run.outdated), 'notebook')} of an earlier state of the "
            f"season left as they are: {listed(run.outdated)}; run without --trial to "
            "make them anew"
        )
    return lines


def _action(advice: Recommendation) -> str:
    """Return a curve's action with the setting to load."""
    setting = show(advice.new_setting, sign=True)
    if setting == NOT_KNOWN:
        return advice.action
    return f"{advice.action}, new setting {setting}"


def _written(run: SeasonRun) -> str:
    """Return how many files of which kind lie in the output folder, and how new."""
    parts = [f"{counted(len(run.tables), 'table')}, manifest.json"]
    parts.append(f"{counted(len(run.made), 'notebook')} made")
    if run.up_to_date:
        parts.append(f"{len(run.up_to_date)} up to date")
    if run.failed:
        parts.append(f"{len(run.failed)} failed")
    if run.removed:
        parts.append(f"{counted(len(run.removed), 'file')} of former trials removed")
    return ", ".join(parts)
