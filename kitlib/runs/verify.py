"""A finished run held against its manifest: what is as it was, changed or gone."""

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from kitlib.explorer.record import FOLDER, changed_records
from kitlib.intake.files import LOCK_FILE, sha256_of
from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH
from kitlib.intake.tables import input_files
from kitlib.review.history import CURVES_FILE
from kitlib.runs.manifest import JOURNAL, MANIFEST, SUMS, environment
from kitlib.runs.run import EARLIER
from kitlib.words.findings import KitError
from kitlib.words.terms import counted

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
