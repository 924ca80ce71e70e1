"""Every notebook reads as a story, holds its outputs, and tells of no machine."""

import ast
import builtins
import json
import re
import sys
import tempfile
from pathlib import Path

import nbformat
import pytest

from kitlib.runs.kernels import KERNEL, cleaned
from kitlib.runs.workers import notebook_folder

PATHS = sorted(notebook_folder().glob("*.ipynb"))
MOST_LINES = 12
# A cell that wants one of these wants a function in the package.
NOT_IN_A_CELL = (
    ast.FunctionDef,
    ast.AsyncFunctionDef,
    ast.ClassDef,
    ast.Lambda,
    ast.For,
    ast.While,
    ast.comprehension,
    ast.With,
    ast.Try,
)

pytestmark = pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)


def cells_of(path, kind=None):
    cells = nbformat.read(path, as_version=4).cells
    return [cell for cell in cells if kind in (None, cell.cell_type)]


def tags_of(cell):
    return cell.metadata.get("tags", [])


def trees_of(path):
    return [ast.parse(cell.source) for cell in cells_of(path, "code")]


def names_in(trees, kind):
    return {
        node.id
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Name) and isinstance(node.ctx, kind)
    }


def test_begins_with_a_question_and_two_sentences(path):
    title, _, *sentences = cells_of(path)[0].source.splitlines()
    assert title.startswith("# ") and title.endswith("?")
    assert len(sentences) == 2 and all(line.endswith(".") for line in sentences)


def test_parameters_are_annotated_literals_explained_one_a_line(path):
    second = cells_of(path)[1]
    assert tags_of(second) == ["parameters"]
    assert sum("parameters" in tags_of(cell) for cell in cells_of(path)) == 1
    for line in second.source.splitlines():
        statement = ast.parse(line).body[0]
        assert isinstance(statement, ast.AnnAssign), line
        assert type(ast.literal_eval(statement.value)).__name__ == ast.unparse(
            statement.annotation
        )
        assert "  # " in line


def test_parameters_are_complete_and_used(path):
    parameters, *rest = trees_of(path)
    named = names_in([parameters], ast.Store)
    imported = {
        alias.asname or alias.name
        for tree in rest
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    read = names_in(rest, ast.Load)
    known = named | imported | names_in(rest, ast.Store) | set(dir(builtins))
    assert read <= known
    assert named | imported <= read


def test_imports_stand_in_the_third_cell_only(path):
    importing = [
        k
        for k, cell in enumerate(cells_of(path))
        if cell.cell_type == "code"
        and any(
            isinstance(node, ast.Import | ast.ImportFrom)
            for node in ast.walk(ast.parse(cell.source))
        )
    ]
    assert importing == [2]


def test_cells_are_short_and_hold_no_logic(path):
    for k, cell in enumerate(cells_of(path, "code")):
        # The parameters and the imports are lists, not steps.
        assert k < 2 or len(cell.source.splitlines()) <= MOST_LINES
        assert not re.search(r"^\s*[%!]", cell.source, flags=re.MULTILINE)
        for node in ast.walk(ast.parse(cell.source)):
            assert not isinstance(node, NOT_IN_A_CELL), ast.unparse(node)


def test_every_cell_answers_a_question(path):
    cells = cells_of(path)
    for asks, answers in zip(cells[3:-1:2], cells[4:-1:2], strict=True):
        assert (asks.cell_type, answers.cell_type) == ("markdown", "code")
        assert asks.source.splitlines()[0].endswith("?")


def test_ends_by_saying_what_comes_next(path):
    last = cells_of(path)[-1]
    said = "This is the last" if path == PATHS[-1] else "Next: "
    assert last.cell_type == "markdown" and last.source.startswith(said)
    for linked in re.findall(r"\((\w+\.ipynb)\)", last.source):
        assert (path.parent / linked).exists()


def test_words_stand_one_sentence_a_line_without_results(path):
    for cell in cells_of(path, "markdown"):
        for line in cell.source.splitlines():
            assert not re.search(r"[.?!] [A-Z]", line), line
            assert not re.search(r"\d\.\d", line), f"a result typed by hand: {line}"


def test_outputs_are_all_there_and_in_order(path):
    cells = cells_of(path, "code")
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    for cell in cells[2:]:
        assert cell.outputs, f"run it anew: {cell.source}"
    kinds = {output.output_type for cell in cells for output in cell.outputs}
    assert kinds <= {"display_data", "execute_result"}  # no error, nothing on stderr


def test_nothing_tells_of_a_machine(path):
    words = [cell.source for cell in cells_of(path)]
    for cell in cells_of(path, "code"):
        for output in cell.outputs:
            words += [v for k, v in output.data.items() if k != "image/png"]
            words.append(json.dumps(output.metadata))
    # The letters of a picture may spell anything.
    text = re.sub(r"base64,[^\"]+", "", "\n".join(words))
    here = Path(__file__).parents[2]
    for place in (here, Path.home(), Path(sys.prefix), Path(tempfile.gettempdir())):
        assert f"{place}/" not in text
    assert not re.search(r"\b[A-Z]:\\|0x[0-9a-f]{6}", text)


def test_the_file_is_clean(path):
    notebook = nbformat.read(path, as_version=4)
    assert notebook.metadata == {"kernelspec": KERNEL}
    assert cleaned(notebook) == path.read_bytes()
