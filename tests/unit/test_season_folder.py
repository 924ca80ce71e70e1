"""A season named by a file beside a run's notebooks, and settings that are no file."""

import os

import pytest

from kitlib.intake.settings import read_season, season_folder
from kitlib.review.comparisons import earlier_folders
from kitlib.words.findings import SeasonRefused


def test_a_path_file_names_the_season_as_seen_from_it(season, tmp_path):
    (tmp_path / "out").mkdir()
    place = tmp_path / "out" / "season.path"
    seen = os.path.relpath(season.folder, place.parent)
    place.write_text(f"{seen}\n")
    assert season_folder(place) == season.folder.resolve()
    assert read_season(place).name == "Small season"
    place.write_text("../nowhere\n")
    with pytest.raises(SeasonRefused, match="names no folder that is there"):
        season_folder(place)
    with pytest.raises(SeasonRefused, match="papermill --cwd"):
        season_folder(tmp_path / "season.path")


def test_a_path_file_keeps_the_order_of_earlier_seasons(tmp_path):
    (tmp_path / "earlier.path").write_text("2024\n2023\n")
    found = earlier_folders(tmp_path / "earlier.path")
    assert found == [tmp_path / "2024", tmp_path / "2023"]


def test_settings_that_never_end_are_refused_first_thing(season):
    (season.folder / "season.toml").unlink()
    os.mkfifo(season.folder / "season.toml")
    with pytest.raises(SeasonRefused, match="it is no ordinary file"):
        read_season(season.folder)


@pytest.mark.parametrize(
    "line",
    ["seed = " + "9" * 5000, "x = " + "[" * 100_000, "a = 1 #" + "x" * 2_000_000],
    ids=["huge number", "deep nesting", "huge file"],
)
def test_settings_beyond_reason_are_refused_in_a_sentence(season, line):
    season.append("season.toml", line)
    with pytest.raises(
        SeasonRefused, match=r"not readable as TOML|nested too deeply|at most 1 MB"
    ):
        read_season(season.folder)
