"""The command line: what is answered, what is refused, and with which exit code."""

import io
import subprocess
import sys
import tomllib
from importlib.metadata import entry_points
from importlib.resources import files

import pytest

from kitlib.intake.outputs import sole_use
from kitlib.intake.schema import OUR_UNITS, REQUIRED_TABLES, SCHEMAS, needed_columns
from kitlib.intake.settings import Season, read_season
from kitlib.reports.season_sections import season_tables
from kitlib.review.review import review_season
from kitlib.runs import before_audit, cli, kernels
from kitlib.runs import run as runs
from kitlib.runs.manifest import Record
from kitlib.runs.run import SeasonRun
from kitlib.season.season import audit_season


@pytest.fixture
def run(capsys, monkeypatch):
    """Return the exit code of a call with what it said on both streams."""
    # No run here comes to a notebook, so none needs a kernel begun for it ahead.
    monkeypatch.setattr(kernels.Kernels, "start", lambda *_: None)

    def call(*arguments):
        try:
            code = cli.main([str(argument) for argument in arguments])
        except SystemExit as left:
            code = left.code
        said = capsys.readouterr()
        return code, said.out, said.err

    return call


@pytest.mark.skipif(sys.platform == "win32", reason="has no such limit")
def test_too_many_open_files_are_no_fault_of_the_season(season, run):
    from resource import RLIMIT_NOFILE, getrlimit, setrlimit

    assert run("check", season.folder)[0] == 0  # and all modules are imported
    before = getrlimit(RLIMIT_NOFILE)
    with open(season.folder / "season.toml") as taken:
        setrlimit(RLIMIT_NOFILE, (taken.fileno(), before[1]))
        try:
            code, _, said = run("check", season.folder)
        finally:
            setrlimit(RLIMIT_NOFILE, before)
    assert code == 1 and "too many files are open at once. Give fewer --jobs" in said
    assert "season.toml" not in said


def test_the_command_is_installed():
    (script,) = entry_points(group="console_scripts", name="moisture-audit")
    assert script.load() is cli.main


@pytest.mark.parametrize("command", ["run", "check", "init", "simulate"])
def test_help_teaches_each_command(run, command):
    code, out, _ = run(command, "--help")
    assert code == 0
    assert f"moisture-audit {command}" in out and "example:" in out
    assert "exit codes:" in out
    assert f"\n    {command}" in run("--help")[1]


def test_help_says_what_a_season_folder_is(run):
    _, out, _ = run("--help")
    for word in ("season.toml", *REQUIRED_TABLES):
        assert word in out


def test_asking_for_help_does_not_wait_for_libraries():
    script = (
        "import sys, kitlib.runs.cli; print({'pandas', 'papermill'} & set(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "set()"


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("audit",),
        ("run",),
        ("run", "season", "--jobs", "0"),
        ("run", "season", "--jobs", "two"),
        ("check",),
        ("init",),
        ("simulate", "new", "--seed", "-1"),
        ("simulate", "new", "--trials", "3", "--plots", "5"),
        ("simulate", "new", "--plots", "20"),
        ("simulate", "new", "--trials", "1" + "0" * 20),
        ("simulate", "new", "--seed", "9" * 5000),
    ],
)
def test_a_wrong_call_is_2_and_shows_the_usage(run, arguments):
    code, _, err = run(*arguments)
    assert code == 2
    assert err.startswith("usage: moisture-audit")


def test_a_trial_that_is_not_there_is_a_wrong_call(run, season, tmp_path):
    out = tmp_path / "out"
    code, _, err = run("run", season.folder, "--out", out, "--trial", "T9")
    assert code == 2
    assert "--trial T9: not in the season, which holds T1, T2 and T3." in err
    assert not out.exists()


def test_a_cluster_without_its_library_is_a_wrong_call(run, season, monkeypatch):
    monkeypatch.setattr("kitlib.runs.cli.find_spec", lambda name: None)
    code, _, err = run("run", season.folder, "--scheduler", "tcp://there:8786")
    assert code == 2 and "--scheduler: install distributed" in err


def test_results_never_go_where_the_season_lies(run, season):
    season.replace("season.toml", "Small season", season.folder.name)
    before = sorted(season.folder.iterdir())
    code, _, err = run("run", season.folder, "--out", season.folder.parent)
    assert code == 2 and "where the season itself lies" in err
    assert sorted(season.folder.iterdir()) == before


def test_check_of_a_clean_season_is_0(run, season):
    code, out, err = run("check", season.folder)
    assert code == 0 and err == ""
    assert "fault" not in out
    assert "no benchtop table" in out


def test_check_lists_every_finding_the_most_serious_first(run, season):
    season.replace("plots.csv", "14.2,5.0", "a lot,5.0")
    season.replace("oven.csv", "20,30,28.53", "20,30,31.53")
    code, out, _ = run("check", season.folder)
    assert code == 1
    lines = out.splitlines()
    assert lines[0].endswith(" faults")
    assert any("[not-a-number; row 2]" in line for line in lines)
    assert any("[dry-heavier-than-wet; row 4]" in line for line in lines)
    heads = [line.split()[1].rstrip("s") for line in lines if not line.startswith(" ")]
    assert heads == sorted(heads, key=["stop", "fault", "warning", "note"].index)


def test_a_season_that_is_refused_is_1_with_every_reason(run, season):
    season.replace("plots.csv", "curve,", "calibration,")
    season.replace("oven.csv", "method,", "how,")
    code, out, err = run("check", season.folder)
    assert code == 1 and out == ""
    assert "column curve is missing" in err and "column method is missing" in err
    assert "Traceback" not in err
    assert run("run", season.folder, "--out", season.folder / "out")[0] == 1


def test_a_folder_that_is_no_season_is_said_to_be_none(run, tmp_path):
    code, _, err = run("check", tmp_path / "nowhere")
    assert code == 1
    assert "season.toml" in err and "moisture-audit init" in err


def test_a_place_that_cannot_be_written_is_said_in_words(run, season, tmp_path):
    (tmp_path / "taken").write_text("a file")
    code, _, err = run("run", season.folder, "--out", tmp_path / "taken")
    assert code == 1
    assert "taken" in err and err.strip().endswith(".") and "Traceback" not in err


def test_another_run_in_the_same_folder_is_refused(run, season, tmp_path):
    home = tmp_path / "out" / "Small season"
    with sole_use(home):
        code, _, err = run("run", season.folder, "--out", tmp_path / "out")
    assert code == 1 and "another run is writing here" in err
    assert [path.name for path in home.iterdir()] == [".in-use"]


def pretend(monkeypatch, season, **more):
    """Let a run end as said, without running notebooks."""
    audit = audit_season(season.folder)
    run = SeasonRun(
        audit=audit,
        findings=season_tables(audit, review_season(audit))["findings"],
        record=Record(home=season.folder / "out", scratch=season.folder),
        tables={"curves.csv": "0"},
        rests_on={},
        manifest="0a1b",
        **more,
    )
    monkeypatch.setattr(runs, "run_season", lambda *_, **__: run)


@pytest.mark.slow
def test_a_clean_run_is_0_and_says_what_to_do(run, season, monkeypatch):
    pretend(monkeypatch, season, made=["season.ipynb"], up_to_date=["join.ipynb"])
    code, out, err = run("run", season.folder)
    assert code == 0 and err == ""
    assert "Small season: 3 trials, 10 plots, 1 curve audited" in out
    assert "\n  W: " in out
    assert "findings: 0 faults, " in out
    assert "1 table, manifest.json, 1 notebook made, 1 up to date" in out
    assert "SHA-256 of manifest.json, to be kept elsewhere: 0a1b" in out


@pytest.mark.slow
def test_a_run_over_faults_is_1_and_lists_them_all(run, season, monkeypatch):
    season.replace("plots.csv", "14.2,5.0", "a lot,5.0")
    pretend(monkeypatch, season)
    code, out, err = run("run", season.folder)
    assert code == 1 and "1 curve audited" in out
    assert "fault: plots: row 2: sensor_pct is 'a lot'" in err
    assert "all that could be made without those rows was made" in err


@pytest.mark.slow
def test_a_notebook_that_failed_is_named_in_one_line(run, season, monkeypatch):
    pretend(monkeypatch, season, failed={"trials/T1.failed.ipynb": "ValueError: no"})
    code, out, err = run("run", season.folder)
    assert code == 1 and "1 failed" in out
    assert err == "failed: trials/T1.failed.ipynb: ValueError: no\n"


@pytest.mark.slow
def test_an_interrupt_is_130(run, season, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(runs, "run_season", interrupted)
    code, _, err = run("run", season.folder)
    assert code == 130 and "the same call goes on" in err


def test_a_mistake_of_ours_shows_itself(run, tmp_path, monkeypatch):
    def mistaken(_):
        raise ZeroDivisionError("ours")

    monkeypatch.setattr(before_audit, "write_new_season", mistaken)
    with pytest.raises(ZeroDivisionError, match="ours"):
        run("init", tmp_path / "new")


def test_nothing_in_the_data_steers_the_terminal(run, season):
    season.replace("plots.csv", "T1,001,E1", "T1,\x1b[2J001,E1")
    _, out, err = run("check", season.folder)
    assert "\x1b" not in out + err


def test_a_progress_bar_needs_a_terminal(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for stream, shown in ((io.StringIO(), False), (Terminal(), True)):
        monkeypatch.setattr(sys, "stderr", stream)
        assert list(runs.progress([1, 2], total=2)) == [1, 2]
        assert ("2/2" in stream.getvalue()) == shown


def test_init_writes_every_table_with_its_headers(run, tmp_path):
    folder = tmp_path / "new"
    code, out, _ = run("init", folder)
    assert code == 0 and "season.toml" in out
    for table, schema in SCHEMAS.items():
        header, rest = (folder / f"{table}.csv").read_text().split("\n", 1)
        columns = header.split(",")
        assert sorted(columns) == sorted(schema) and rest == ""
        needed = needed_columns(table)
        assert tuple(columns[: len(needed)]) == needed
    readme = (folder / "README.md").read_text(encoding="utf-8")
    assert "`weighed_at` |  | When the wet dish was weighed, before drying" in readme


def test_a_new_season_passes_its_own_check(run, tmp_path):
    run("init", tmp_path / "new")
    code, out, err = run("check", tmp_path / "new")
    assert code == 0, err
    assert "there are no plots" in out


def test_init_overwrites_nothing(run, season):
    before = {path: path.read_bytes() for path in season.folder.iterdir()}
    code, _, err = run("init", season.folder)
    assert code == 1 and "not an empty folder" in err
    assert {path: path.read_bytes() for path in season.folder.iterdir()} == before


def in_force(text: str) -> dict:
    """Return the settings with every commented one in force."""
    lines = [
        line[1:] if line[:1] == "#" and line[1:2] != " " else line
        for line in text.splitlines()
    ]
    return tomllib.loads("\n".join(lines))


def test_the_new_settings_are_valid_and_name_every_setting(run, tmp_path):
    run("init", tmp_path / "new")
    assert read_season(tmp_path / "new").name == "my-season"
    told = in_force((tmp_path / "new" / "season.toml").read_text())
    assert told.keys() == Season.model_fields.keys()
    assert told["units"] == OUR_UNITS.model_dump()
    Season.model_validate(told)


def test_the_new_settings_show_the_defaults():
    told = in_force((files("kitlib.runs") / "season.toml").read_text())
    defaults = Season(name="any").model_dump()
    plain = {
        name: value
        for name, value in defaults.items()
        if isinstance(value, str | float | int) and name != "name"
    }
    assert len(plain) >= 7
    assert {name: told[name] for name in plain} == plain
    assert told["selection"] == defaults["selection"]


def test_simulate_says_that_the_season_is_invented(run, tmp_path):
    code, out, _ = run("simulate", tmp_path / "s", "--trials", 1, "--plots", 40)
    assert code == 0 and "invented" in out
    assert (tmp_path / "s" / "truth.csv").exists()
    assert run("check", tmp_path / "s")[0] == 0
