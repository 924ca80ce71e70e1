"""The record of a run: what went in, what came out, by which code; and held to it."""

import hashlib
import json
import platform
import re
from collections import ChainMap
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from importlib import metadata
from pathlib import Path, PurePosixPath
from typing import Annotated

from pydantic import BaseModel, StringConstraints, ValidationError

from kitlib.explorer.record import FOLDER, changed_records
from kitlib.intake.outputs import (
    DISTRIBUTION,
    LOCK_FILE,
    code_hash,
    json_bytes,
    sha256_of,
    write_bytes,
)
from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH
from kitlib.intake.tables import input_files
from kitlib.review.comparisons import CURVES_FILE
from kitlib.words.findings import KitError
from kitlib.words.terms import counted

MANIFEST, JOURNAL, SUMS = "manifest.json", ".made.jsonl", "SHA256SUMS"
OF_A_RUN = (MANIFEST, JOURNAL, SUMS, SEASON_PATH, EARLIER_PATHS)
TRIALS = "trials"
EARLIER = "earlier"  # how the manifest names what was read of earlier seasons


class Made(BaseModel, frozen=True):
    """An executed notebook with what it wrote."""

    fingerprint: str  # of all that its content depends on
    rests_on: dict[str, str]  # SHA-256 of the files, or parts of the season, behind it
    files: dict[str, str]  # SHA-256 of each of its files, by name in the output folder

    def is_whole(self, home: Path, expected: Iterable[str]) -> bool:
        """Whether the files are those expected and on disk as they were written."""
        unchanged = (_holds(home / name, sha) for name, sha in self.files.items())
        return set(self.files) == set(expected) and all(unchanged)

    def remove(self, home: Path) -> list[str]:
        """Remove the notebook's files; return the names of those that are gone.

        A file changed since it was written is left alone, as is any name that leads
        out of the folder: a manifest may have been edited.
        """
        gone = []
        for name, sha in self.files.items():
            path = PurePosixPath(name)
            at_home = path.parts[:-1] in ((), (TRIALS,)) and path.name != ".."
            if at_home and _holds(home / path, sha):
                (home / path).unlink()
                gone.append(name)
        return gone


def _holds(path: Path, sha: str) -> bool:
    """Whether a file is there and has this SHA-256."""
    return path.is_file() and sha256_of(path) == sha


@cache
def environment() -> dict:
    """Return what a result depends on besides its inputs: code and versions."""
    required = metadata.requires(DISTRIBUTION) or []
    needed = [text for text in required if "extra ==" not in text]
    names = [re.split(r"[^\w.-]", text)[0] for text in needed]
    return {
        "kit": {"version": metadata.version(DISTRIBUTION), "code": code_hash()},
        "packages": {name: metadata.version(name) for name in names},
        "python": platform.python_version(),
    }


@dataclass(kw_only=True)
class Record:
    """What runs wrote into an output folder: earlier ones and, as it goes on, this one.

    The manifest tells of the last run that came to its end, the journal of one that
    was broken off. Files are written in a scratch folder, then renamed to their place.
    """

    home: Path
    scratch: Path
    notebooks: dict[str, Made] = field(default_factory=dict)  # failed ones too
    names: set[str] = field(default_factory=set)  # all files that are a run's own
    inputs: dict[str, str] = field(default_factory=dict)  # SHA-256, of the last run

    def __post_init__(self) -> None:
        """Read what is on record; what is not readable in it counts as never made."""
        [manifest, journal, sums] = (
            path.read_text("utf-8", errors="replace") if path.is_file() else ""
            for path in (self.home / name for name in (MANIFEST, JOURNAL, SUMS))
        )
        for line in [manifest, *journal.splitlines()]:
            try:
                told = json.loads(line)
                for name, made in told.get("notebooks", {}).items():
                    self.notebooks[name] = Made.model_validate(made)
                self.names |= {str(name) for name in told.get("outputs", ())}
                self.inputs = dict(told.get("inputs", self.inputs))
            except (ValueError, TypeError, AttributeError, RecursionError):
                continue  # cut off by a broken run, or edited: that is made anew
        # If both are lost, the list for `sha256sum -c` still says what is a run's own.
        self.names |= {line[66:] for line in sums.splitlines()}
        self.names |= {file for made in self.notebooks.values() for file in made.files}
        if self.names:  # else a manifest that lies here is not of this kit
            self.names |= set(OF_A_RUN)

    def begin(self, will_write: Iterable[str], inputs: Mapping) -> None:
        """Say what is about to be written; the manifest is no longer true."""
        names = sorted(self.names | set(will_write))
        told = {"inputs": dict(inputs), "outputs": names}
        lines = [json.dumps(told).encode() + b"\n"]
        lines += [_line(name, made) for name, made in self.notebooks.items()]
        write_bytes(self.home / JOURNAL, b"".join(lines), self.scratch)
        (self.home / MANIFEST).unlink(missing_ok=True)

    def note(self, name: str, made: Made) -> None:
        """Add a notebook that was made."""
        self.notebooks[name] = made
        with (self.home / JOURNAL).open("ab") as journal:
            journal.write(_line(name, made))

    def put(self, name: str, content: bytes) -> str:
        """Write a file unless it holds the content; return the SHA-256 of it."""
        digest = hashlib.sha256(content).hexdigest()
        if not _holds(self.home / name, digest):
            write_bytes(self.home / name, content, self.scratch)
        return digest

    def end(self, content: Mapping) -> str:
        """Write the manifest and SHA256SUMS; return the manifest's own SHA-256."""
        records = {name: made.model_dump() for name, made in self.notebooks.items()}
        digest = self.put(MANIFEST, json_bytes({**content, "notebooks": records}))
        self.put(SUMS, _sums(content["outputs"], digest))
        (self.home / JOURNAL).unlink(missing_ok=True)
        return digest


def _line(name: str, made: Made) -> bytes:
    """Return what the journal says of a notebook."""
    return json.dumps({"notebooks": {name: made.model_dump()}}).encode() + b"\n"


def _sums(outputs: Mapping[str, str], manifest: str) -> bytes:
    """Return the content of the list that `sha256sum -c` reads."""
    sums = {**outputs, MANIFEST: manifest}
    return "".join(f"{sums[name]}  {name}\n" for name in sorted(sums)).encode()


# ---- held against what is there

_Hashes = dict[str, Annotated[str, StringConstraints(min_length=64, max_length=64)]]
# What lies in an output folder besides the results.
_APART = (MANIFEST, SUMS, LOCK_FILE, SEASON_PATH, EARLIER_PATHS)


class ManifestRefused(KitError):
    """There is no manifest to verify by, or it cannot be read."""


class Manifest(BaseModel):
    """What a manifest must hold for a run to be verified by it."""

    inputs: _Hashes
    outputs: _Hashes
    kit: dict
    packages: dict
    notebooks: dict[str, Made]
    outdated: list[str] = []
    python: str = "?"


@dataclass(frozen=True)
class Verification:
    """What became of the files that a manifest tells of."""

    manifest: str  # its own SHA-256, to be held against one kept elsewhere
    checked: int  # files that were compared
    problems: tuple[str, ...]  # one line for each file that is not as told
    remarks: tuple[str, ...]  # what was not checked, or differs without being wrong


def verify_run(
    home: str | Path,
    season: str | Path | None = None,
    earlier: Sequence[str | Path] = (),
) -> Verification:
    """Return whether a run's files are still as its manifest tells.

    Who edits a file and the manifest alike is not found out, unless the manifest's
    own hash was kept elsewhere. Inputs are checked where their folders are given, for
    no manifest tells where a folder lay.
    """
    home, folder = Path(home), Path(season) if season else None
    told, digest = _read_manifest(home), sha256_of(home / MANIFEST)
    older = [told.notebooks[name].files for name in told.outdated]
    outputs = ChainMap(told.outputs, *older)
    problems = _compared(outputs, _files_of(home), "output")
    if not _holds(home / SUMS, hashlib.sha256(_sums(told.outputs, digest)).hexdigest()):
        what = "changed" if (home / SUMS).is_file() else "missing"
        problems.append(f"output {what}: {SUMS}")
    problems += changed_records(home)
    checked, remarks = len(outputs), _environment_remarks(told)
    past = {n: s for n, s in told.inputs.items() if n.startswith(f"{EARLIER}/")}
    own = {name: sha for name, sha in told.inputs.items() if name not in past}
    there = _season_hashes(folder, own) if folder else None
    found = earlier_hashes(earlier) if earlier else None
    for option, hashes, now in (("season", own, there), ("earlier", past, found)):
        if now is not None:
            problems += _compared(hashes, now, "input")
            checked += len(hashes)
        elif hashes:
            said = f"{counted(len(hashes), 'input')} not checked: "
            remarks.append(f"{said}--{option} was not given.")
    if told.outdated:
        said = f"{counted(len(told.outdated), 'notebook')} of an earlier state of the "
        remarks.append(f"{said}season were left by the run as they were.")
    return Verification(digest, checked, tuple(problems), tuple(remarks))


def _read_manifest(home: Path) -> Manifest:
    """Return the manifest of an output folder; refuse one that no run wrote."""
    path = home / MANIFEST
    if not path.is_file():
        why = "give the folder of one season, such as reports/<name of the season>"
        if (home / JOURNAL).is_file():
            why = "a run into it was broken off; run it again"
        raise ManifestRefused(f"{home}: there is no {MANIFEST} in it; {why}.")
    try:
        manifest = Manifest.model_validate_json(path.read_bytes())
        unknown = set(manifest.outdated) - manifest.notebooks.keys()
        wrong = ["outdated"] if unknown else []
    except ValidationError as error:
        [first, *_] = error.errors()
        if first["type"] == "json_invalid":
            said = f"not readable as JSON ({first['ctx']['error']}); it was edited or "
            said += "cut off. Run the season again, or restore the file."
            raise ManifestRefused(f"{path}: {said}") from error
        fields = {each["loc"][:1] for each in error.errors()}
        wrong = [n for n in Manifest.model_fields if (n,) in fields or () in fields]
    if wrong:
        raise ManifestRefused(
            f"{path}: {' and '.join(wrong)} not as a run writes them; expected names "
            "with a SHA-256 each. Run the season again, or restore the file."
        )
    return manifest


def _season_hashes(season: Path, told: Iterable[str]) -> dict[str, str]:
    """Return the SHA-256 of a season's files: those told of, and those now read."""
    if not season.is_dir():
        raise ManifestRefused(f"--season {season}: there is no such folder.")
    names = set(told)
    with suppress(KitError):  # if it cannot be read any more, the rest is compared
        names |= {p.relative_to(season).as_posix() for p in input_files(season)}
    inside = [name for name in names if ".." not in PurePosixPath(name).parts]
    return {n: sha256_of(season / n) for n in inside if (season / n).is_file()}


def earlier_hashes(folders: Iterable[str | Path]) -> dict[str, str]:
    """Return the SHA-256 of what is read of earlier seasons, where it is there."""
    paths = [Path(folder).resolve() / CURVES_FILE for folder in folders]
    # Of two folders of one name the first is read.
    there = [path for path in reversed(paths) if path.is_file()]
    return {f"{EARLIER}/{p.parent.name}/{p.name}": sha256_of(p) for p in there}


def _files_of(home: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of an output folder that a run may write."""
    found = {}
    for path in sorted(home.rglob("*")):
        name = path.relative_to(home)
        apart = name.as_posix() in _APART or name.parts[0] == FOLDER
        if not apart and (path.is_file() or path.is_symlink()):
            found[name.as_posix()] = sha256_of(path) if path.is_file() else ""
    return found


def _compared(told: Mapping, there: Mapping, what: str) -> list[str]:
    """Return one line for each file that is not as told."""
    changed = [n for n in told.keys() & there.keys() if told[n] != there[n]]
    sorts = {"missing": told.keys() - there.keys(), "changed": changed}
    sorts["extra"] = there.keys() - told.keys()
    return [f"{what} {how}: {n}" for how, names in sorts.items() for n in sorted(names)]


def _environment_remarks(told: Manifest) -> list[str]:
    """Return in what the kit and its packages differ from those of the run."""
    now = environment()
    then = {**told.packages, "python": told.python}
    ours = {**now["packages"], "python": now["python"]}
    moved = ["the kit's own code is another"] if told.kit != now["kit"] else []
    moved += [
        f"{name} was {then.get(name, 'not there')}, is {ours.get(name, 'not there')}"
        for name in sorted(then | ours)
        if then.get(name) != ours.get(name)
    ]
    said = f"a run today would differ in its environment: {'; '.join(moved)}."
    return [said] if moved else []
