"""Figures draw what they are given, name it, and are the same every time."""

from io import BytesIO
from math import nan
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex, to_rgb
from matplotlib.lines import Line2D
from PIL import Image
from pytest import approx

from kitlib.reports import drawing
from kitlib.reports.drawing import BAND, DOT, MID, blank, png_bytes, write_all
from kitlib.reports.figures import (
    draw_by_day,
    draw_coverage,
    draw_errors,
    draw_field_map,
    draw_ranks,
    draw_season,
)
from kitlib.statistics.estimates import Estimate
from kitlib.words.limits import Tolerance

PAIRS = pd.DataFrame(
    {
        "sensor_pct": [15.4, 18.2, 20.9, 24.5, 27.3, 30.0],
        "reference_pct": [15.0, 18.0, 21.0, 24.0, 27.0, 29.0],
        "trial": ["A", "A", "B", "B", "C", "C"],
        "used": [True, True, True, True, True, False],
        "harvested_at": pd.date_range("2025-09-29", periods=6),
    }
)
PAIRS["error"] = PAIRS["sensor_pct"] - PAIRS["reference_pct"]
AUDIT = SimpleNamespace(
    tolerance=Tolerance(0.05, 0.8, "made up", "test"),
    bias=Estimate(value=0.2, se=0.05, df=5),
    gain=Estimate(value=0.95),
    mean_reference=20.0,
    bands=pd.DataFrame(),
    settings=SimpleNamespace(confidence=0.95),
)
CURVES = pd.DataFrame(
    {
        "crop": "maize",
        "curve": ["S1", "S2"],
        "bias": [0.4, -0.1],
        "bias_low": [0.2, -5.0],
        "bias_high": [0.6, 4.8],
        "allowed_bias": [0.5, 0.5],
        "action": ["shift", "unresolved"],
    }
)
ENTRIES = pd.DataFrame(
    {
        "entry": ["E1", "E2", "E3", "$x^2$ <b>&"],
        "yield_before": [9.9, 9.7, 9.6, 9.0],
        "yield_after": [9.6, 9.8, 9.5, nan],
        "rank_before": [1, 2, 3, 4],
        "rank_after": [2, 1, 3, nan],
        "lsd": 0.4,
        "chance_selected_after": [0.3, 0.95, 0.2, 0.0],
    }
)
EVERY_FIGURE = {
    "errors": lambda: draw_errors(PAIRS, AUDIT),
    "errors of a trial": lambda: draw_errors(PAIRS, AUDIT, "B"),
    "days": lambda: draw_by_day(PAIRS, 0.5),
    "coverage": lambda: draw_coverage([14.0, 15.5, 15.7, 20.1], [15.5]),
    "season": lambda: draw_season(CURVES),
    "ranks": lambda: draw_ranks(ENTRIES, 1, "t/ha"),
    "map": lambda: draw_field_map([1, 2], [1, 1], [0.2, -0.1], "Error (points)"),
}


def dots(figure):
    """Return colour, filling and places of every set of samples."""
    return [
        (line.get_markeredgecolor(), line.get_color(), line.get_xydata().tolist())
        for line in figure.axes[0].get_lines()
        if line.get_marker() not in ("None", "")
    ]


def legend(figure):
    keys = [artist for artist in figure.artists if isinstance(artist, Line2D)]
    return [key.get_label() for key in keys]


@pytest.mark.parametrize("name", EVERY_FIGURE)
def test_drawn_twice_a_figure_has_the_same_bytes(name):
    assert png_bytes(EVERY_FIGURE[name]()) == png_bytes(EVERY_FIGURE[name]())


def test_every_colour_of_the_figures_is_packed_as_it_is():
    named = [c for c in vars(drawing).values() if str(c).startswith("#")]
    named += ["white", *drawing.SCALE]
    pixels = np.array([[[round(255 * part) for part in to_rgb(c)] for c in named]])
    image = Image.fromarray(pixels.astype(np.uint8))
    few = image.quantize(palette=drawing.PALETTE, dither=Image.Dither.NONE)
    assert len(named) > 20
    assert np.asarray(few.convert("RGB")).tolist() == pixels.tolist()


@pytest.mark.parametrize("name", EVERY_FIGURE)
def test_few_colours_look_like_all_of_them(name):
    figure = EVERY_FIGURE[name]()
    few = np.asarray(Image.open(BytesIO(png_bytes(figure))).convert("RGB"), float)
    figure.canvas.draw()
    all_of_them = np.asarray(figure.canvas.buffer_rgba())[:, :, :3]
    # Of 255 levels; edges of letters are what differs.
    assert np.abs(few - all_of_them).mean() < 0.5


@pytest.mark.parametrize(
    ("name", "across", "up"),
    [
        ("errors", "Air-oven (% moisture, wet basis)", "Error (points)"),
        ("days", "Harvested", "Error (points)"),
        ("coverage", "Sensor (% moisture, wet basis)", "Share of plots (%)"),
        ("season", "Bias (points)", ""),
        ("ranks", "Yield at standard moisture (t/ha)", ""),
        ("map", "Row", "Range"),
    ],
)
def test_axes_are_named_with_their_units(name, across, up):
    ax = EVERY_FIGURE[name]().axes[0]
    assert (ax.get_xlabel(), ax.get_ylabel()) == (across, up)


@pytest.mark.parametrize(
    "figure",
    [
        lambda: draw_errors(PAIRS.iloc[:0], AUDIT),
        lambda: draw_by_day(PAIRS.assign(harvested_at=pd.NaT), 0.5),
        lambda: draw_coverage([nan], []),
        lambda: draw_season(CURVES.iloc[:0]),
    ],
)
def test_without_data_a_figure_says_so(figure):
    drawn = figure()
    assert not drawn.axes
    assert drawn.texts[0].get_text().startswith("no ")


def test_the_three_greys_are_told_apart_in_print():
    # Lightness L* by CIE 15; common practice, no source: 15 apart is told in print.
    def lightness(colour):
        linear = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [
            v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in linear
        ]
        y = float(np.dot([0.2126, 0.7152, 0.0722], linear))
        return 116 * y ** (1 / 3) - 16

    greys = [lightness(colour) for colour in (BAND, MID, DOT)]
    assert greys == sorted(greys, reverse=True)
    assert min(-np.diff(greys)) > 15


def test_samples_stand_where_their_errors_say():
    places = [
        place for _, _, found in dots(EVERY_FIGURE["errors"]()) for place in found
    ]
    wanted = PAIRS[["reference_pct", "error"]].to_numpy().tolist()
    assert sorted(places) == [approx(place) for place in sorted(wanted)]


def test_samples_not_chosen_blind_are_open():
    filled = {
        fill for _, fill, found in dots(EVERY_FIGURE["errors"]()) if [29, 1] in found
    }
    assert filled == {"white"}
    assert "chosen by reading" in legend(EVERY_FIGURE["errors"]())


def test_this_trial_is_told_apart_from_the_others():
    assert legend(EVERY_FIGURE["errors of a trial"]())[:2] == [
        "other trials",
        "this trial",
    ]


def test_beyond_six_trials_samples_share_one_sign():
    many = pd.concat([PAIRS.assign(trial=f"T{k}") for k in range(7)], ignore_index=True)
    assert legend(draw_errors(many, AUDIT))[0] == "7 trials"


def test_an_error_far_beyond_the_others_stands_at_the_frame_with_its_value():
    far = pd.concat([PAIRS] * 8, ignore_index=True)
    far.loc[0, "error"] = -9.04
    drawn = draw_errors(far, AUDIT)
    assert "↓ −9.0" in [text.get_text().strip() for text in drawn.axes[0].texts]
    assert drawn.axes[0].get_ylim()[0] > -3


def test_the_line_is_the_sensors_own_by_its_gain():
    # The bias at the mean, 20 %, and by a gain of 0.95 less the wetter the grain.
    ends = [
        line.get_xydata().tolist()
        for line in EVERY_FIGURE["errors"]().axes[0].get_lines()
        if line.get_linestyle() == "--" and len(line.get_xdata()) == 2
    ]
    low, high = PAIRS["reference_pct"].min(), PAIRS["reference_pct"].max()
    at = [[m, 0.2 - 0.05 * (m - 20)] for m in (low, high)]
    assert [*map(approx, at)] in ends


def test_coverage_shows_shares_of_each_group():
    steps = draw_coverage([14.0, 15.5, 15.7, 20.1], [15.5]).axes[0].patches
    assert [step.get_data().values.max() for step in steps] == [50, 100]


def test_a_wide_interval_runs_off_the_axis_of_biases():
    low, high = draw_season(CURVES).axes[0].get_xlim()
    assert (low, high) == approx((-1.32, 1.32))  # 1.32 = 1.1 × 1.2 × 2 × 0.5


def test_entries_in_or_out_by_the_correction_are_marked():
    assert "corrected, crosses the line" in legend(EVERY_FIGURE["ranks"]())
    same = ENTRIES.assign(rank_after=ENTRIES["rank_before"])
    assert "corrected, crosses the line" not in legend(draw_ranks(same, 1, "t/ha"))


def test_a_map_fills_each_cell_with_the_colour_of_its_class():
    drawn = draw_field_map([1, 2, 4], [1, 1, 1], [0.2, -0.1, 0.0], "Error (points)")
    (cells,) = drawn.axes[0].collections
    cells.update_scalarmappable()
    # Classes part at 0.05, 0.15 and 0.25 on both sides of zero.
    colours = [to_hex(colour).upper() for colour in cells.get_facecolor()[:2]]
    assert colours == ["#EFA94A", "#C3DAEE"]
    assert not cells.get_facecolor()[2, 3]  # a place without a plot has no colour
    assert drawn.axes[0].get_xlim() == (0.5, 4.5)


def numbers(ax):
    """Return the words beside both axes and where they stand, in data."""
    inverse, dpi = ax.transData.inverted().transform, ax.figure.dpi
    ticks = [[*drawing._ticks(ax, k)] for k in (0, 1)]
    return [
        [(word, inverse((dpi * at, dpi * at))[k]) for at, word in ticks[k]]
        for k in (0, 1)
    ]


def test_numbers_stand_where_they_say_and_none_is_shortened():
    _, ax = drawing.framed(3, 2, [])
    ax.set(xlim=(-0.2, 1.1), ylim=(3_000_000, 3_000_011))
    across, up = numbers(ax)
    assert [word for word, _ in across] == ["0.0", "0.5", "1.0"]
    assert len(up) > 4 and all(word.startswith("30000") for word, _ in up)
    for word, at in across + up:
        assert float(word.replace("−", "-")) == approx(at)


@pytest.mark.parametrize("name", EVERY_FIGURE)
def test_nothing_is_cut_at_the_edges_of_a_figure(name):
    image = np.asarray(
        Image.open(BytesIO(png_bytes(EVERY_FIGURE[name]()))).convert("L")
    )
    assert (image[[0, -1]] == 255).all() and (image[:, [0, -1]] == 255).all()


def test_axes_are_drawn_with_their_words_and_grid():
    def drawn(**look):
        return png_bytes(drawing.framed(3, 2, [], **look)[0])

    plain = drawn(ruled="")
    assert len({plain, drawn(), drawn(ruled="x"), drawn(across="Row")}) == 4
    # A long name stands on two lines, not beyond the picture.
    figure, _ = drawing.framed(3, 2, [], up="Half-width of the interval (points)")
    image = np.asarray(Image.open(BytesIO(png_bytes(figure))).convert("L"))
    assert (image[[0, -1]] == 255).all()


def test_many_words_stand_at_their_places():
    figure = EVERY_FIGURE["coverage"]()
    ax = figure.axes[0]
    before = len(figure.artists)
    write_all(ax, [15.0, 18.0], [10.0, 20.0], ["ab", "ab"], share=0)
    corners = figure.artists[before].get_path().vertices
    moved = ax.transData.transform([(18, 20)]) - ax.transData.transform([(15, 10)])
    half = len(corners) // 2
    assert corners[half:] - corners[:half] == approx(
        np.broadcast_to(moved / figure.dpi, (half, 2))
    )


def test_a_notebook_shows_a_figure_by_itself():
    assert blank(2, 1)._repr_png_()[1:4] == b"PNG"
