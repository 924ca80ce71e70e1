"""Live pictures of what an offset does: over all offsets, and in one trial."""

from math import isfinite

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from kitlib.curves.advice import Recommendation
from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.explorer_look import Look
from kitlib.explorer.live_pictures import LivePicture, labelled_frames, title, widened
from kitlib.explorer.what_if_yields import TrialOutlook
from kitlib.reports.drawing import (
    AMBER,
    BLUE,
    INK,
    MUTED,
    PLUM,
    TEAL,
    key_line,
    label_axes,
    tick_evenly,
    tick_whole,
    write,
)
from kitlib.trials.yields import YieldUnit
from kitlib.words.terms import OFFSET, RMSEP, WET_BASIS

_DASHES, _DOTS = (0, (4, 2)), (0, (1, 1.5))
_STAYS = {"marker": "o", "color": "white", "markeredgecolor": INK}
_ENTERS = {"marker": "^", "color": TEAL, "markeredgecolor": INK}
_SENSITIVE = (
    RMSEP.axis,
    "Samples within tolerance (%)",
    "Entries newly selected, all trials together",
)
_LEAVES = {"marker": "v", "color": PLUM, "markeredgecolor": "white"}
_DOT = {"linestyle": "none", "markersize": 5, "markeredgewidth": 0.5}
NOWHERE = "it served no plot that can be ranked"


class SensitivityPicture(LivePicture):
    """RMSEP, share within tolerance and changed selections over the offset.

    Parameters
    ----------
    explorer : CurveExplorer
        Of the curve looked at.
    """

    def __init__(self, explorer: CurveExplorer):
        level = explorer.season.settings.confidence
        keys = [
            key_line("RMSEP in-sample", color=BLUE, linewidth=1.4),
            key_line("on trials left out", color=PLUM, linewidth=1.4, ls=_DASHES),
            key_line(f"−bias, {level:.0%} interval", color=AMBER, ls=_DOTS),
            key_line("chosen", color=INK, linewidth=1.6),
        ]
        figure, axes = labelled_frames(keys, [0.85, 0.55, 0.55], left=0.42, gap=0.3)
        super().__init__(figure)
        self.stops, self.served = explorer.stops, bool(explorer.trials)
        for ax, name in zip(axes, _SENSITIVE, strict=True):
            ax.set_xlim(self.stops[0], self.stops[-1])
            title(ax, name)
            label_axes(ax, OFFSET.axis if ax is axes[-1] else "", "")
            ax.tick_params(labelbottom=ax is axes[-1])
            _mark_audit(ax, explorer.advice)
        self.rmsep, self.share, self.selections = axes
        self._draw_curves()
        self.chosen = [self.move(ax.axvline(0, color=INK, lw=1.6)) for ax in axes]

    def _draw_curves(self) -> None:
        """Draw the curves, still empty."""
        dashed, solid = {"color": PLUM, "ls": _DASHES}, {"color": BLUE}
        (self.left_out,) = self.rmsep.plot([], [], lw=1.4, **dashed)
        (self.in_sample,) = self.rmsep.plot([], [], lw=1.4, **solid)
        (self.within,) = self.share.plot([], [], lw=1.4, **solid)
        steps = {"drawstyle": "steps-mid", **solid}
        (self.changed,) = self.selections.plot([], [], lw=1.2, **steps)
        self.share.set_ylim(-4, 104)
        if not self.served:
            middle = {"ha": "center", "va": "center"}
            middle["transform"] = self.selections.transAxes
            write(self.selections, 0.5, 0.5, NOWHERE, **middle)

    def still(self, look: Look) -> tuple:
        """Return what the still part depends on: the curves."""
        return (look.outlook, look.changed)

    def set_still(self, look: Look) -> None:
        """Set the curves."""
        found = look.outlook
        self.in_sample.set_data(self.stops, found.rmsep)
        self.left_out.set_data(self.stops, found.rmsep_left_out)
        self.within.set_data(self.stops, 100 * found.share_within)
        self.changed.set_data(self.stops, look.changed)
        known = found.rmsep[np.isfinite(found.rmsep)]
        self.rmsep.set_ylim(0, 1.05 * max(known.max(initial=0.0), 0.1))
        self.selections.set_ylim(-0.4, max(look.changed.max(initial=0), 3) * 1.1)
        for ax, ticks in ((self.rmsep, 5), (self.share, 3), (self.selections, 3)):
            tick_evenly(ax, up=ticks)
        self.selections.yaxis.get_major_locator().set_params(integer=True)

    def set_moving(self, look: Look) -> None:
        """Set the line of the offset chosen."""
        for line in self.chosen:
            line.set_xdata([look.choice.offset] * 2)


class TrialPicture(LivePicture):
    """Changes of yield over moisture, and of ranks over rank, in one trial.

    Parameters
    ----------
    unit : YieldUnit
        Unit yields are shown in.
    """

    def __init__(self, unit: YieldUnit):
        keys = [
            key_line("stays in or out", **_STAYS, **_DOT),
            key_line("moves in", **_ENTERS, **_DOT),
            key_line("drops out", **_LEAVES, **_DOT),
            key_line("selection line", color=INK, linewidth=1.0, ls=_DASHES),
        ]
        figure, axes = labelled_frames(keys, [0.8, 0.8], left=0.48, gap=0.65)
        super().__init__(figure)
        self.yields, self.ranks = axes
        self.unit = unit
        title(self.yields, f"Change of entries' yields ({unit.name})")
        title(self.ranks, "Ranks gained")
        label_axes(self.yields, f"Mean moisture ({WET_BASIS})", "")
        label_axes(self.ranks, "Rank as recorded, 1 is best", "")
        self.line = self.ranks.axvline(np.nan, color=INK, lw=1.0, ls=_DASHES)
        for ax in axes:
            ax.axhline(0, color=MUTED, linewidth=0.9)
        self.dots = [
            [self.move(ax.plot([], [], zorder=4, **look, **_DOT)[0]) for ax in axes]
            for look in (_STAYS, _ENTERS, _LEAVES)
        ]

    def still(self, look: Look) -> tuple:
        """Return what the still part depends on: the trial and both axes' ends."""
        changes, gained = self._changes(look.trial)
        ends = _round_ends(changes)
        return (look.trial.lines, look.trial.count, *ends, float(_reach(gained)))

    def set_still(self, look: Look) -> None:
        """Set the axes to the trial."""
        lines, (changes, gained) = look.trial.lines, self._changes(look.trial)
        self.yields.set(xlim=widened(lines.moisture), ylim=_round_ends(changes))
        self.ranks.set(xlim=(0, lines.entries.size + 1))
        self.ranks.set_ylim(-_reach(gained), _reach(gained))
        self.line.set_xdata([look.trial.count + 0.5] * 2)
        tick_evenly(self.yields, up=4)
        tick_whole(self.ranks, across=8, up=5)

    def set_moving(self, look: Look) -> None:
        """Set the entries, by what becomes of their selection."""
        ranks, (changes, gained) = look.trial.ranks, self._changes(look.trial)
        crossing = ranks.entered | ranks.left
        groups = (~crossing, ranks.entered, ranks.left)
        for (by_yield, by_rank), chosen in zip(self.dots, groups, strict=True):
            by_yield.set_data(look.trial.lines.moisture[chosen], changes[chosen])
            by_rank.set_data(ranks.rank_before[chosen], gained[chosen])

    def _changes(self, trial: TrialOutlook) -> tuple[np.ndarray, np.ndarray]:
        """Return by how much yields change, and how many ranks are gained."""
        gained = trial.ranks.rank_before - trial.ranks.rank_after
        return self.unit.of(trial.after - trial.before), gained


def _mark_audit(ax: Axes, advice: Recommendation) -> None:
    """Mark −bias of all samples with its interval."""
    if isfinite(advice.interval.low) and isfinite(advice.interval.high):
        ax.axvspan(*advice.interval, color=AMBER, alpha=0.18, linewidth=0)
    ax.axvline(advice.offset, color=AMBER, linewidth=1.6, ls=_DOTS)


def _round_ends(values) -> tuple[float, float]:
    """Return round numbers about the values, zero not asked for."""
    low, high = float(np.min(values)), float(np.max(values))
    margin = max(0.15 * (high - low), 0.005)
    ticks = MaxNLocator(4, steps=[1, 2, 5, 10]).tick_values(low - margin, high + margin)
    return float(ticks[0]), float(ticks[-1])


def _reach(gained) -> int:
    """Return how far the axis of ranks reaches on both sides."""
    return max(int(1.2 * np.nan_to_num(np.abs(gained)).max()) + 1, 4)
