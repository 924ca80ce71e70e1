"""The record of a run: what went in, what came out, and by which code."""

import hashlib
import json
import platform
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cache
from importlib import metadata
from pathlib import Path, PurePosixPath

from kitlib.explorer.record import FOLDER, changed_records
from kitlib.intake.files import (
    DISTRIBUTION,
    LOCK_FILE,
    code_hash,
    json_bytes,
    sha256_of,
    write_bytes,
)
from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH
from kitlib.intake.tables import input_files
from kitlib.review.history import CURVES_FILE
from kitlib.words.findings import KitError
from kitlib.words.terms import counted

MANIFEST, JOURNAL, SUMS = "manifest.json", ".made.jsonl", "SHA256SUMS"
OF_A_RUN = (MANIFEST, JOURNAL, SUMS, SEASON_PATH, EARLIER_PATHS)
TRIALS = "trials"
EARLIER = "earlier"  # how the manifest names what was read of earlier seasons


@dataclass(frozen=True, kw_only=True)
class Made:
    """An executed notebook with what it wrote.

    Attributes
    ----------
    fingerprint : str
        Of all that its content depends on.
    rests_on : dict of str to str
        SHA-256 of the files, or of the parts of the season, that it was made from.
    files : dict of str to str
        SHA-256 of each of its files, by name in the output folder.
    """

    fingerprint: str
    rests_on: dict[str, str]
    files: dict[str, str]


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


def fingerprint(content: Mapping) -> str:
    """Return one hash of all that a result depends on.

    Examples
    --------
    >>> fingerprint({"a": 1, "b": 2}) == fingerprint({"b": 2, "a": 1})
    True
    """
    return hashlib.sha256(json_bytes(dict(content))).hexdigest()


def is_whole(made: Made, home: Path, expected: Iterable[str]) -> bool:
    """Whether the files are those expected and on disk as they were written."""
    return set(made.files) == set(expected) and all(
        is_unchanged(home / name, written) for name, written in made.files.items()
    )


def is_unchanged(path: Path, written: str) -> bool:
    """Whether a file is there as it was written."""
    return path.is_file() and sha256_of(path) == written


# ---- what earlier runs left


@dataclass(frozen=True, kw_only=True)
class OnRecord:
    """What a folder's manifest and journal say that runs wrote into it.

    The manifest tells of the last run that came to its end, the journal of one that
    was broken off. What is not readable in them counts as never made.

    Attributes
    ----------
    notebooks : dict of Made
        By the name of the executed notebook, failed ones among them.
    names : set of str
        All files that are a run's own, whether it came to write them or not.
    inputs : dict of str to str
        SHA-256 of the files the last of these runs read, by name.
    """

    notebooks: dict[str, Made]
    names: set[str]
    inputs: dict[str, str]


def read_record(home: Path) -> OnRecord:
    """Return what earlier runs left on record in an output folder."""
    notebooks: dict[str, Made] = {}
    names, inputs = set[str](), dict[str, str]()
    for line in [_text(home / MANIFEST), *_text(home / JOURNAL).splitlines()]:
        try:
            told = json.loads(line)
            notebooks |= {n: _made(r) for n, r in told.get("notebooks", {}).items()}
            names |= {str(name) for name in told.get("outputs", ())}
            inputs = dict(told.get("inputs", inputs))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            continue  # cut off by a broken run, or edited: the notebook is made anew
    # If both are lost, the list for `sha256sum -c` still says what is a run's own.
    names |= {line[66:] for line in _text(home / SUMS).splitlines()}
    names |= {file for made in notebooks.values() for file in made.files}
    if names:  # else a manifest that lies here is not of this kit
        names |= set(OF_A_RUN)
    return OnRecord(notebooks=notebooks, names=names, inputs=inputs)


def _made(record: Mapping) -> Made:
    """Return the record of one notebook."""
    files, rests_on = (
        {str(name): str(sha) for name, sha in record[part].items()}
        for part in ("files", "rests_on")
    )
    return Made(fingerprint=str(record["fingerprint"]), rests_on=rests_on, files=files)


def _text(path: Path) -> str:
    """Return the text of a file, none where there is none."""
    if not path.is_file():
        return ""
    return path.read_text(encoding="utf-8", errors="replace")


# ---- what this run leaves


class Journal:
    """What a run has written so far, for the next one if this one is broken off.

    Parameters
    ----------
    home : Path
        The output folder.
    scratch : Path
        Where files are written before they are renamed to their place.
    """

    def __init__(self, home: Path, scratch: Path):
        self.home, self.scratch = home, scratch

    def begin(self, kept: OnRecord, will_write: Iterable[str], inputs: Mapping) -> None:
        """Say what is about to be written; the manifest is no longer true."""
        names = sorted(kept.names | set(will_write))
        first = {"inputs": dict(inputs), "outputs": names}
        lines = [json.dumps(first).encode() + b"\n"]
        lines += [_line(name, made) for name, made in kept.notebooks.items()]
        write_bytes(self.home / JOURNAL, b"".join(lines), self.scratch)
        (self.home / MANIFEST).unlink(missing_ok=True)

    def note(self, name: str, made: Made) -> None:
        """Add a notebook that was made."""
        with (self.home / JOURNAL).open("ab") as journal:
            journal.write(_line(name, made))

    def put(self, name: str, content: bytes) -> str:
        """Write a file unless it holds the content; return the SHA-256 of it."""
        digest = hashlib.sha256(content).hexdigest()
        if not is_unchanged(self.home / name, digest):
            write_bytes(self.home / name, content, self.scratch)
        return digest

    def end(self, content: Mapping, notebooks: Mapping[str, Made]) -> str:
        """Write the manifest and SHA256SUMS; return the manifest's own SHA-256."""
        records = {name: asdict(made) for name, made in notebooks.items()}
        told = json_bytes({**content, "notebooks": records})
        digest = self.put(MANIFEST, told)
        sums = {**content["outputs"], MANIFEST: digest}
        lines = [f"{sums[name]}  {name}\n" for name in sorted(sums)]
        self.put(SUMS, "".join(lines).encode())
        (self.home / JOURNAL).unlink(missing_ok=True)
        return digest


def _line(name: str, made: Made) -> bytes:
    """Return one line of the journal."""
    return json.dumps({"notebooks": {name: asdict(made)}}).encode() + b"\n"


def remove_made(home: Path, made: Made) -> list[str]:
    """Remove a notebook's files; return the names of those that are gone.

    A file changed since it was written is left alone, as is any name that leads out
    of the folder: a manifest may have been edited.
    """
    gone = []
    for name, written in made.files.items():
        path = PurePosixPath(name)
        at_home = path.parts[:-1] in ((), (TRIALS,)) and path.name != ".."
        if at_home and is_unchanged(home / path, written):
            (home / path).unlink()
            gone.append(name)
    return gone


# ---- held against what is there

# What lies in an output folder besides the results.
_APART = (MANIFEST, SUMS, LOCK_FILE, SEASON_PATH, EARLIER_PATHS)


class ManifestRefused(KitError):
    """There is no manifest to verify by, or it cannot be read."""


@dataclass(frozen=True)
class Verification:
    """What became of the files that a manifest tells of.

    Attributes
    ----------
    manifest : str
        SHA-256 of the manifest itself, to be held against one kept elsewhere.
    checked : int
        Files that were compared.
    problems : tuple of str
        One line for each file that is not as told.
    remarks : tuple of str
        What was not checked, and what differs without being wrong.
    """

    manifest: str
    checked: int
    problems: tuple[str, ...]
    remarks: tuple[str, ...]


def verify_run(
    home: str | Path,
    season: str | Path | None = None,
    earlier: Sequence[str | Path] = (),
) -> Verification:
    """Return whether a run's files are still as its manifest tells.

    Who edits a file and the manifest alike is not found out, unless the manifest's
    own hash was kept elsewhere.

    Parameters
    ----------
    home : str or Path
        A season's output folder, the one that holds manifest.json.
    season : str or Path, optional
        The season folder; without it the inputs are not checked, for no manifest
        tells where a folder lay.
    earlier : sequence of str or Path
        Output folders of earlier seasons, if the run was given some.

    Returns
    -------
    Verification

    Raises
    ------
    ManifestRefused
        If there is no manifest, or it is not one of this kit.
    """
    home = Path(home)
    told = read_manifest(home)
    outputs = told["outputs"] | _outdated(told)
    problems = _compared(outputs, _files_of(home), "output")
    problems += _sums_apart(home, told["outputs"]) + changed_records(home)
    checked, remarks = len(outputs), _environment_remarks(told)
    past = {n: s for n, s in told["inputs"].items() if n.startswith(f"{EARLIER}/")}
    own = {name: sha for name, sha in told["inputs"].items() if name not in past}
    there = _season_hashes(Path(season), own) if season else None
    found = _earlier_hashes(earlier) if earlier else None
    for option, hashes, now in (("season", own, there), ("earlier", past, found)):
        if now is not None:
            problems += _compared(hashes, now, "input")
            checked += len(hashes)
        elif hashes:
            said = f"{counted(len(hashes), 'input')} not checked: "
            remarks.append(f"{said}--{option} was not given.")
    if told["outdated"]:
        remarks.append(
            f"{counted(len(told['outdated']), 'notebook')} of an earlier state of the "
            "season were left by the run as they were."
        )
    digest = sha256_of(home / MANIFEST)
    return Verification(digest, checked, tuple(problems), tuple(remarks))


def read_manifest(home: Path) -> dict:
    """Return the manifest of an output folder.

    Raises
    ------
    ManifestRefused
        If it is not there, not readable, or does not name inputs and outputs with
        their SHA-256.
    """
    path = home / MANIFEST
    if not path.is_file():
        why = "give the folder of one season, such as reports/<name of the season>"
        if (home / JOURNAL).is_file():
            why = "a run into it was broken off; run it again"
        raise ManifestRefused(f"{home}: there is no {MANIFEST} in it; {why}.")
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise ManifestRefused(
            f"{path}: not readable as JSON ({error}); it was edited or cut off. Run "
            "the season again, or restore the file."
        ) from error
    told = {"outdated": [], **told} if isinstance(told, dict) else {}
    wrong = [name for name in ("inputs", "outputs") if not _is_hashes(told.get(name))]
    maps = ("kit", "packages", "notebooks")
    wrong += [name for name in maps if not isinstance(told.get(name), dict)]
    if not wrong and not _tells_of_outdated(told):
        wrong = ["outdated"]
    if wrong:
        raise ManifestRefused(
            f"{path}: {' and '.join(wrong)} not as a run writes them; expected "
            "names with a SHA-256 each. Run the season again, or restore the "
            "file."
        )
    return told


def _is_hashes(content: object) -> bool:
    """Whether content is names with a SHA-256 each."""
    return isinstance(content, dict) and all(
        isinstance(sha, str) and len(sha) == 64 for sha in content.values()
    )


def _tells_of_outdated(told: Mapping) -> bool:
    """Whether every notebook left from an earlier state has its record."""
    names = told["outdated"]
    records = [told["notebooks"].get(n) for n in names] if _is_names(names) else [None]
    return all(isinstance(r, dict) and _is_hashes(r.get("files")) for r in records)


def _is_names(content: object) -> bool:
    """Whether content is a list of texts."""
    return isinstance(content, list) and all(isinstance(n, str) for n in content)


def _outdated(told: Mapping) -> dict[str, str]:
    """Return the files of notebooks that the run left as an earlier one made them."""
    records = [told["notebooks"][name] for name in told["outdated"]]
    return {f: sha for record in records for f, sha in record["files"].items()}


def _season_hashes(season: Path, told: Mapping[str, str]) -> dict[str, str]:
    """Return the SHA-256 of a season's files: those told of, and those now read."""
    if not season.is_dir():
        raise ManifestRefused(f"--season {season}: there is no such folder.")
    names = set(told)
    with suppress(KitError):  # if it cannot be read any more, the rest is compared
        names |= {p.relative_to(season).as_posix() for p in input_files(season)}
    inside = [name for name in names if ".." not in PurePosixPath(name).parts]
    return {n: sha256_of(season / n) for n in inside if (season / n).is_file()}


def _earlier_hashes(folders: Sequence[str | Path]) -> dict[str, str]:
    """Return the SHA-256 of what was read of earlier seasons, where it is there."""
    files = {
        f"{EARLIER}/{Path(folder).resolve().name}/{CURVES_FILE}": Path(folder)
        / CURVES_FILE
        for folder in folders
    }
    return {name: sha256_of(path) for name, path in files.items() if path.is_file()}


def _files_of(home: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of an output folder that a run may write."""
    found = {}
    for path in sorted(home.rglob("*")):
        name = path.relative_to(home).as_posix()
        apart = name in _APART or PurePosixPath(name).parts[0] == FOLDER
        if not apart and (path.is_file() or path.is_symlink()):
            found[name] = sha256_of(path) if path.is_file() else ""
    return found


def _compared(
    told: Mapping[str, str], there: Mapping[str, str], what: str
) -> list[str]:
    """Return one line for each file that is not as told."""
    lines = [f"{what} missing: {name}" for name in sorted(told.keys() - there.keys())]
    lines += [
        f"{what} changed: {name}"
        for name in sorted(told.keys() & there.keys())
        if told[name] != there[name]
    ]
    return lines + [f"{what} extra: {n}" for n in sorted(there.keys() - told.keys())]


def _sums_apart(home: Path, outputs: Mapping[str, str]) -> list[str]:
    """Return a line if SHA256SUMS is not what the manifest gives."""
    path = home / SUMS
    if not path.is_file():
        return [f"output missing: {SUMS}"]
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    sums = {**outputs, MANIFEST: sha256_of(home / MANIFEST)}
    same = lines == [f"{sums[name]}  {name}" for name in sorted(sums)]
    return [] if same else [f"output changed: {SUMS}"]


def _environment_remarks(told: Mapping) -> list[str]:
    """Return in what the kit and its packages differ from those of the run."""
    now = environment()
    then = {**told["packages"], "python": told.get("python", "?")}
    ours = {**now["packages"], "python": now["python"]}
    moved = [
        f"{name} was {then.get(name, 'not there')}, is {ours.get(name, 'not there')}"
        for name in sorted(then | ours)
        if then.get(name) != ours.get(name)
    ]
    if told["kit"] != now["kit"]:
        moved.insert(0, "the kit's own code is another")
    if not moved:
        return []
    return [f"a run today would differ in its environment: {'; '.join(moved)}."]
