"""Offsets over the seasons: what is predicted, what departs, what is shrunk."""

from math import isnan, sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.intake.outputs import csv_bytes
from kitlib.review.comparisons import (
    curve_history,
    difference,
    mean_change,
    offset_history,
    read_earlier,
    season_setting,
    sensor_history,
    welch_df,
)
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.statistics.pooling import pool_offsets

SETUP = Estimate(value=0.2, se=0.1, df=9)
BIAS = Estimate(value=0.5, se=0.2, df=4, method="CR2")


def known(value, se=0.1, df=9):
    return Estimate(value=value, se=se, df=df)


def season(name, bias=0.1, loaded=0.3, curve="A", sensor=None, built_on=None, **more):
    row = {
        "curve": curve,
        "crop": "maize",
        "offset_loaded": loaded,
        "bias": bias,
        "bias_se": 0.1,
        "bias_df": 5.0,
        "sensor": sensor,
        "built_on": built_on,
    }
    return {name: pd.DataFrame([row | more])}


PAST = [known(v) for v in (0.1, 0.3, 0.2, 0.25)]


def test_expected_is_the_prediction_of_the_pooled_earlier_seasons():
    found = offset_history("A", list("abcde"), [*PAST, known(0.2)])
    pooled = pool_offsets([v.value for v in PAST], [0.1] * 4, [9] * 4)
    assert found.expected.value == approx(pooled.new_curve.value)
    assert found.expected.se == approx(pooled.new_curve.se)
    assert found.expected.df == pooled.new_curve.df
    assert found.values[-1].value == 0.2
    assert found.departure.value == approx(0.2 - found.expected.value)
    assert found.departure.se == approx(sqrt(0.01 + found.expected.se**2))
    assert found.within() is True


def test_a_setting_out_of_the_way_is_beyond():
    assert offset_history("A", list("abcde"), [*PAST, known(1.5)]).within() is False


@pytest.mark.slow
def test_prediction_holds_the_next_season_as_often_as_it_says(rng):
    # True settings of the seasons scatter by 0.2, each known to 0.1 on 9 df; 95.6 % of
    # 500 seasons in own simulation.
    held = []
    for _ in range(600):
        true = 0.3 + 0.2 * rng.normal(size=5)
        ses = 0.1 * np.sqrt(rng.chisquare(9, 5) / 9)
        seen = true + 0.1 * rng.normal(size=5)
        values = [known(v, s) for v, s in zip(seen, ses, strict=True)]
        held.append(offset_history("A", list("abcde"), values).within())
    assert np.mean(held) == approx(0.956, abs=4 * sqrt(0.956 * 0.044 / 600))


def test_shrinking_is_weighing_by_the_errors():
    found = offset_history("A", list("abcde"), [*PAST, known(1.5, 0.2, 4)])
    prior, own = found.expected.se**2, 0.04
    weight = prior / (prior + own)
    assert found.shrunken.value == approx(
        weight * 1.5 + (1 - weight) * found.expected.value
    )
    assert found.shrunken.se == approx(sqrt(prior * own / (prior + own)))
    assert found.shrunken.df == 3  # the smaller: four earlier seasons
    assert found.values[-1].value == 1.5  # beside it, never in its place


@pytest.mark.slow
def test_shrinking_brings_the_setting_nearer_on_the_whole(rng):
    raw, drawn = [], []
    for _ in range(400):
        true = 0.3 + 0.15 * rng.normal(size=7)
        values = [known(t + 0.2 * rng.normal(), 0.2, 20) for t in true]
        found = offset_history("A", list("abcdefg"), values)
        raw.append(found.values[-1].value - true[-1])
        drawn.append(found.shrunken.value - true[-1])
    assert np.std(drawn) < 0.9 * np.std(raw)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_earlier_seasons_predict_nothing(count):
    found = offset_history("A", list("abc")[: count + 1], [*PAST[:count], known(9.0)])
    assert found.within() is None
    assert not found.expected.known and not found.shrunken.known
    assert f"{count} earlier season" in found.expected.remark


def test_seasons_without_an_interval_take_no_part():
    bare = Estimate(value=9.0)
    values = [*PAST[:2], bare, not_known("why"), known(0.2)]
    found = offset_history("A", list("abcde"), values)
    assert "2 earlier" in found.expected.remark
    assert len(found.values) == 5


def test_a_curves_history_is_in_terms_of_the_absolute_setting():
    # Loaded 0.3 and 0.1 too high: it asked for 0.2, whatever is loaded now.
    past = season("2022", 0.1, 0.3) | season("2023", -0.1, 0.1)
    past |= season("2024", 0.0, 0.2)
    found = curve_history("A", "2025", known(0.2), past)
    assert found.seasons == ("2022", "2023", "2024", "2025")
    assert [v.value for v in found.values] == approx([0.2] * 4)
    assert found.within() is True


def test_other_curves_and_unknown_offsets_are_left_out():
    past = season("2022", curve="B") | season("2023", loaded=float("nan"))
    found = curve_history("A", "2025", known(0.2), past)
    assert found.seasons == ("2023", "2025")
    assert not found.values[0].known


def test_a_rebuilt_curve_begins_a_history_of_its_own():
    past = season("2022", built_on="2021-03-01T00:00:00")
    past |= season("2023", built_on="2023-02-01T00:00:00") | season("2024")
    found = curve_history("A", "2025", known(0.2), past, built_on="2023-02-01")
    assert found.seasons == ("2023", "2024", "2025")
    assert found.remark == "rebuilt since 2022, not counted"


def test_a_sensors_history_is_the_mean_change_of_its_curves():
    two = [season("", 0.1, curve="A")[""], season("", 0.3, curve="B")[""]]
    past = {"2024": pd.concat(two, ignore_index=True)}
    found = sensor_history("S1", "2025", [known(-0.1)], past, {"A": "S1", "B": "S1"})
    assert found.values[0].value == approx(-0.2)
    assert found.values[0].se == approx(sqrt(0.02) / 2)
    apart = sensor_history("S1", "2025", [], past, {"A": "S1", "B": "S1"}, ["B"])
    assert apart.values[0].value == approx(-0.1)
    assert not apart.values[-1].known


def test_the_sensor_an_earlier_file_names_goes_before_this_seasons():
    past = season("2024", sensor="S9")
    assert sensor_history("S1", "2025", [], past, {"A": "S1"}).seasons == ("2025",)
    assert len(sensor_history("S9", "2025", [], past, {}).seasons) == 2


def test_mean_change_by_hand():
    found = mean_change([known(0.1, 0.3, 4), known(0.3, 0.3, 4), not_known("x")])
    assert (found.value, found.df) == approx((0.2, 8))
    assert found.se == approx(0.3 / sqrt(2))
    assert isnan(mean_change([]).value)


def test_a_season_calls_for_the_loaded_less_the_bias():
    found = season_setting(0.3, BIAS)
    assert (found.value, found.se, found.df, found.method) == (-0.2, 0.2, 4, "CR2")
    assert not season_setting(float("nan"), BIAS).known


def test_welch_by_hand():
    # (0.01 + 0.04)^2 / (0.01^2 / 9 + 0.04^2 / 4)
    assert welch_df([0.1, 0.2], [9, 4]) == approx(0.0025 / (0.0001 / 9 + 0.0004))


def test_welch_of_r():
    # R 4.2.2, t.test(c(1,2,4,7), c(3,8,9,20,30)): df 4.5792367, t -2.0813514, standard
    # error 5.0447993; the estimates below are the two means with their own errors.
    x, y = np.array([1, 2, 4, 7]), np.array([3, 8, 9, 20, 30])
    one, two = (
        Estimate(value=v.mean(), se=v.std(ddof=1) / sqrt(v.size), df=v.size - 1)
        for v in (x, y)
    )
    found = difference(one, two)
    assert found.df == approx(4.5792367, abs=5e-8)
    assert (found.t, found.se) == approx((-2.0813514, 5.0447993), abs=5e-8)


def test_hardly_known_errors_take_the_smaller_count(rng):
    # One estimate with 1 df: Welch and Satterthwaite would hold 93 % here.
    n = 4000
    squares = rng.chisquare(1, n), rng.chisquare(29, n) / 29
    errors = rng.normal(0, sqrt(2), n)
    held = [
        difference(
            Estimate(value=e, se=sqrt(a), df=1), Estimate(value=0, se=sqrt(b), df=29)
        )
        .interval()
        .holds(0)
        for e, a, b in zip(errors, *squares, strict=True)
    ]
    assert np.mean(held) > 0.95


def test_unknown_parts_carry_through():
    assert difference(not_known("why"), SETUP).remark == "why"
    bare = difference(Estimate(value=1.0, remark="one run"), SETUP)
    assert bare.value == approx(0.8) and isnan(bare.se) and bare.remark == "one run"


def table(**more):
    rows = {
        "curve": ["007", "=odd"],
        "crop": ["maize", "wheat"],
        "offset_loaded": [0.2, None],
        "bias": [0.1, -0.3],
        "bias_se": [0.05, 0.1],
        "bias_df": [4.5, 3.0],
    }
    return pd.DataFrame(rows | more)


def test_what_was_written_is_read_back(tmp_path):
    folder = tmp_path / "quillmoor-2023"
    folder.mkdir()
    (folder / "curves.csv").write_bytes(csv_bytes(table(sensor=["-S1", None])))
    past, unread = read_earlier("this", [folder])
    assert unread == [] and list(past) == ["quillmoor-2023"]
    found = past["quillmoor-2023"]
    # Names stay text, and the apostrophe that defused one is gone again.
    assert found["curve"].tolist() == ["007", "=odd"]
    assert found["bias"].tolist() == [0.1, -0.3]
    assert found["sensor"].iloc[0] == "-S1" and pd.isna(found["sensor"].iloc[1])
    assert found["built_on"].isna().all()


def test_names_that_look_like_numbers_or_nothing_stay_names(tmp_path):
    folder = folder_with(tmp_path, "old", curve=["NA", "B"], sensor=["07", None])
    past, _ = read_earlier("this", [folder])
    assert past["old"]["curve"].tolist() == ["NA", "B"]
    assert past["old"]["sensor"].iloc[0] == "07"
    assert pd.isna(past["old"]["sensor"].iloc[1])


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "cannot be opened"),
        (b"", "not readable as CSV"),
        (b"\xff\xfe\x00", "not readable as CSV"),
        (b"curve,crop\nA,maize\n", r"lacks the column\(s\) offset_loaded, bias"),
    ],
)
def test_what_cannot_be_read_says_why(tmp_path, content, said):
    folder = tmp_path / "old"
    folder.mkdir()
    if content is not None:
        (folder / "curves.csv").write_bytes(content)
    past, (why,) = read_earlier("this", [folder])
    assert past == {}
    assert why.startswith("old/curves.csv")
    assert pd.Series([why]).str.contains(said).all()


def test_text_in_place_of_a_number_is_not_known(tmp_path):
    folder = folder_with(tmp_path, "old", bias=["none", "0.2"])
    past, _ = read_earlier("this", [folder])
    assert past["old"]["bias"].isna().tolist() == [True, False]


def folder_with(place, name, **more):
    folder = place / name
    folder.mkdir()
    (folder / "curves.csv").write_bytes(csv_bytes(table(**more)))
    return folder


def test_a_season_given_more_than_once_counts_once(tmp_path):
    one = folder_with(tmp_path, "s2023")
    other = folder_with(tmp_path, "s2024", bias=[0.2, -0.1])
    copy = folder_with(tmp_path, "copy-of-2023")
    past, unread = read_earlier("s2025", [one, other, one, copy])
    assert list(past) == ["s2023", "s2024"]
    assert "s2023 was given more than once" in unread[0]
    assert "copy-of-2023 holds the same curves as s2023" in unread[1]
