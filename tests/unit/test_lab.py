"""The notebook that JupyterLab is started on; the server itself: tests/browser."""

import ast
import json
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell

from kitlib.runs.lab import (
    EXPLORE,
    HERE,
    OwnKernelSpecs,
    explorer_notebook,
    server_options,
)
from kitlib.runs.workers import notebook_folder
from kitlib.words.findings import SeasonRefused


def parameters_in(notebook):
    [cell] = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", [])]
    lines = ast.parse(cell.source).body
    return {line.target.id: ast.literal_eval(line.value) for line in lines}


def committed():
    return nbformat.read(notebook_folder() / f"{EXPLORE}.ipynb", as_version=4)


def test_the_copy_is_the_kits_notebook_set_to_the_season(season, tmp_path):
    path = explorer_notebook(season.folder, tmp_path / "out")
    found, own = nbformat.read(path, as_version=4), committed()
    assert path == tmp_path / "out" / "Small season" / "explore" / "4_explore.ipynb"
    assert parameters_in(found) == {
        "season": str(season.folder.resolve()),
        "out": str((tmp_path / "out").resolve()),
    }
    assert parameters_in(found).keys() == parameters_in(own).keys()
    for copied, source in zip(found.cells, own.cells, strict=True):
        if "parameters" not in source.metadata.get("tags", []):
            assert copied.source == source.source
        assert not copied.get("outputs")


@pytest.mark.parametrize("name", ['it\'s "here"', "back\\slash", "Übung Größe", "a\tb"])
def test_any_name_of_a_folder_becomes_a_literal(season, tmp_path, name):
    path = explorer_notebook(season.folder, tmp_path / name)
    found = parameters_in(nbformat.read(path, as_version=4))
    assert found["out"] == str(tmp_path / name)


def test_the_copy_lies_where_the_seasons_results_go(season, tmp_path):
    season.replace("season.toml", "Small season", "Hafer & Mähdrescher (Nord)")
    path = explorer_notebook(season.folder, tmp_path)
    assert path.parts[-3:-1] == ("Hafer & Mähdrescher (Nord)", "explore")


def test_the_same_copy_is_used_again_and_a_changed_one_left_alone(season, tmp_path):
    first = explorer_notebook(season.folder, tmp_path)
    run = nbformat.read(first, as_version=4)
    run.cells[-2].outputs = [nbformat.v4.new_output("stream", text="shown")]
    nbformat.write(run, first)
    assert explorer_notebook(season.folder, tmp_path) == first
    run.cells.append(new_code_cell("my_own_idea = 1"))
    nbformat.write(run, first)
    second = explorer_notebook(season.folder, tmp_path)
    assert second.name == "4_explore-2.ipynb"
    assert "my_own_idea" in first.read_text(encoding="utf-8")
    assert explorer_notebook(season.folder, tmp_path) == second


def test_code_is_folded_in_the_copy_alone(season, tmp_path):
    copy = nbformat.read(explorer_notebook(season.folder, tmp_path), as_version=4)
    for cell, own in zip(copy.cells, committed().cells, strict=True):
        folded = cell.metadata.get("jupyter", {}).get("source_hidden", False)
        assert folded == (cell.cell_type == "code")
        assert "jupyter" not in own.metadata


def test_the_layout_is_the_servers_own_and_gone_afterwards(tmp_path):
    with server_options(tmp_path / "n.ipynb", "secret") as options:
        told = dict(option.split("=", 1) for option in options)
        [saved] = Path(told["--LabApp.workspaces_dir"]).iterdir()
        data = json.loads(saved.read_text())["data"]
        assert data["notebook:n.ipynb"]["data"]["path"] == "n.ipynb"
        assert data["layout-restorer:data"]["left"]["collapsed"]
        quiet = Path(told["--LabApp.app_settings_dir"]) / "overrides.json"
        assert "apputils-extension:notification" in quiet.read_text()
    assert not saved.exists()


def test_a_broken_file_in_its_place_is_left_alone(season, tmp_path):
    first = explorer_notebook(season.folder, tmp_path)
    for broken in ("not JSON", "{}"):
        first.write_text(broken)
        assert explorer_notebook(season.folder, tmp_path).name == "4_explore-2.ipynb"
        assert first.read_text() == broken


def test_a_season_that_cannot_be_read_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(SeasonRefused, match="not found"):
        explorer_notebook(tmp_path / "nowhere", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_server_is_asked_to_serve_this_machine_only(tmp_path):
    with server_options(tmp_path / "n.ipynb", "secret") as options:
        assert HERE == "127.0.0.1" and f"--ServerApp.ip={HERE}" in options
        assert "--ServerApp.allow_remote_access=False" in options
        assert "--IdentityProvider.token=secret" in options
        assert f"--ServerApp.root_dir={tmp_path}" in options


def test_the_explorers_kernel_takes_no_module_from_its_folder(tmp_path):
    wanted = "--ServerApp.kernel_spec_manager_class=kitlib.runs.lab.OwnKernelSpecs"
    with server_options(tmp_path / "n.ipynb", "secret") as options:
        assert wanted in options
    argv = OwnKernelSpecs().get_kernel_spec("python3").argv
    assert "--InteractiveShellApp.ignore_cwd=True" in argv


def test_nothing_is_written_through_a_link(season, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "Small season").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SeasonRefused, match="it is a link"):
        explorer_notebook(season.folder, tmp_path / "out")
    assert list((tmp_path / "elsewhere").iterdir()) == []
