"""Figures of a review: they draw what results hold, and say what is not there."""

from math import nan

import pytest
from pytest import approx
from reviewed import demo_review

from kitlib.reports.drawing import png_bytes
from kitlib.review.comparisons import offset_history
from kitlib.review.plan import HOURS, Scatter, plan_table
from kitlib.review.sections import (
    draw_control_chart,
    draw_history,
    draw_plan,
)
from kitlib.statistics.estimates import Estimate


def texts(figure):
    return [artist.get_label() for artist in figure.artists]


@pytest.fixture
def table():
    return plan_table(Scatter(sd_trial=0.2, sd_own=0.4), HOURS, wanted=0.25)


def test_control_chart_holds_every_run():
    chart = demo_review().curves["maize-S1"].chart
    figure = draw_control_chart(chart)
    (ax,) = figure.axes
    dots = [line for line in ax.lines if line.get_linestyle() == "None"]
    drawn = sum(len(line.get_xdata()) for line in dots)
    assert drawn == len(chart.cells) + chart.runs.cells["base"].sum()
    assert ax.get_xlabel() == "Days after 2025-09-19"


def test_plan_draws_the_cheapest(table):
    figure = draw_plan({"A": table}, "hours")
    (ax,) = figure.axes
    best = table[table["cheapest"]]
    dots = [line for line in ax.lines if line.get_linestyle() == "None"]
    assert dots[0].get_ydata() == approx(best["half_width_bias"].to_numpy())
    assert "Half-width" in ax.get_ylabel()


def test_plan_draws_every_curve_however_dear_its_plan(table):
    dear = table.assign(cost=20 * table["cost"])
    plans = {f"curve {k}": table for k in range(8)} | {"dear": dear}
    figure = draw_plan(plans, "hours")
    (ax,) = figure.axes
    assert {"curve 7", "dear"} <= set(texts(figure))
    dots = [line for line in ax.lines if line.get_linestyle() == "None"]
    assert len(dots) == 9
    assert dots[-1].get_xdata()[0] < ax.get_xlim()[1]
    # Lines of one colour differ in their strokes.
    lines = [line for line in ax.lines if line.get_linestyle() != "None"]
    looks = {(line.get_color(), str(line.get_linestyle())) for line in lines}
    assert len(looks) == 9


def test_history_draws_each_season_and_what_was_predicted():
    values = [Estimate(value=v, se=0.1, df=9) for v in (0.1, 0.3, 0.2, 0.9)]
    known = offset_history("maize", list("abcd"), values)
    unknown = offset_history("wheat", ["b", "d"], [values[1], Estimate(value=nan)])
    figure = draw_history([known, unknown])
    (ax,) = figure.axes
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["maize", "wheat"]
    assert len(ax.collections) == 1  # three seasons predict, one does not


def test_the_same_results_give_the_same_bytes(table):
    one = {"A": table}
    assert png_bytes(draw_plan(one, "hours")) == png_bytes(draw_plan(one, "hours"))
    chart = demo_review().curves["maize-S2"].chart
    first = png_bytes(draw_control_chart(chart))
    assert first == png_bytes(draw_control_chart(chart))
