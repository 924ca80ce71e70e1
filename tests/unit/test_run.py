"""The run of a season without its length: names, refusals, what is due."""

import json
import shutil
from dataclasses import replace
from pathlib import Path, PurePosixPath

import nbformat
import pytest
from conftest import SeasonFolder
from hypothesis import given
from hypothesis import strategies as st

from kitlib.intake.outputs import sha256_of
from kitlib.intake.tables import input_hashes
from kitlib.reports.season_sections import plots_table, season_tables
from kitlib.review.review import review_season
from kitlib.runs.kernels import (
    read_notebook,
    season_tasks,
    source_hash,
    trial_files,
    workshop,
)
from kitlib.runs.manifest import Made, Record
from kitlib.runs.run import (
    SAME_SEASON,
    SeasonRun,
    WrongCall,
    output_folder,
    refuse_other_season,
    refuse_others_files,
    share_alike,
    table_files,
)
from kitlib.runs.workers import JOIN
from kitlib.season.season import audit_season
from kitlib.simulation.season import simulate_season

# ---- names of files

HOSTILE = ["../../etc/passwd", "/etc/passwd", "..", ".", " ", "a\0b", "a\nb", "CON"]
HOSTILE += ["T1", "t1", "T1.failed", "T1.FAILED", "T1%2Efailed", "\u202e", "a" * 500]
HOSTILE += ["-rf", "~", "C:\\x", "T1.ipynb", "<script>", "玉米", "$(id)", "`id`"]


def assert_apart_and_inside(trials):
    stems = trial_files(trials)
    files = [f"{s}{e}" for s in stems.values() for e in (".ipynb", ".pdf")]
    files += [f"{stem}.failed.ipynb" for stem in stems.values()]
    assert len({file.casefold() for file in files}) == 3 * len(trials)
    for file in files:
        assert PurePosixPath(file).parts[:-1] == ("trials",)
        assert not PurePosixPath(file).name.startswith(".")
        assert file.isascii() and len(file.encode()) < 200
        assert not set(file) & set('\\:*?"<>|\n\0')


def test_no_trial_leads_out_of_the_folder_or_onto_another():
    assert_apart_and_inside(HOSTILE)


NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1)


@given(st.lists(NAMES, unique=True))
def test_any_names_are_apart_and_inside(trials):
    assert_apart_and_inside(trials)


def test_results_do_not_go_where_a_season_lies(season, tmp_path):
    name = season.folder.name
    with pytest.raises(WrongCall, match="where the season itself lies"):
        output_folder(season.folder, season.folder.parent, name)
    other = tmp_path / "out" / "other"
    other.mkdir(parents=True)
    shutil.copy(season.folder / "season.toml", other)
    with pytest.raises(WrongCall, match="so it is a season folder"):
        output_folder(season.folder, tmp_path / "out", "other")
    link = tmp_path / "link"
    link.symlink_to(season.folder.parent)
    with pytest.raises(WrongCall, match="where the season itself lies"):
        output_folder(season.folder, link, name)
    assert output_folder(season.folder, tmp_path, "new") == tmp_path / "new"


# ---- tasks


@pytest.fixture(scope="module")
def audit(tmp_path_factory):
    """Return an audit of the small season, which keeps what was worked out of it."""
    return audit_season(SeasonFolder(tmp_path_factory.mktemp("season")).folder)


def test_every_trial_has_its_notebook_and_its_report(audit):
    tasks = season_tasks(audit)
    assert list(tasks)[:2] == ["season.ipynb", "join.ipynb"]
    one = tasks["trials/T2.ipynb"]
    # As seen from where the notebook lies, so that it runs again there.
    assert one.parameters == {
        "season": "../season.path",
        "trial": "T2",
        "report": "T2.pdf",
    }
    assert tasks["join.ipynb"].parameters == {"season": "season.path"}
    past = season_tasks(audit, with_earlier=True)["season.ipynb"]
    assert past.parameters["earlier"] == "earlier.path"
    assert one.files == ["trials/T2.ipynb", "trials/T2.pdf"]
    assert one.failed_name == "trials/T2.failed.ipynb"


def run_of(audit, rests_on, home=Path("nowhere"), notebooks=()):
    """Return a run that begins, with what is on record of notebooks."""
    record = Record(home=home, scratch=home.parent / "scratch")
    record.notebooks |= notebooks
    return SeasonRun(
        audit=audit,
        findings=season_tables(audit, review_season(audit))["findings"],
        record=record,
        rests_on=rests_on,
    )


def test_a_fingerprint_tells_inputs_parameters_and_notebooks_apart(audit, season):
    inputs = input_hashes(season.folder)
    tasks = season_tasks(audit)
    run = run_of(audit, {name: inputs for name in tasks})
    prints = {run.fingerprint(task) for task in tasks.values()}
    assert len(prints) == len(tasks)
    task = tasks["join.ipynb"]
    again = run_of(audit, {task.name: dict(inputs)})
    assert again.fingerprint(replace(task)) == run.fingerprint(task)
    other = run_of(audit, {task.name: {**inputs, "oven.csv": "other"}})
    assert other.fingerprint(task) not in prints


def test_outputs_alone_do_not_change_what_a_notebook_does():
    notebook = nbformat.from_dict(json.loads(json.dumps(read_notebook(JOIN))))
    before = source_hash(notebook)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs = []
    assert source_hash(notebook) == before
    notebook.cells[-2].source += "  # more"
    assert source_hash(notebook) != before


# ---- the account of a run


def made_of(home, *names, fingerprint="f"):
    return Made(
        fingerprint=fingerprint,
        rests_on={"plots": "p"},
        files={n: sha256_of(home / n) for n in names},
    )


@pytest.fixture
def home(tmp_path):
    folder = tmp_path / "home"
    (folder / "trials").mkdir(parents=True)
    for name in ("season.pdf", "trials/T1.ipynb", "trials/T1.pdf"):
        (folder / name).write_text(name)
    return folder


@pytest.fixture
def account(home, audit):
    """Return a run that begins in a folder with T1 and a trial that is gone."""
    (home / "trials/T9.ipynb").write_text("gone")
    records = {
        "trials/T1.ipynb": made_of(home, "trials/T1.ipynb", "trials/T1.pdf"),
        "trials/T9.ipynb": made_of(home, "trials/T9.ipynb"),
    }
    tasks = season_tasks(audit)
    run = run_of(audit, {name: {"plots": "p"} for name in tasks}, home, records)
    task, made = tasks["trials/T1.ipynb"], records["trials/T1.ipynb"]
    now = made.model_copy(update={"fingerprint": run.fingerprint(task)})
    run.record.notebooks[task.name] = now
    return run, tasks


def test_what_is_right_is_left_and_what_is_gone_is_removed(account, home):
    run, tasks = account
    (home / "trials/mine.ipynb").write_text("a reader's own")
    due = [task.name for task in run.plan(tasks, set(tasks))]
    season = ["season.ipynb", "join.ipynb", "plan.ipynb"]
    assert due == [*season, "trials/T2.ipynb", "trials/T3.ipynb"]
    assert run.up_to_date == ["trials/T1.ipynb"]
    assert run.removed == ["trials/T9.ipynb"]
    assert not (home / "trials/T9.ipynb").exists()
    assert (home / "trials/mine.ipynb").exists()


def test_another_state_of_the_season_is_made_anew_or_told(account, home):
    run, tasks = account
    run.rests_on["trials/T1.ipynb"] = {"plots": "another"}
    wanted = set(tasks) - {"trials/T1.ipynb"}
    assert "trials/T1.ipynb" not in [t.name for t in run.plan(tasks, wanted)]
    assert run.outdated == ["trials/T1.ipynb"]
    told = run.told()
    assert told["outdated"] == ["trials/T1.ipynb"]
    assert "trials/T1.pdf" not in told["outputs"]
    assert (home / "trials/T1.pdf").exists()


def test_a_failed_notebook_that_its_reader_deleted_is_forgotten(account, home):
    run, tasks = account
    name = "trials/T2.failed.ipynb"
    (home / name).write_text("half")
    run.record.notebooks[name] = made_of(home, name)
    run.plan(tasks, set())
    assert run.told()["failed"] == [name]
    (home / name).unlink()
    run.plan(tasks, set())
    assert run.told()["failed"] == []


def test_a_failed_notebook_is_kept_in_place_of_the_good_one(account, home, tmp_path):
    run, tasks = account
    run.plan(tasks, set(tasks))
    out = tmp_path / "scratch" / "out" / "trials"
    out.mkdir(parents=True)
    (out / "T1.failed.ipynb").write_text("half")
    run.finish(tasks["trials/T1.ipynb"], "ValueError: no")
    assert run.failed == {"trials/T1.failed.ipynb": "ValueError: no"}
    assert sorted(path.name for path in (home / "trials").iterdir()) == [
        "T1.failed.ipynb"
    ]
    assert run.told()["failed"] == ["trials/T1.failed.ipynb"]
    (out / "T1.ipynb").write_text("whole")
    (out / "T1.pdf").write_text("whole")
    run.finish(tasks["trials/T1.ipynb"], "")
    assert sorted(path.name for path in (home / "trials").iterdir()) == [
        "T1.ipynb",
        "T1.pdf",
    ]
    assert run.told()["failed"] == []


def test_tables_are_the_same_bytes_each_time(audit):
    tables = season_tables(audit, review_season(audit))
    first, second = table_files(audit, tables), table_files(audit, tables)
    assert {name: made() for name, made in first.items()} == {
        name: made() for name, made in second.items()
    }
    named = {"curves.csv", "pairs.csv", "findings.csv", "plots.parquet"}
    assert named | {"pairs.parquet", "columns.csv"} <= first.keys()


# ---- whose files are in the output folder


def test_leftovers_of_a_killed_run_are_cleared_and_no_others(home, season):
    left = home / ".moisture-audit-work-abc"
    with workshop(home, season.folder) as scratch:
        shutil.copytree(scratch, left)
    (home / ".work-mine").mkdir()
    (home / "trials" / ".part-mine").write_text("a reader's own")
    with workshop(home, season.folder):
        pass
    assert sorted(path.name for path in home.rglob("*")) == [
        ".part-mine",
        ".work-mine",
        "T1.ipynb",
        "T1.pdf",
        "season.pdf",
        "trials",
    ]


def test_files_that_no_run_wrote_are_not_overwritten(home):
    record = Record(home=home, scratch=home, names={"season.pdf"})
    refuse_others_files(record, ["season.pdf", "curves.csv"])
    (home / "manifest.json").write_text('{"name": "a web app"}')
    with pytest.raises(WrongCall, match=r"holds manifest.json, which no run"):
        refuse_others_files(Record(home=home, scratch=home), [])
    (home / "curves.csv").symlink_to("nowhere")
    with pytest.raises(WrongCall, match=r"holds curves.csv, which no run"):
        refuse_others_files(record, ["season.pdf", "curves.csv"])


@pytest.mark.parametrize("part", ["", "trials", ".in-use", ".made.jsonl"])
def test_results_do_not_go_through_a_link(season, tmp_path, part):
    (tmp_path / "elsewhere").mkdir()
    home = tmp_path / "out" / "new"
    place = home / part
    place.parent.mkdir(parents=True)
    place.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(WrongCall, match="a link, so results would be written"):
        output_folder(season.folder, tmp_path / "out", "new")


def test_another_season_of_the_same_name_is_told_from_a_corrected_one(
    season, home, audit
):
    def refused(**changes):
        record = Record(home=home, scratch=home, inputs={"plots.csv": "as it was"})
        before = plots_table(audit).assign(**changes)
        before.to_parquet(home / "plots.parquet")
        inputs = input_hashes(season.folder)
        try:
            refuse_other_season(record, audit, inputs)
        except WrongCall as error:
            return str(error)
        return ""

    plots = audit.plots
    assert refused() == ""
    assert refused(plot_mass_kg=plots["plot_mass_kg"].to_numpy() * 2.2) == ""
    assert refused(recorded_pct=plots["recorded_pct"].to_numpy() + 1) == ""
    other = {name: plots[name].to_numpy() + 1 for name in ("recorded_pct",)}
    other["plot_mass_kg"] = plots["plot_mass_kg"].to_numpy() + 1
    assert "results of another season of the same name" in refused(**other)
    assert "--replace" in refused(trial="of last year")
    (home / "plots.parquet").write_text("edited")
    refuse_other_season(Record(home=home, scratch=home), audit, {})


@pytest.mark.slow
def test_the_limit_lies_far_from_both_seasons_and_states_of_one(tmp_path):
    def plots_of(seed):
        simulate_season(tmp_path / str(seed), plots=480, seed=seed)
        return audit_season(tmp_path / str(seed)).plots

    one, other = plots_of(1), plots_of(2)
    assert set(one["trial"]) == set(other["trial"])
    coarse = {"recorded_pct": 1, "plot_mass_kg": 1}  # decimals, as plain scales give
    assert share_alike(one.round(coarse), other.round(coarse)) < SAME_SEASON / 3
    # The worst of corrections: all masses in another unit, some readings mended, a
    # tenth of the plots under other names, and half of the trials come in since.
    mended = one.assign(plot_mass_kg=one["plot_mass_kg"] * 2.2046)
    mended.loc[::20, "recorded_pct"] += 1
    mended.loc[::10, "plot"] += "-renamed"
    half = mended[mended["trial"].isin(sorted(set(mended["trial"]))[::2])]
    assert share_alike(half, one) > 1.7 * SAME_SEASON
