"""The record of a run: what went in, what came out, and by which code."""

import hashlib
import json
import platform
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from importlib import metadata
from pathlib import Path, PurePosixPath

from kitlib.intake.outputs import (
    DISTRIBUTION,
    code_hash,
    json_bytes,
    sha256_of,
    write_bytes,
)

MANIFEST, JOURNAL = "manifest.json", ".made.jsonl"
TRIALS = "trials"


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
    needed = [
        text for text in metadata.requires(DISTRIBUTION) if "extra ==" not in text
    ]
    names = [re.match(r"[\w.-]+", text).group() for text in needed]
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
        _is_unchanged(home / name, written) for name, written in made.files.items()
    )


def _is_unchanged(path: Path, written: str) -> bool:
    """Whether a file is there as it was written."""
    return path.is_file() and sha256_of(path) == written


def read_made(home: Path) -> dict[str, Made]:
    """Return the notebooks that earlier runs made, by name.

    The manifest tells of the last run that came to its end; the journal of one
    that was broken off. What is not readable in them counts as never made.
    """
    records = {}
    for line in [_text(home / MANIFEST), *_text(home / JOURNAL).splitlines()]:
        try:
            notebooks = json.loads(line)["notebooks"]
            records |= {name: _made(record) for name, record in notebooks.items()}
        except (ValueError, TypeError, KeyError, AttributeError):
            continue  # cut off by a broken run, or edited: the notebook is made anew
    return records


def _made(record: Mapping) -> Made:
    """Return the record of one notebook."""
    files, rests_on = (
        {str(name): str(sha) for name, sha in record[part].items()}
        for part in ("files", "rests_on")
    )
    return Made(fingerprint=str(record["fingerprint"]), rests_on=rests_on, files=files)


def _text(path: Path) -> str:
    """Return the text of a file, none where there is none."""
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return ""


def start_journal(home: Path, records: Mapping[str, Made]) -> None:
    """Begin a run: its records go into a journal, the manifest is no longer true."""
    write_bytes(home / JOURNAL, b"".join(_line(n, made) for n, made in records.items()))
    (home / MANIFEST).unlink(missing_ok=True)


def note_made(home: Path, name: str, made: Made) -> None:
    """Add a notebook to the journal."""
    with (home / JOURNAL).open("ab") as journal:
        journal.write(_line(name, made))


def _line(name: str, made: Made) -> bytes:
    """Return one line of the journal."""
    return json.dumps({"notebooks": {name: asdict(made)}}).encode() + b"\n"


def write_manifest(home: Path, content: Mapping, records: Mapping[str, Made]) -> None:
    """End a run: write the manifest, if it tells anything new, and drop the journal."""
    notebooks = {name: asdict(made) for name, made in records.items()}
    replace_if_other(home / MANIFEST, json_bytes({**content, "notebooks": notebooks}))
    (home / JOURNAL).unlink(missing_ok=True)


def replace_if_other(path: Path, content: bytes) -> str:
    """Write a file unless it holds the content; return the SHA-256 of it."""
    digest = hashlib.sha256(content).hexdigest()
    if not _is_unchanged(path, digest):
        write_bytes(path, content)
    return digest


def remove_made(home: Path, made: Made) -> list[str]:
    """Remove a notebook's files; return the names of those that are gone.

    A file changed since it was written is left alone, as is any name that leads out
    of the folder: a manifest may have been edited.
    """
    gone = []
    for name, written in made.files.items():
        path = PurePosixPath(name)
        at_home = path.parts[:-1] in ((), (TRIALS,)) and path.name != ".."
        if at_home and _is_unchanged(home / path, written):
            (home / path).unlink()
            gone.append(name)
    return gone
