"""Where the numbers come from: hashes of the inputs and versions of the code."""

import hashlib
import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path

from kitlib.intake.outputs import sha256_of
from kitlib.intake.schema import SCHEMAS
from kitlib.intake.season import SETTINGS_FILE
from kitlib.intake.tables import find_table

DISTRIBUTION = "harvest-moisture-audit"
# The packages whose version can move a number or a picture.
PACKAGES = (
    "matplotlib",
    "numpy",
    "pandas",
    "pandera",
    "papermill",
    "pyarrow",
    "scipy",
    "statsmodels",
    "typst",
)


def input_files(folder: Path) -> list[Path]:
    """Return the files of a season folder that the audit reads, by name."""
    found = [find_table(folder, name) for name in SCHEMAS]
    settings = Path(folder) / SETTINGS_FILE
    return sorted([settings, *(path for path in found if path)])


def input_hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file the audit reads, by its name."""
    return {path.name: sha256_of(path) for path in input_files(folder)}


@cache
def versions() -> dict[str, str]:
    """Return the versions of the kit, of Python and of the packages it rests on."""
    found = {name: version(name) for name in PACKAGES}
    own = {DISTRIBUTION: version(DISTRIBUTION), "python": platform.python_version()}
    return own | found


@cache
def code_hash() -> str:
    """Return one SHA-256 over the kit's own source files."""
    digest = hashlib.sha256()
    kit = Path(__file__).parents[1]
    sources = [p for p in kit.rglob("*") if p.suffix in (".py", ".typ")]
    for name, path in sorted((p.relative_to(kit).as_posix(), p) for p in sources):
        digest.update(name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
