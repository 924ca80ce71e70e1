"""Runs of the command in processes of their own, and what they leave behind."""

import json
import subprocess
import sys
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

COMMAND = Path(sys.executable).parent / "moisture-audit"
NAME = "Small season"


@dataclass(frozen=True)
class Finished:
    """A season folder, the files of a good run of it, and the moments of the run."""

    season: Path
    files: dict[str, bytes]
    moments: int


def call(*arguments) -> list[str]:
    """Return a call of `run`, as its user makes it.

    With one job, for a second kernel costs seconds and is disturbed like the first.
    """
    return [str(COMMAND), "run", *map(str, arguments), "--jobs", "1"]


def run(*arguments, before=(), **more) -> subprocess.CompletedProcess:
    """Run a season; `before` are words set before the command."""
    words = [*before, *call(*arguments)]
    return subprocess.run(words, capture_output=True, text=True, **more)


def only_trials(season, *trials: str) -> None:
    """Keep the rows of some trials."""
    for name in ("plots.csv", "oven.csv"):
        lines = season.text(name).splitlines(keepends=True)
        kept = [line for line in lines[1:] if {*trials} & {*line.split(",")[:2]}]
        season.write(name, lines[0] + "".join(kept))


def files_of(home: Path) -> dict[str, bytes]:
    """Return the results in an output folder by name: all but hidden files.

    Nor is season.path one, which says where the season lay.
    """
    paths = [p for p in home.rglob("*") if p.is_file() and p.name != "season.path"]
    names = {path.relative_to(home).as_posix(): path for path in paths}
    return {
        name: path.read_bytes()
        for name, path in names.items()
        if not any(part.startswith(".") for part in Path(name).parts)
    }


def hashes_of(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of a folder."""
    paths = [p for p in folder.rglob("*") if p.is_file()]
    return {str(p): sha256(p.read_bytes()).hexdigest() for p in paths}


def assert_nothing_half(home: Path, finished: Finished) -> None:
    """Check that each file under its final name is whole, and of this season."""
    for name, content in files_of(home).items():
        assert content == finished.files.get(name), f"{name} is not as it should be"


def assert_as_undisturbed(home: Path, finished: Finished) -> None:
    """Check that a folder holds what an undisturbed run leaves, and no leavings."""
    left = files_of(home)
    assert left.keys() == finished.files.keys()
    assert [name for name in left if left[name] != finished.files[name]] == []
    hidden = {p.name for p in home.rglob(".*")}
    assert hidden <= {".in-use"}
    assert json.loads(left["manifest.json"])["failed"] == []
