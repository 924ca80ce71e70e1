"""Seven unlike layouts of one season are told apart, mapped, and read as the same."""

import tomllib
from pathlib import Path

import pandas as pd
import pytest
from unit.layouts import LAYOUTS, plots

from kitlib.intake.checks import read_tables
from kitlib.intake.drafts import draft_season
from kitlib.intake.settings import read_season
from kitlib.words.findings import SeasonRefused

HEADERS = pd.read_csv(Path(__file__).with_name("headers.csv"), dtype=str).fillna("")


@pytest.fixture(params=LAYOUTS, ids=lambda layout: layout.__name__)
def drafted(request, tmp_path):
    (tmp_path / "from").mkdir()
    truth = request.param(tmp_path / "from")
    draft = draft_season(tmp_path / "season", tmp_path / "from")
    return truth, draft, tmp_path / "season"


def mapped(folder):
    """Return what season.toml maps, by table and column."""
    told = tomllib.loads((folder / "season.toml").read_text())
    found = {table: dict(columns) for table, columns in told["columns"].items()}
    for table, options in told["files"].items():
        for one in options if isinstance(options, list) else [options]:
            found.setdefault(table, {}).update(one.get("columns", {}))
    return found


def test_nine_columns_in_ten_are_mapped_and_none_wrongly(drafted):
    truth, _, folder = drafted
    found = mapped(folder)
    wanted = {(t, c): h for t, columns in truth.items() for c, h in columns.items()}
    made = {(t, c): h for t, columns in found.items() for c, h in columns.items()}
    wrong = {place: h for place, h in made.items() if wanted.get(place) != h}
    assert wrong == {}
    assert len(made) >= 0.9 * len(wanted), wanted.keys() - made.keys()


@pytest.mark.parametrize("layout", sorted(HEADERS["layout"].unique()))
def test_headers_of_other_hands_are_mapped_and_none_wrongly(layout, tmp_path):
    # Nine invented sets of headers, run together, cut short and in three languages.
    own = HEADERS[HEADERS["layout"] == layout]
    for file, columns in own.groupby("file"):
        lines = [";".join(columns["header"])]
        lines += [";".join(columns["cell"]).replace("#", str(n)) for n in range(12)]
        (tmp_path / file).write_text("\n".join(lines), encoding="utf-8")
    draft = draft_season(tmp_path / "season", tmp_path)
    found = mapped(tmp_path / "season")
    made = {(t, h, c) for t, columns in found.items() for c, h in columns.items()}
    names = own[own["column"] != ""]
    wanted = set(
        names[["table", "header", "column"]].itertuples(index=False, name=None)
    )
    asked = " ".join(draft.questions)
    assert [m for m in made - wanted if repr(m[1]) not in asked] == []
    assert len(made & wanted) >= 0.9 * len(wanted), wanted - made


def test_the_draft_reads_the_season_it_was_drafted_from(drafted):
    _, _, folder = drafted
    tables = read_tables(folder, read_season(folder))
    read, wanted = tables["plots"].frame, plots()
    read = read.sort_values("plot")
    assert read["plot"].tolist() == wanted["plot"].tolist()
    assert read["trial"].tolist() == wanted["trial"].tolist()
    known = read["sensor_pct"].notna().to_numpy()
    assert known.sum() >= 23
    assert read["sensor_pct"][known].tolist() == pytest.approx(
        wanted["moisture"][known].tolist(), abs=0.011
    )
    assert read["plot_mass_kg"].tolist() == pytest.approx(
        wanted["mass"].tolist(), abs=0.005
    )
    assert read["plot_area_m2"].tolist() == pytest.approx([7.95] * 24, abs=0.005)
    times = read["harvested_at"].dt.floor("min")
    assert times.tolist() == wanted["time"].tolist()
    assert not [f for t in tables.values() for f in t.findings if f.severity == "fault"]


def test_the_files_are_copied_as_they_are(drafted):
    _, _, folder = drafted
    source = folder.parent / "from"
    for path in source.rglob("*.*"):
        copy = folder / "exports" / path.relative_to(source)
        assert copy.read_bytes() == path.read_bytes()


def test_what_has_no_unit_is_asked_for(tmp_path):
    (tmp_path / "from").mkdir()
    (tmp_path / "from" / "harvest.csv").write_text(
        "Trial,Plot,Variety,Moisture,Weight,Area,Harvest Date\n"
        "A,1,E1,14.2,5.0,10,03/04/2025\nA,2,E2,15.2,5.5,10,04/04/2025\n"
    )
    draft = draft_season(tmp_path / "season", tmp_path / "from")
    text = (tmp_path / "season" / "season.toml").read_text()
    for question in (
        "'Weight' names no unit",
        "'Area' names no unit",
        "dates such as '03/04/2025'",
        "crop: no header means it",
        "curve: no header means it",
        "no file looks like the table curves",
    ):
        assert any(question in asked for asked in draft.questions), question
        assert question in text
    assert "dates =" not in text.replace("#?", "")


def test_one_file_a_trial_is_asked_about_once(tmp_path):
    (tmp_path / "from").mkdir()
    for trial, day in (("A", "03/04/2025"), ("B", "03/14/2025")):
        (tmp_path / "from" / f"{trial}.csv").write_text(
            "Trial,Plot,Variety,Machine,Moisture,Wt (lb),Harvest Date\n"
            f"{trial},1,E1,C1,14.2,5.0,{day}\n{trial},2,E2,C1,15.2,5.5,{day}\n"
        )
    draft = draft_season(tmp_path / "season", tmp_path / "from")
    # The order of day and month, open in one file, is told by the other.
    assert not any("dates such as" in asked for asked in draft.questions)
    [asked] = [q for q in draft.questions if "plot_area_m2" in q]
    assert "A.csv and 1 more: plot_area_m2: no header means it" in asked
    [asked] = [q for q in draft.questions if " curve: " in q]
    assert 'write curve = "Machine" under [columns.plots]' in asked


def test_a_lab_that_names_samples_alone_is_not_asked_for_its_plots(tmp_path):
    (tmp_path / "from").mkdir()
    harvest = "Trial,Plot,Variety,Crop,Curve,Moisture,Wt (lb),Area (sq ft){}\n"
    row = "A,1,E1,wheat,W,14.2,5.0,100{}\n"
    lab = "Sample ID,Method,Moisture %\nL7,ISO 712-1,14.0\n"
    (tmp_path / "from" / "lab.csv").write_text(lab)
    asked = {}
    for head, cell in (("", ""), (",Sample ID", ",L7")):
        text = harvest.format(head) + row.format(cell)
        (tmp_path / "from" / "harvest.csv").write_text(text)
        draft = draft_season(tmp_path / f"season{head}", tmp_path / "from")
        assert draft.tables["oven"] == ["exports/lab.csv"]
        asked[head] = [q for q in draft.questions if q.startswith("exports/lab")]
    assert [q.split(": ")[1] for q in asked[""]] == ["trial", "plot"]
    assert asked[",Sample ID"] == []


def test_nothing_is_overwritten_and_an_empty_folder_is_refused(tmp_path):
    (tmp_path / "from").mkdir()
    with pytest.raises(SeasonRefused, match="no table in it"):
        draft_season(tmp_path / "season", tmp_path / "from")
    with pytest.raises(SeasonRefused, match="not an empty folder"):
        draft_season(tmp_path, tmp_path / "from")


def test_milligrams_in_a_header_are_set_and_grams_unsaid_are_not_asked(tmp_path):
    (tmp_path / "from").mkdir()
    for unit in (" (mg)", ""):
        head = f"Sample,Trial,Plot,Method,Tare{unit},Wet{unit},Dry{unit}"
        rows = "".join(f"\ns{n},T1,{n},ISO 712-1,20,30,28.6" for n in range(1, 6))
        (tmp_path / "from" / "oven.csv").write_text(head + rows)
        draft = draft_season(tmp_path / f"season{unit}", tmp_path / "from")
        told = tomllib.loads((tmp_path / f"season{unit}/season.toml").read_text())
        assert told.get("units", {}) == ({"oven": {"mass": "mg"}} if unit else {})
        assert not [q for q in draft.questions if "Tare" in q]
