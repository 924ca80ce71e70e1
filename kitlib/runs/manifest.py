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

from kitlib.intake.files import (
    DISTRIBUTION,
    code_hash,
    json_bytes,
    sha256_of,
    write_bytes,
)
from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH

MANIFEST, JOURNAL, SUMS = "manifest.json", ".made.jsonl", "SHA256SUMS"
OF_A_RUN = (MANIFEST, JOURNAL, SUMS, SEASON_PATH, EARLIER_PATHS)
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
