"""Phrases that were taken out of the kit stay out of all that it prints.

They came along with a list that is not ours. They are kept as hashes of their words,
so that they do not stand here either.
"""

import hashlib
import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
# SHA-256, the first 16 digits, of a phrase's words: small letters, one space between.
GONE = frozenset(
    [
        "0341a81ec1fafb7a",
        "0c108cd682883682",
        "0fceae82f314d313",
        "1d090de3b18539ee",
        "2040fb38897dee12",
        "21fd4978990c3882",
        "240b4308bc25acef",
        "27a0dbc8bb479148",
        "31b6cc45c9868b45",
        "42c68ad01dba65eb",
        "49dae92f7416efb1",
        "4a64df947fb5106a",
        "57c754812caf9595",
        "61a29d81b5b2f7cf",
        "666857c6f91275e3",
        "66937c09146934f2",
        "68e90798d8714d20",
        "6ab56428a3a3466f",
        "74382070b924632a",
        "789997dc5353dd5d",
        "7d495fba54f8f009",
        "818b59dc111ed7fd",
        "869686c394089c3a",
        "8725d87d0d193849",
        "8b3ac1bd8b918458",
        "8f9bbcea71ef2024",
        "8faa9ea02d5ec360",
        "982c018cd553858b",
        "9c814836ff3d0b8f",
        "9e9c943882acba4d",
        "a6054910b4012064",
        "abf49b4622555edf",
        "b7b5f97585a99918",
        "bd1843119af969ce",
        "cf85ccdad52b70b0",
        "d6f4e848547f712f",
        "d7c771610cd80d7e",
        "eb40f14d36f8417e",
        "eb4befd591489893",
        "f6ce11dc4372b972",
        "ff3b45bee65db5a8",
    ]
)
LONGEST = 9  # words in a phrase


def words_of(text: str) -> list[str]:
    """Return the words of a text, a string parted over lines put together."""
    return re.findall(r"[^\W_]+", re.sub(r'\bf(?=")', "", text).casefold())


def gone_phrases(text: str) -> set[str]:
    """Return the phrases of a text that are not to stand in it."""
    words = words_of(text)
    grams = {
        " ".join(words[start : start + n])
        for n in range(1, LONGEST + 1)
        for start in range(len(words) - n + 1)
    }
    digests = {hashlib.sha256(g.encode()).hexdigest()[:16]: g for g in grams}
    return {digests[digest] for digest in GONE & set(digests)}


def printed(path: Path) -> str:
    """Return a file's text; of a notebook what its cells and outputs say."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".ipynb":
        return text
    cells = json.loads(text)["cells"]
    parts = ["".join(cell["source"]) for cell in cells]
    for output in (o for cell in cells for o in cell.get("outputs", [])):
        data = output.get("data", {})
        parts += ["".join(data[kind]) for kind in data if kind.startswith("text/")]
        parts.append("".join(output.get("text", "")))
    return "\n".join(re.sub(r"<[^>]+>", " ", part) for part in parts)


FILES = sorted(
    path
    for pattern in ("kitlib/**/*", "notebooks/*.ipynb", "demo_data/*", "*.md")
    for path in ROOT.glob(pattern)
    if path.suffix in (".py", ".typ", ".csv", ".toml", ".md", ".ipynb")
)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_printed_text_holds_a_phrase_that_went(path):
    assert not gone_phrases(printed(path))


def test_a_phrase_is_found_however_it_is_broken():
    # One more phrase than went, so that the search itself can be tried.
    text = 'said = "the Canary bird "\n    f"of this_test, {n}"'
    assert gone_phrases(text) == {"canary bird of this test"}
