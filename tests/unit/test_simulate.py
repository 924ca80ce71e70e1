"""The invented season: same bytes, right sizes, and the truth it claims."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.schema import SCHEMAS, needed_columns
from kitlib.intake.settings import read_season
from kitlib.simulation.scenario import CROPS
from kitlib.simulation.season import simulate_season
from kitlib.trials.yields import yield_kg_ha
from kitlib.words.findings import SeasonRefused
from kitlib.words.limits import repeatability_for

DEMO = Path(__file__).parents[2] / "demo_data"
KEY = ["trial", "plot"]


def read(folder, table):
    """Return a table of a simulated season, keys as text."""
    texts = {"trial": str, "plot": str, "Plot no.": str, "block": str}
    return pd.read_csv(folder / f"{table}.csv", dtype=texts)


def as_written(folder, table):
    """Return every line of a table as text, by its number; the header is line 1."""
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        header, *lines = csv.reader(file)
    return {i: dict(zip(header, line, strict=True)) for i, line in enumerate(lines, 2)}


def dish_moisture(oven):
    """Return each dish's moisture, by two mass balances where there are two stages."""
    water = oven["wet_g"] - oven["dry_g"]
    in_dish = 100 * water / (oven["wet_g"] - oven["tare_g"])
    kept = (oven["prestage_dry_g"] / oven["prestage_wet_g"]).fillna(1)
    return oven["moisture_pct"].fillna(100 - kept * (100 - in_dish))


def contents(folder):
    """Return the bytes of every file of a folder, not of the folders in it."""
    files = sorted(path for path in folder.iterdir() if path.is_file())
    return {path.name: path.read_bytes() for path in files}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The season of the default arguments."""
    return simulate_season(tmp_path_factory.mktemp("demo") / "season")


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """A season of enough trials to see the truth through the noise."""
    folder = tmp_path_factory.mktemp("large") / "season"
    return simulate_season(folder, trials=480, plots=24_000, seed=11)


@pytest.fixture(scope="module")
def errors(large):
    """Sensor - true moisture of every plot and curve, the register's offset loaded."""
    plots = read(large, "plots")
    loaded = plots["curve"].map(read(large, "curves").set_index("curve").offset_loaded)
    plots["sensor_pct"] -= plots["offset_in_force"] - loaded
    columns = [*KEY, "curve", "sensor_pct"]
    both = pd.concat([plots[columns], read(large, "readings")[columns]])
    faults = read(large, "faults").query("kind == 'reading-stuck'")
    stuck = read(large, "plots").loc[faults["row"] - 2, KEY].assign(stuck=True)
    both = both.merge(read(large, "truth_plots"), on=KEY, validate="many_to_one")
    both = (
        both.merge(stuck, on=KEY, how="left")
        .query("stuck.isna()")
        .dropna(subset="sensor_pct")
    )
    return both.assign(error=both["sensor_pct"] - both["true_pct"])


def test_same_arguments_give_the_same_bytes(demo, tmp_path):
    assert contents(simulate_season(tmp_path / "again")) == contents(demo)


def test_the_demo_is_the_default_season(demo):
    assert contents(DEMO) == contents(demo)


def test_a_simulated_season_can_be_made_again_in_its_place(tmp_path):
    first = contents(simulate_season(tmp_path / "s", trials=2, plots=60, seed=1))
    simulate_season(tmp_path / "s", trials=2, plots=60, seed=9)
    assert contents(tmp_path / "s") != first
    simulate_season(tmp_path / "s", trials=2, plots=60, seed=1)
    assert contents(tmp_path / "s") == first


def test_sizes_of_the_demo(demo):
    plots, oven = read(demo, "plots"), read(demo, "oven")
    benchtop, curves = read(demo, "benchtop"), read(demo, "curves")
    assert (len(plots), plots["trial"].nunique(), plots["crop"].nunique()) == (
        1500,
        16,
        3,
    )
    assert 240 <= oven["sample"].nunique() <= 260
    assert oven.groupby("sample").size().value_counts().idxmax() == 2
    only = set(benchtop["Sample ID"]) - set(oven["sample"])
    assert 230 <= len(only) <= 270
    assert len(curves) == 7
    assert curves["parallel_of"].notna().sum() == 1
    assert set(read(demo, "readings")["curve"]) == {"maize-S1-new"}
    expected = read(demo, "truth")["expected_action"]
    assert set(expected) == {"keep", "shift", "reslope", "rebuild", "unresolved"}
    assert sum(len(data) for data in contents(demo).values()) < 1_000_000


def test_every_trial_has_blocks_positions_and_its_checks(demo):
    plots = read(demo, "plots")
    places = plots.groupby("trial")[["row", "range"]].value_counts()
    assert places.max() == 1
    assert (plots.groupby("trial")["block"].nunique() >= 2).all()
    for check in read_season(demo).check_entries:
        assert plots.loc[plots["entry"] == check, "trial"].nunique() == 16
    curves_of_trial = plots.groupby("trial")["curve"].nunique()
    assert (curves_of_trial == 2).sum() >= 10


@pytest.mark.parametrize(
    ("trials", "plots"), [(1, 4), (1, 37), (2, 9), (16, 64), (17, 1000), (120, 900)]
)
def test_sizes_asked_for(tmp_path, trials, plots):
    folder = simulate_season(tmp_path / "s", trials=trials, plots=plots)
    table = read(folder, "plots")
    assert (table["trial"].nunique(), len(table)) == (trials, plots)
    assert not table.duplicated(KEY).any()
    assert (
        len({len(name) - len(name.rstrip("0123456789")) for name in table.trial}) == 1
    )
    assert len(read(folder, "oven")) > 0
    # Of very many readings some lie apart by chance.
    assert {found.code for found in findings_on(folder)} <= {"value-apart"}


def findings_on(folder):
    """Return what was found as a season's tables were read, or looks odd in them."""
    settings = read_season(folder)
    return table_findings(read_tables(folder, settings), settings)


@pytest.mark.parametrize("table", SCHEMAS)
def test_headers_are_those_of_the_contract(demo, table):
    mapped = read_season(demo).columns.get(table, {})
    own = {name: ours for ours, theirs in mapped.items() for name in theirs}
    headers = [own.get(name, name) for name in read(demo, table).columns]
    assert set(needed_columns(table)) <= set(headers) <= set(SCHEMAS[table])
    assert bool(mapped) == (table == "benchtop")


def test_the_audit_reads_the_demo_without_a_finding(demo):
    tables = read_tables(demo, read_season(demo))
    assert set(tables) == set(SCHEMAS)
    assert findings_on(demo) == []


def test_bias_of_every_curve_is_its_truth(errors, large):
    # Monte Carlo: the mean over plots against truth.csv, within 4 standard errors
    # clustered by trial.
    truth = read(large, "truth").set_index("curve")
    assert (truth["trials_with_oven"] >= 30).all()
    for curve, own in errors.groupby("curve"):
        about = (own["error"] - own["error"].mean()).groupby(own["trial"]).sum()
        se = np.sqrt((about**2).sum()) / len(own)
        assert se < 0.06
        assert own["error"].mean() == approx(truth.true_bias[curve], abs=4 * se)


def test_bias_of_a_straight_curve_is_its_error_at_the_mean_moisture(demo):
    truth = read(demo, "truth").query("bend == 0")
    from_anchor = truth["mean_true_pct"] - truth["anchor_pct"]
    expected = truth["bias_at_anchor"] + (truth["gain"] - 1) * from_anchor
    assert truth["true_bias"].to_numpy() == approx(expected.to_numpy(), abs=1e-5)


def test_spread_of_every_straight_curve_is_its_truth(errors, large):
    # Within trials the SD of a sample's own error; 1/12 is the step of 0.1 % read.
    truth = read(large, "truth").set_index("curve")
    for curve in truth.index[(truth["gain"] == 1) & (truth["bend"] == 0)]:
        own = errors[errors["curve"] == curve]
        within = own["error"] - own.groupby("trial")["error"].transform("mean")
        df = len(own) - own["trial"].nunique()
        found = np.sqrt((within**2).sum() / df)
        expected = np.sqrt(truth.sd_sample[curve] ** 2 + 0.1**2 / 12)
        assert found == approx(expected, rel=4 / np.sqrt(2 * df))
        means = own.groupby("trial")["error"].agg(["mean", "size"])
        between, n = means["mean"].var(), len(means)
        shared = between - (expected**2 / means["size"]).mean()
        se = between * np.sqrt(2 / (n - 1))
        assert shared == approx(truth.sd_trial[curve] ** 2, abs=4 * se)


def test_gain_is_the_slope_of_the_reading_on_the_truth(errors, large):
    own = errors[errors["curve"] == "maize-S2"]
    centred = own[["sensor_pct", "true_pct"]].sub(
        own.groupby("trial")[["sensor_pct", "true_pct"]].transform("mean")
    )
    x, y = centred["true_pct"], centred["sensor_pct"]
    gain = (x * y).sum() / (x**2).sum()
    by_trial = (x * (y - gain * x)).groupby(own["trial"]).sum()
    se = np.sqrt((by_trial**2).sum()) / (x**2).sum()
    truth = read(large, "truth").set_index("curve").loc["maize-S2"]
    assert se < 0.02
    assert gain == approx(truth.gain, abs=4 * se)


def test_yield_at_the_true_moisture_is_the_true_yield(demo):
    plots = read(demo, "plots").merge(read(demo, "truth_plots"), on=KEY)
    standard = plots["crop"].map(CROPS.set_index("crop")["anchor_pct"])
    found = yield_kg_ha(
        plots["plot_mass_kg"], plots["plot_area_m2"], plots["true_pct"], standard
    )
    # Half a gram of the mass and half a thousandth of a point were rounded away.
    assert found == approx(plots["true_yield_kg_ha"].to_numpy(), abs=0.8)


def test_dishes_show_the_true_moisture_with_the_method_s_repeatability(large):
    oven = read(large, "oven").merge(read(large, "truth_plots"), on=KEY)
    listed = read(large, "faults").query("table == 'oven'")["row"]
    spoilt = read(large, "oven").loc[listed - 2, "sample"]
    oven = oven[~oven["sample"].isin(spoilt)]
    oven["moisture"] = dish_moisture(oven)
    assert oven["prestage_wet_g"].notna().sum() > 300
    for crop in CROPS.itertuples():
        own = oven[oven["method"] == crop.method]
        within = own.groupby("sample")["moisture"].var()
        sd = np.sqrt(within.mean())
        # Own arithmetic: 4 standard errors of an SD on that many pairs, and 1 mg in
        # each weighing of 5 g, which adds 0.008 points in quadrature.
        step = 0.0007
        assert sd == approx(crop.dish_sd, abs=step + 4 * sd / (2 * within.size) ** 0.5)
        assert (own["moisture"] - own["true_pct"]).mean() == approx(0, abs=0.015)


def test_samples_taken_as_suspicious_read_high(large):
    oven = read(large, "oven").drop_duplicates("sample")
    plots = read(large, "plots").merge(read(large, "truth_plots"), on=KEY)
    both = oven.merge(plots[[*KEY, "curve", "sensor_pct", "true_pct"]], on=KEY)
    both = both[both["curve"] == "maize-S1"]
    error = (both["sensor_pct"] - both["true_pct"]).groupby(both["selection_reason"])
    assert error.mean()["suspicious"] > error.mean()["stratified"] + 0.3
    share = oven["selection_reason"].value_counts(normalize=True)
    assert share["suspicious"] < 0.1
    assert share["stratified"] + share["random"] > 0.9


def test_stratified_samples_cover_the_harvested_moistures(large):
    plots, oven = read(large, "plots"), read(large, "oven")
    sampled = oven[oven["selection_reason"] == "stratified"].drop_duplicates("sample")
    both = sampled.merge(plots, on=KEY)
    harvested = plots.groupby(["trial", "curve"])["sensor_pct"].mean()
    found = both.groupby(["trial", "curve"])["sensor_pct"].mean()
    apart = (found - harvested.loc[found.index]).dropna()
    assert apart.mean() == approx(0, abs=4 * apart.std() / np.sqrt(len(apart)))


def test_setup_sep_is_that_of_the_setup_runs(demo):
    runs = read(demo, "setup_runs")
    error = runs["sensor_pct"] - runs["known_pct"]
    means = error.groupby([runs["curve"], runs["sample"]]).mean()
    error = means.groupby("curve")
    register = read(demo, "curves").set_index("curve")
    found = error.std()[register.index].to_numpy()
    # Half a unit of the second decimal.
    assert found == approx(register.sep_at_setup.to_numpy(), abs=0.005001)
    assert (error.size()[register.index] == register.n_at_setup).all()


def test_a_parallel_curve_shares_the_error_of_the_sample(errors):
    wide = errors.pivot(index=KEY, columns="curve", values="error")
    both = wide[["maize-S1", "maize-S1-new"]].dropna()
    assert len(both) > 1000
    # 85 of 95 parts of the variance are the sample's own, and the trial's is shared.
    assert 0.85 < both.corr().iloc[0, 1] < 0.97


@pytest.fixture(scope="module")
def faults(demo):
    """The listed faults, each with its line as written, by kind."""
    lines = {table: as_written(demo, table) for table in SCHEMAS}
    listed = read(demo, "faults")
    return {
        kind: [(f.table, lines[f.table][f.row]) for f in rows.itertuples()]
        for kind, rows in listed.groupby("kind")
    }


def test_there_is_a_handful_of_every_fault(faults):
    # configuration-differs: all plots of one trial; plot-missing: 2 samples with 2
    # dishes and 3 readings each.
    counts = {kind: len(rows) for kind, rows in faults.items()}
    assert counts.pop("configuration-differs") > 20
    assert counts == {
        "benchtop-only": 1,
        "dishes-disagree": 3,
        "late-oven": 4,
        "no-reading": 2,
        "offset-changed": 1,
        "one-dish": 3,
        "plot-missing": 10,
        "reading-stuck": 6,
        "suspected-swap": 4,
    }


def test_listed_lines_of_plots_hold_their_faults(demo, faults):
    register = read(demo, "curves").set_index("curve")
    sampled = {*map(tuple, read(demo, "oven")[KEY].to_numpy())}
    for _, line in faults["no-reading"]:
        assert line["sensor_pct"] == ""
        assert (line["trial"], line["plot"]) in sampled
    for _, line in faults["reading-stuck"]:
        assert float(line["sensor_pct"]) == register.high_pct[line["curve"]]
    for _, line in faults["configuration-differs"]:
        assert line["chamber_config"] != register.chamber_config[line["curve"]]
    for kind in ("reading-stuck", "configuration-differs"):
        assert len({line["trial"] for _, line in faults[kind]}) == 1


def test_only_listed_plots_have_those_faults(demo, faults):
    plots = read(demo, "plots")
    own = plots["curve"].map(read(demo, "curves").set_index("curve").chamber_config)
    differs = (plots["chamber_config"] != own).sum()
    assert differs == len(faults["configuration-differs"])
    assert plots["sensor_pct"].isna().sum() == len(faults["no-reading"])


def test_listed_lines_of_the_oven_hold_their_faults(demo, faults):
    oven, plots = read(demo, "oven"), read(demo, "plots")
    oven["moisture"] = dish_moisture(oven)
    by_sample = oven.groupby("sample")
    known = {*map(tuple, plots[KEY].to_numpy())}
    for _, line in faults["one-dish"]:
        assert by_sample.size()[line["sample"]] == 1
    for _, line in faults["dishes-disagree"]:
        apart = np.ptp(by_sample.get_group(line["sample"])["moisture"])
        assert apart > repeatability_for(line["method"])
    for _, line in faults["late-oven"]:
        waited = pd.Timestamp(line["weighed_at"]) - pd.Timestamp(line["sampled_at"])
        assert waited.days >= 25
    for table, line in faults["plot-missing"]:
        trial, plot = ("trial", "plot") if table == "oven" else ("Trial", "Plot no.")
        assert (line[trial], line[plot]) not in known


def test_only_listed_samples_have_those_faults(demo, faults):
    oven = read(demo, "oven")
    assert (oven.groupby("sample").size() == 1).sum() == len(faults["one-dish"])
    waited = pd.to_datetime(oven["weighed_at"]) - pd.to_datetime(oven["sampled_at"])
    assert (waited.dt.days >= 3).sum() == len(faults["late-oven"])
    placed = oven.merge(read(demo, "plots")[KEY], on=KEY)
    missing = [line for table, line in faults["plot-missing"] if table == "oven"]
    assert len(oven) - len(placed) == len(missing)


def test_swapped_samples_have_each_other_s_moisture(demo, faults):
    oven = read(demo, "oven").merge(read(demo, "truth_plots"), on=KEY)
    oven["moisture"] = dish_moisture(oven)
    names = {line["sample"] for _, line in faults["suspected-swap"]}
    found = oven[oven["sample"].isin(names)].groupby("sample")[
        ["moisture", "true_pct", "trial"]
    ]
    one, other = found.first().itertuples(index=False)
    assert one.trial == other.trial
    assert abs(one.true_pct - other.true_pct) > 1.5
    assert (one.moisture, other.moisture) == approx(
        (other.true_pct, one.true_pct), abs=0.3
    )


def test_offset_changed_once_and_the_plots_say_so(demo, faults):
    [(table, line)] = faults["offset-changed"]
    assert table == "curves"
    plots = read(demo, "plots").query(f"curve == '{line['curve']}'")
    assert set(plots["offset_in_force"]) == {0.6, float(line["offset_loaded"])}
    before = plots["offset_in_force"] == 0.6
    assert (plots["harvested_at"] < "2025-07-28").equals(before)
    others = read(demo, "plots").query(f"curve != '{line['curve']}'")
    loaded = read(demo, "curves").set_index("curve").offset_loaded
    assert (others["offset_in_force"] == others["curve"].map(loaded)).all()


def test_benchtop_only_trial_has_no_dish(demo, faults):
    [(table, line)] = faults["benchtop-only"]
    assert table == "benchtop"
    assert line["Trial"] in set(read(demo, "plots")["trial"])
    assert line["Trial"] not in set(read(demo, "oven")["trial"])


def test_a_folder_of_other_files_is_left_alone(tmp_path):
    (tmp_path / "plots.csv").write_text("trial,plot\n")
    with pytest.raises(SeasonRefused, match="not simulated"):
        simulate_season(tmp_path)
    assert contents(tmp_path) == {"plots.csv": b"trial,plot\n"}
    with pytest.raises(SeasonRefused, match="it is a file"):
        simulate_season(tmp_path / "plots.csv")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"trials": 0}, "trials is 0"),
        ({"seed": -1}, "seed is -1"),
        ({"trials": 3, "plots": 11}, "plots is 11 for 3 trial"),
    ],
)
def test_impossible_sizes_are_refused_before_anything_is_written(
    tmp_path, arguments, said
):
    with pytest.raises(ValueError, match=said):
        simulate_season(tmp_path / "s", **arguments)
    assert not (tmp_path / "s").exists()
