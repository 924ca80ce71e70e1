"""Figures draw what they are given, name it, and are the same every time."""

from math import nan
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.colors import to_hex, to_rgb
from matplotlib.dates import date2num
from matplotlib.patches import PathPatch
from matplotlib.text import Text
from pytest import approx

from kitlib.pages.dots import MOST_DOTS, Band, Samples
from kitlib.pages.figures import draw_agreement, draw_errors
from kitlib.pages.harvest_figures import Trend, draw_coverage, draw_drift
from kitlib.pages.maps import draw_field_map
from kitlib.pages.overviews import ROWS_PER_PAGE, CurveRow, draw_season
from kitlib.pages.rankings import (
    MOST_ENTRIES,
    Entries,
    draw_entries,
    draw_yield_change,
    shown_entries,
)
from kitlib.reports.drawing import ACTION_STYLES, GROUP_STYLES, blank, svg_bytes
from kitlib.words.errors import NotFinite
from kitlib.words.estimates import Interval
from kitlib.words.limits import Tolerance
from kitlib.words.terms import ERROR, Term

SENSOR = np.array([15.4, 18.2, 20.9, 24.5, 27.3, 30.0])
OVEN = np.array([15.0, 18.0, 21.0, 24.0, 27.0, 29.0])
TRIAL = ["A", "A", "B", "B", "C", "C"]
DAYS = np.datetime64("2025-09-29") + np.arange(6)
TOLERANCE = Tolerance(0.05, 0.8, "made up", "test")
ODD_NAMES = ["$x^2$", "a_b", "<b>&", "🌽", "玉米", "two\nlines", "_hidden", "W" * 500]


def samples(**more):
    return Samples(sensor=SENSOR, reference=OVEN, **more)


def entries(n, selected):
    ranks = np.arange(1, n + 1)
    after = np.roll(ranks, 1)
    names = [f"E{k}" for k in ranks]
    return Entries(
        entry=names,
        before=12 - ranks / n,
        after=12 - after / n,
        rank_before=ranks,
        rank_after=after,
        selected=selected,
    )


def lines(figure):
    """Return the data of every line of the axes, as lists of points."""
    drawn = figure.axes[0].get_lines()
    return [np.column_stack([x.get_xdata(), x.get_ydata()]).tolist() for x in drawn]


def words(figure):
    """Return every text of a figure that is not empty."""
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


EVERY_FIGURE = {
    "agreement": lambda: draw_agreement(samples(trial=TRIAL), TOLERANCE, (0.5, 0.96)),
    "errors": lambda: draw_errors(samples(), TOLERANCE, 0.35, Interval(0.1, 0.6)),
    "season": lambda: draw_season([CurveRow(label="A", n=9, n_trials=3, bias=0.4)])[0],
    "drift": lambda: draw_drift(DAYS, samples(trial=TRIAL)),
    "coverage": lambda: draw_coverage(SENSOR, SENSOR[:3]),
    "entries": lambda: draw_entries(entries(24, 6)),
    "yield change": lambda: draw_yield_change(OVEN, SENSOR - OVEN, (0.1, -0.01)),
    "map": lambda: draw_field_map([1, 2, 4], [1, 1, 2], [0.1, -0.2, 0.3], ERROR),
    "no samples": lambda: blank(3, 2),
}


@pytest.mark.parametrize("name", EVERY_FIGURE)
def test_drawn_twice_a_figure_has_the_same_bytes(name):
    first = svg_bytes(EVERY_FIGURE[name]())
    assert first == svg_bytes(EVERY_FIGURE[name]())
    assert b"<dc:date>" not in first


@pytest.mark.parametrize("name", EVERY_FIGURE)
def test_lettering_is_at_least_8_pt_and_stays_text(name):
    figure = EVERY_FIGURE[name]()
    svg = ElementTree.fromstring(svg_bytes(figure))
    shown = [text for text in figure.findobj(Text) if text.get_text()]
    assert min(text.get_fontsize() for text in shown) >= 8
    assert svg.findall(".//{http://www.w3.org/2000/svg}text")


@pytest.mark.parametrize(
    ("name", "across", "up"),
    [
        (
            "agreement",
            "Air-oven (% moisture, wet basis)",
            "Sensor (% moisture, wet basis)",
        ),
        (
            "errors",
            "Air-oven (% moisture, wet basis)",
            "Error, sensor − air-oven (% moisture)",
        ),
        ("drift", "Harvested", "Error, sensor − air-oven\n(% moisture)"),
        ("coverage", "Sensor (% moisture, wet basis)", "Share of plots (%)"),
        ("yield change", "Mean moisture (% moisture, wet basis)", None),
        ("entries", "Yield at standard moisture (t/ha)", ""),
        ("map", "Row", "Range"),
    ],
)
def test_axes_are_named_with_their_units(name, across, up):
    ax = EVERY_FIGURE[name]().axes[0]
    assert ax.get_xlabel() == across
    assert up is None or ax.get_ylabel() == up


@pytest.mark.parametrize(
    "figure",
    [
        draw_agreement(Samples(sensor=[], reference=[])),
        draw_errors(Samples(sensor=[], reference=[])),
        draw_drift([], Samples(sensor=[], reference=[])),
        draw_coverage([], []),
        draw_season([])[0],
        draw_entries(entries(0, 3)),
        draw_yield_change([], []),
        draw_field_map([1], [1], [nan], ERROR),
    ],
)
def test_without_data_a_figure_says_so(figure):
    assert words(figure) == ["no samples"]
    assert figure.axes == []


def test_samples_stand_where_their_results_say():
    dots = lines(draw_agreement(samples()))
    assert np.column_stack([OVEN, SENSOR]).tolist() in dots


def test_the_prediction_line_ends_where_the_readings_end():
    # corrected = 0.5 + 0.96 × 15.4 = 15.284 and 0.5 + 0.96 × 30.0 = 29.3
    drawn = draw_agreement(samples(), line=(0.5, 0.96)).axes[0].get_lines()
    ends = [x.get_xydata() for x in drawn if x.get_linewidth() == 1.4]
    assert np.array(ends) == approx(np.array([[[15.284, 15.4], [29.3, 30.0]]]))


def test_errors_are_sensor_minus_oven():
    dots = lines(draw_errors(samples()))
    expected = np.column_stack([OVEN, [0.4, 0.2, -0.1, 0.5, 0.3, 1.0]])
    assert any(np.array(d).shape == (6, 2) and np.allclose(d, expected) for d in dots)


def test_an_error_far_beyond_the_others_stands_at_the_frame_with_its_value():
    many = Samples(
        sensor=np.append(np.tile(SENSOR, 5), 12.0),
        reference=np.append(np.tile(OVEN, 5), 28.0),
    )
    figure = draw_errors(many, TOLERANCE)
    assert "  ↓ −16.0" in words(figure)
    assert figure.axes[0].get_ylim()[0] > -4


def test_bias_and_its_interval_are_drawn_and_named():
    figure = draw_errors(samples(), bias=-0.35, interval=Interval(-0.6, -0.1))
    assert "bias −0.35 (−0.60 to −0.10)" in words(figure)
    assert [[0, -0.35], [1, -0.35]] in lines(figure)
    spans = [patch.get_extents() for patch in figure.axes[0].patches]
    to_data = figure.axes[0].transData.inverted()
    ends = [to_data.transform(box.get_points())[:, 1] for box in spans]
    assert np.allclose(ends, [-0.6, -0.1])


def test_a_band_stands_over_its_moistures():
    band = Band(low=14, high=16, n=8, mean=-0.2, interval=Interval(-0.5, 0.1))
    figure = draw_errors(samples(), bands=[band])
    assert [[15, -0.5], [15, 0.1]] in lines(figure)


def test_this_trial_is_told_apart_by_shape_and_colour():
    here = np.array([True, False, False, False, False, True])
    drawn = draw_errors(samples(here=here)).axes[0].get_lines()
    dots = {line.get_marker(): line for line in drawn if line.get_marker() != "None"}
    assert dots["^"].get_xdata().tolist() == [15.0, 29.0]
    assert dots["o"].get_xdata().tolist() == [18.0, 21.0, 24.0, 27.0]
    assert dots["^"].get_color() != dots["o"].get_color()


def test_samples_set_apart_are_open():
    apart = np.array([False, True, False, False, False, False])
    drawn = draw_errors(samples(apart=apart)).axes[0].get_lines()
    opened = [line for line in drawn if line.get_color() == "white"]
    assert [line.get_xdata().tolist() for line in opened] == [[18.0]]
    assert "not counted" in words(draw_errors(samples(apart=apart)))


def test_groups_differ_in_shape_as_well_as_colour():
    for styles in (GROUP_STYLES, list(ACTION_STYLES.values())):
        colours, shapes = zip(*styles, strict=True)
        assert len(set(colours)) == len(set(shapes)) == len(styles)


def test_beyond_six_trials_the_smallest_share_one_sign():
    trial = [f"T{k}" for k in (0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 6, 7)]
    many = Samples(sensor=np.arange(13.0), reference=np.arange(13.0), trial=trial)
    said = words(draw_agreement(many))
    assert "3 other trials" in said
    assert [f"T{k}" in said for k in range(8)] == [True] * 5 + [False] * 3


def test_a_missing_result_is_refused():
    with pytest.raises(NotFinite, match=r"Samples: reference\[1\] is nan"):
        Samples(sensor=[15.0, 16.0], reference=[15.0, nan])


def test_arrays_of_different_length_are_refused():
    with pytest.raises(ValueError, match=r"lengths are \[6, 6, 2\]"):
        samples(trial=["A", "B"])


def test_every_curve_of_a_season_has_its_row():
    rows = [
        CurveRow(label=f"maize {k}", n=20 + k, n_trials=5, bias=0.1, action=action)
        for k, action in enumerate(ACTION_STYLES)
    ]
    rows.append(CurveRow(label="oats", n=1, n_trials=1, bias=nan))
    said = words(draw_season(rows)[0])
    assert {row.label for row in rows} | set(ACTION_STYLES) <= set(said)
    assert said.count("+0.10 (not known)") == 5
    assert said.count("not known") == 1


def test_a_large_season_goes_over_pages_on_one_scale():
    row = CurveRow(label="A", n=9, n_trials=3, bias=0.1, allowed=0.5)
    wide = CurveRow(label="B", n=9, n_trials=3, bias=0.9, allowed=0.5)
    pages = draw_season([row] * ROWS_PER_PAGE + [wide])
    assert len(pages) == 2
    assert pages[0].axes[0].get_xlim() == pages[1].axes[0].get_xlim()


def test_a_trend_is_drawn_only_where_it_is_given():
    trend = Trend(across=DAYS[[0, 5]], fitted=[0.1, 0.4], low=[0, 0.2], high=[0.2, 0.6])
    line = draw_drift(DAYS, samples(), trend).axes[0].get_lines()[-1]
    assert line.get_xdata(orig=True).tolist() == DAYS[[0, 5]].tolist()
    assert line.get_ydata().tolist() == [0.1, 0.4]


def test_days_are_named_in_english():
    figure = draw_drift(DAYS, samples())
    svg_bytes(figure)
    said = [tick.get_text() for tick in figure.axes[0].get_xticklabels()]
    assert {"30 Sep", "1 Oct"} <= set(said)


def test_samples_without_a_time_are_left_out_of_the_drift():
    times = DAYS.astype("datetime64[s]").copy()
    times[2] = np.datetime64("NaT")
    assert b"30" in svg_bytes(draw_drift(times, samples()))


def test_coverage_shows_shares_of_each_group():
    figure = draw_coverage([15.2, 15.9, 16.5, 18.1], [15.5])
    assert {"harvested, 4 plots", "sampled, 1 plots"} <= set(words(figure))
    harvested, sampled = (patch.get_data() for patch in figure.axes[0].patches)
    assert harvested.values.tolist() == [50, 25, 0, 25]
    assert sampled.values.tolist() == [100, 0, 0, 0]
    assert harvested.edges.tolist() == [15, 16, 17, 18, 19]


def test_entries_that_cross_the_line_are_named():
    # The first of six falls to rank 6, the others gain one rank; two are selected.
    figure = draw_entries(entries(6, 2))
    said = words(figure)
    assert said.count("moves in") == said.count("drops out") == 1
    assert {f"E{k}" for k in range(1, 7)} <= set(said)
    assert {"→ 1", "→ 2", "→ 6"} <= set(said)
    assert figure.axes[0].get_lines()[-1].get_ydata().tolist() == [1.5, 1.5]


@pytest.mark.parametrize("n", [6, 24, MOST_ENTRIES])
def test_up_to_forty_entries_are_all_shown(n):
    said = words(draw_entries(entries(n, 3)))
    assert {f"E{k}" for k in range(1, n + 1)} <= set(said)
    assert not any("not shown" in text for text in said)


def test_of_many_entries_those_at_the_line_are_shown_and_the_rest_counted():
    many = entries(300, 45)
    shown = shown_entries(many)
    assert "260 entries farther from the line not shown" in words(draw_entries(many))
    assert shown.size == MOST_ENTRIES
    # E1 falls from rank 1 to 300, E46 rises from 46 to 45; 38 more are the nearest.
    assert {0, 45} <= set(shown)
    assert sorted(many.rank_after[shown]) == [*range(26, 65), 300]


def test_moves_within_their_uncertainty_are_grey():
    two = Entries(
        entry=["A", "B", "C"],
        before=[3, 2, 1],
        after=[2, 3, 1],
        rank_before=[1, 2, 3],
        rank_after=[2, 1, 3],
        noise=[True, False, True],
    )
    colours = {t.get_text(): t.get_color() for t in draw_entries(two).axes[0].texts}
    assert colours["A"] != colours["B"]
    assert colours["C"] == colours["B"]  # it did not move


def test_an_entry_without_a_yield_keeps_its_row():
    two = Entries(
        entry=["A", "B"],
        before=[3.0, nan],
        after=[2.9, nan],
        rank_before=[1, nan],
        rank_after=[1, nan],
        selected=1,
    )
    assert {"B", "–", "not known"} <= set(words(draw_entries(two)))


def test_the_trend_of_yields_stays_within_the_entries():
    line = lines(draw_yield_change([18.0, 22.0, nan], [0.0, 0.1, 0.2], (1.0, 0.1)))[-1]
    assert np.array(line) == approx(np.array([[18.0, 2.8], [22.0, 3.2]]))


def crowd(n, **more):
    moisture = np.linspace(12, 30, n)
    return Samples(sensor=moisture + 0.5, reference=moisture, **more)


@pytest.mark.parametrize("draw", [draw_agreement, draw_errors])
def test_more_samples_than_can_be_told_apart_are_counted_in_cells(draw):
    few, many = (draw(crowd(n)).axes[0] for n in (MOST_DOTS, MOST_DOTS + 1))
    assert not paths(few)
    assert max(len(line.get_xdata()) for line in few.get_lines()) == MOST_DOTS
    assert max(len(line.get_xdata()) for line in many.get_lines()) < MOST_DOTS
    across = np.vstack(list(filled_cells(many).values()))[:, 0]
    assert (across.min(), across.max()) == approx((12, 30), abs=0.25)


def test_the_darkest_cell_holds_most_samples():
    sensor = np.concatenate([np.full(600, 20.0), [25.0]])
    ax = draw_errors(Samples(sensor=sensor, reference=sensor - 0.5)).axes[0]
    cells = filled_cells(ax)
    darkest = min(cells, key=lambda colour: sum(to_rgb(colour)))
    assert cells[darkest] == approx(np.array([[19.5, 0.5]]), abs=0.1)
    assert [len(centres) for centres in cells.values()] == [1, 1]


def test_a_crowd_of_other_trials_leaves_this_trial_its_marks():
    here = np.arange(600) % 60 == 0
    figure = draw_agreement(crowd(600, here=here))
    assert [t.get_text() for t in figure.texts][:2] == [
        "other trials, darker: more",
        "this trial",
    ]
    assert figure.axes[0].get_lines()[-1].get_xdata().size == 10


def test_a_crowd_over_the_days_is_drawn_within_the_season():
    days = np.datetime64("2025-09-29") + np.arange(600) % 30
    ax = draw_drift(days, crowd(600)).axes[0]
    low, high = date2num(days.min()), date2num(days.max())
    centres = np.vstack(list(filled_cells(ax).values()))[:, 0]
    assert low - 1 < centres.min() < low + 1 and high - 1 < centres.max() < high + 1
    assert ax.get_xlim()[0] < low and high < ax.get_xlim()[1]


def test_a_map_leaves_missing_plots_blank():
    figure = draw_field_map([1, 2, 4, 4], [1, 1, 2, 1], [0.1, -0.2, 0.3, nan], ERROR)
    ax = figure.axes[0]
    assert (ax.get_xlim(), ax.get_ylim()) == ((0.5, 4.5), (0.5, 2.5))
    assert sum(len(cells) for cells in filled_cells(ax).values()) == 3
    assert [t.get_text() for t in ax.texts] == ["+0.10", "−0.20", "+0.30"]


def test_a_map_of_small_cells_keeps_the_signs():
    row, range_ = np.meshgrid(np.arange(1, 61), np.arange(1, 21))
    value = np.where(row > 30, 0.2, -0.2).ravel()
    term = Term("change", "t/ha", "Change of yield", 2)
    ax = draw_field_map(row.ravel(), range_.ravel(), value, term).axes[0]
    signs = [path for path in paths(ax) if not path.get_fill()]
    strokes = signs[0].get_path().vertices.reshape(-1, 2, 2)
    level = strokes[:, 0, 1] == strokes[:, 1, 1]
    assert (len(signs), level.sum(), (~level).sum()) == (1, 1200, 600)
    assert (strokes[~level].mean(axis=1)[:, 0] > 30).all()
    assert not ax.texts


def test_a_map_fills_each_cell_with_the_colour_of_its_class():
    ax = draw_field_map([1, 2, 3, 1], [1, 1, 1, 2], [6.0, 0.0, -6.9, 4.0], ERROR).axes[
        0
    ]
    found = filled_cells(ax)
    assert {c: sorted(map(tuple, cells)) for c, cells in found.items()} == {
        "#c46a00": [(1.0, 1.0)],
        "#efa94a": [(1.0, 2.0)],
        "#e4e7e5": [(2.0, 1.0)],
        "#1f5c99": [(3.0, 1.0)],
    }


def paths(ax):
    """Return the paths drawn in a map's field."""
    return [patch for patch in ax.patches if isinstance(patch, PathPatch)]


def filled_cells(ax):
    """Return the centres of a map's cells by colour."""
    found = {}
    for path in paths(ax):
        if path.get_fill():
            corners = path.get_path().vertices.reshape(-1, 5, 2)[:, :4]
            found[to_hex(path.get_facecolor())] = corners.mean(axis=1)
    return found


def test_odd_names_are_written_not_obeyed():
    n = len(ODD_NAMES)
    ranks = np.arange(1, n + 1)
    odd = Entries(
        entry=ODD_NAMES, before=ranks, after=ranks, rank_before=ranks, rank_after=ranks
    )
    svg = ElementTree.fromstring(svg_bytes(draw_entries(odd)))
    said = [
        "".join(text.itertext()) for text in svg.iter() if text.tag.endswith("text")
    ]
    expected = {"$x^2$", "a_b", "<b>&", "⟨U+1F33D⟩", "⟨U+7389 U+7C73⟩", "two↵lines"}
    assert expected | {"_hidden"} <= set(said)
    assert max(map(len, said)) < 60


def test_a_notebook_shows_a_figure_by_itself():
    figure = draw_errors(samples())
    assert figure._repr_png_().startswith(b"\x89PNG")
    assert figure._repr_png_() == figure._repr_png_()
