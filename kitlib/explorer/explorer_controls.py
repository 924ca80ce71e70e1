"""The controls of the explorer's panel, as ipywidgets."""

from math import isfinite, nan

import ipywidgets as widgets

from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.explorer_tables import offset_label, sample_label, tilt_label
from kitlib.explorer.what_if_choices import Choice, tilt_stops
from kitlib.intake.settings import Season
from kitlib.season.season import SeasonAudit
from kitlib.words.estimates import Interval

BAND_STEP = 0.5
_WIDE = {"description_width": "150px"}
_LONG = widgets.Layout(width="98%", max_width="800px")
_SHORT = widgets.Layout(width="300px")
_HALF = widgets.Layout(width="98%", max_width="395px")


class Controls:
    """What a user can choose, one widget each.

    Attributes
    ----------
    curve, trial : Dropdown
    offset : SelectionSlider
        Over the explorer's stops.
    slope : Checkbox
    tilt : SelectionSlider
        Over whole steps and the samples' own tilt; counts while `slope` is on.
    band : FloatRangeSlider
    left_out : SelectMultiple
        Samples, those with the largest errors first.
    standard : BoundedFloatText
    select : BoundedFloatText or BoundedIntText
        Percent of the entries, or their number, as the season's settings have it.
    """

    def __init__(self, season: SeasonAudit):
        self.curve = widgets.Dropdown(
            options=curve_options(season),
            description="Crop and curve",
            style=_WIDE,
            layout=_HALF,
        )
        self.trial = widgets.Dropdown(description="Trial", style=_WIDE, layout=_HALF)
        self.offset = widgets.SelectionSlider(
            options=[("0.00 no change", 0.0)],
            description="Offset, points",
            style=_WIDE,
            layout=_LONG,
        )
        self.slope = widgets.Checkbox(
            description="Correct the slope too", indent=False, layout=_SHORT
        )
        self.tilt = widgets.SelectionSlider(
            options=[("0.000", 0.0)],
            description="Tilt, points per point",
            style=_WIDE,
            layout=_LONG,
        )
        self.band = widgets.FloatRangeSlider(
            step=BAND_STEP,
            readout_format=".1f",
            description="Moisture band, %",
            continuous_update=False,
            style=_WIDE,
            layout=_LONG,
        )
        self.left_out = widgets.SelectMultiple(
            description="Samples to leave out",
            rows=7,
            style=_WIDE,
            layout=widgets.Layout(width="98%", max_width="560px"),
        )
        self.standard = widgets.BoundedFloatText(
            min=1,
            max=60,
            step=0.5,
            description="Standard moisture, %",
            style=_WIDE,
            layout=_SHORT,
        )
        self.select = selection_control(season.settings)

    @property
    def choosing(self) -> list[widgets.Widget]:
        """All but the curve: each of them changes what follows."""
        return [
            self.offset,
            self.slope,
            self.tilt,
            self.band,
            self.left_out,
            self.standard,
            self.select,
            self.trial,
        ]

    def open(self, explorer: CurveExplorer) -> None:
        """Give the controls the reach of one curve, and its audit's own choice."""
        _set_reach(self.band, *explorer.band)
        errors = abs(explorer.samples.error)
        order = sorted(range(errors.size), key=lambda k: -errors[k])
        self.left_out.options = [(sample_label(explorer, k), k) for k in order]
        self.offset.options = [
            (offset_label(explorer, stop), float(stop)) for stop in explorer.stops
        ]
        self.trial.options = list(explorer.trials) or [("none", "")]
        self.slope.disabled = explorer.audit.line is None
        self.standard.disabled = not isfinite(explorer.standard_pct)
        self.trial.disabled = self.select.disabled = not explorer.trials
        self.set(explorer.start())

    def set_tilt(self, own: float) -> None:
        """Set the tilt to the samples' own, 0 if not known, and offer steps beside."""
        own = own if isfinite(own) else 0.0
        stops = [float(stop) for stop in tilt_stops(own)]
        self.tilt.options = [(tilt_label(stop, own), stop) for stop in stops]
        self.tilt.value = own

    def set(self, choice: Choice) -> None:
        """Set every control to a choice."""
        self.offset.value = choice.offset
        self.slope.value = choice.tilt != 0
        self.set_tilt(choice.tilt)
        self.tilt.disabled = not self.slope.value
        self.band.value = tuple(choice.band)
        self.left_out.value = tuple(choice.left_out)
        share = choice.select < 1
        # Ten decimals: 100 × 0.07 shall be the 7 that a user types.
        self.select.value = round(100 * choice.select, 10) if share else choice.select
        self.trial.value = choice.trial
        if isfinite(choice.standard_pct):
            self.standard.value = choice.standard_pct

    def choice(self) -> Choice:
        """Return what the controls say."""
        share = isinstance(self.select, widgets.BoundedFloatText)
        return Choice(
            offset=self.offset.value,
            tilt=self.tilt.value if self.slope.value else 0.0,
            band=Interval(*self.band.value),
            left_out=frozenset(self.left_out.value),
            standard_pct=nan if self.standard.disabled else self.standard.value,
            select=self.select.value / 100 if share else self.select.value,
            trial=self.trial.value,
        )


def curve_options(season: SeasonAudit) -> list[tuple[str, str]]:
    """Return the curves of the register with their crops, by crop."""
    register = season.tables["curves"].frame.drop_duplicates("curve", keep="last")
    rows = register.sort_values(["crop", "curve"]).itertuples()
    return [(f"{row.crop}: {row.curve}", row.curve) for row in rows]


def selection_control(settings: Season) -> widgets.Widget:
    """Return the control of how many entries are selected."""
    if settings.selection_count:
        return widgets.BoundedIntText(
            value=settings.selection_count,
            min=1,
            max=10_000,
            description="Selected, entries",
            style=_WIDE,
            layout=_SHORT,
        )
    return widgets.BoundedFloatText(
        value=100 * settings.selection_share,
        min=0.1,
        max=99,
        step=1,
        description="Selected, % of entries",
        style=_WIDE,
        layout=_SHORT,
    )


def _set_reach(slider, low: float, high: float) -> None:
    """Set both ends of a slider; never the lower one above the upper one."""
    slider.max = max(slider.max, high)
    slider.min, slider.max = low, high
