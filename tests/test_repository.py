"""What holds for every file of the repository."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
# Spelled in parts, so that this file does not hold what it looks for.
FORBIDDEN = {
    "a path of one machine": "(?<![\\w.])/(" + "root|home|work" + ")/\\w",
    "a registry's address": "(pypi" + r"\.org|python" + r"hosted|deb" + r"ian\.org/)",
    "where the idea came from": "seed" + " document",
}
PICTURES = {".png", ".parquet", ".pdf"}


def tracked():
    listing = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False
    )
    if listing.returncode:
        pytest.skip("not a git checkout")
    names = listing.stdout.decode().split("\0")
    return [ROOT / name for name in names if name and (ROOT / name).exists()]


@pytest.mark.parametrize("what", FORBIDDEN)
def test_no_file_holds(what):
    pattern = re.compile(FORBIDDEN[what])
    found = [
        f"{path.relative_to(ROOT)}: {match.group(0)}"
        for path in tracked()
        if path.suffix not in PICTURES
        for match in [
            pattern.search(path.read_text(encoding="utf-8", errors="replace"))
        ]
        if match
    ]
    assert not found


def test_the_readme_opens_with_the_job_and_gives_the_two_commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8", errors="replace")
    first = text.split("\n\n")[1]
    assert "combine" in first.casefold() or "Plot combines" in first
    assert "moisture-audit run demo_data" in text
    assert ".venv/bin/pytest" in text
    assert "not for buying" in " ".join(text.split())
