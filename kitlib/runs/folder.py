"""The output folder of a season: where it may lie, whose files are in it."""

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from kitlib.intake.files import LOCK_FILE
from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH, SETTINGS_FILE
from kitlib.runs.manifest import JOURNAL, OF_A_RUN, TRIALS, Journal, OnRecord
from kitlib.season.season import SeasonAudit
from kitlib.words.findings import KitError
from kitlib.words.terms import listed

OUT = "out"  # what stands for the output folder in the scratch folder
_SCRATCH = ".moisture-audit-work-"  # no other program's, so it may be cleared away
# Of the plots of two states of one season at least this share has the same reading
# or the same mass; of two seasons that share names of trials, a few per cent do.
_SAME_SEASON = 0.5


class WrongCall(KitError):
    """The run was asked for what it cannot do, whatever the data."""


def output_folder(folder: Path, out: Path, name: str) -> Path:
    """Return where a season's results go; refuse a place where they may not."""
    home, season = out / name, folder.resolve()
    if home.resolve() in (season, *season.parents):
        why = f"the results would go to {home}, where the season itself lies"
    elif (home / SETTINGS_FILE).exists():
        why = f"{home} holds a {SETTINGS_FILE}, so it is a season folder"
    else:
        own = [home, *(home / part for part in (TRIALS, LOCK_FILE, JOURNAL))]
        links = [str(path) for path in own if path.is_symlink()]
        if not links:
            return home
        why = f"{listed(links)}: a link, so results would be written elsewhere"
    raise WrongCall(f"--out {out}: {why}. Give --out another folder.")


def refuse_others_files(home: Path, record: OnRecord, names: Sequence[str]) -> None:
    """Refuse to write over files that no run of ours wrote."""
    names = [*names, *OF_A_RUN]
    others = [n for n in names if n not in record.names and os.path.lexists(home / n)]
    if others:
        raise WrongCall(
            f"--out: {home} holds {listed(others)}, which no run on record wrote. "
            "Nothing of it is overwritten: move it away, or give --out another folder."
        )


def refuse_other_season(
    home: Path, audit: SeasonAudit, record: OnRecord, inputs: Mapping[str, str]
) -> None:
    """Refuse to replace the results of another season that has the same name."""
    same_file = any(
        inputs.get(name) == sha and Path(name).stem in ("plots", "oven")
        for name, sha in record.inputs.items()
    )
    path, keys = home / "plots.parquet", ["trial", "plot"]
    if same_file or not path.is_file():
        return
    values = ["recorded_pct", "plot_mass_kg"]
    try:
        before = pd.read_parquet(path, columns=[*keys, *values])
    except (OSError, ValueError):  # not as a run wrote it; `verify` tells of that
        return
    both = before.merge(audit.plots[[*keys, *values]], on=keys, suffixes=("", "_now"))
    same = [(both[name] - both[f"{name}_now"]).abs() < 1e-9 for name in values]
    if (same[0] | same[1]).sum() < _SAME_SEASON * min(len(before), len(audit.plots)):
        raise WrongCall(
            f"--out: {home} holds the results of another season of the same name. "
            f"Give this one a name of its own in {SETTINGS_FILE}, or call with "
            "--replace."
        )


@contextmanager
def workshop(
    home: Path, season: Path, earlier: Sequence[str | Path] = ()
) -> Iterator[Path]:
    """Hold a scratch folder that stands for the output folder while notebooks run.

    Those of killed runs are removed: no other run may be on.
    """
    for left in home.glob(f"{_SCRATCH}*"):
        if not left.is_symlink():
            shutil.rmtree(left, ignore_errors=True)
    scratch = Path(tempfile.mkdtemp(dir=home.resolve(), prefix=_SCRATCH))
    try:
        (scratch / OUT / TRIALS).mkdir(parents=True)
        (scratch / OUT / SEASON_PATH).write_bytes(_lines([season.resolve()]))
        folders = [Path(folder).resolve() for folder in earlier]
        (scratch / OUT / EARLIER_PATHS).write_bytes(_lines(folders))
        yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def write_paths(
    home: Path, journal: Journal, season: Path, earlier: Sequence[str | Path]
) -> None:
    """Write beside the notebooks where their season lay, for who runs them again.

    These files are no results: they may be edited, and no hash is taken of them.
    """
    journal.put(SEASON_PATH, _lines([_seen_from(home, season)]))
    if earlier:
        seen = [_seen_from(home, Path(folder)) for folder in earlier]
        journal.put(EARLIER_PATHS, _lines(seen))


def _seen_from(home: Path, folder: Path) -> Path:
    """Return where a folder lies as seen from another; in full on another disk."""
    try:
        return Path(os.path.relpath(folder.resolve(), home.resolve()))
    except ValueError:
        return folder.resolve()


def _lines(folders: Iterable[Path]) -> bytes:
    """Return folders one a line."""
    return "".join(f"{folder.as_posix()}\n" for folder in folders).encode()
