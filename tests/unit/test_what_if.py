"""What-ifs: identities, the audit's own functions, and brute force, on plain arrays."""

import json
from dataclasses import replace
from math import sqrt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pytest import approx

from kitlib.curves.evidence import Samples, audit_bands
from kitlib.explorer.explorer import Look, SeasonExplorer, only
from kitlib.explorer.what_if import (
    FIGURES,
    MOST_STOPS,
    NEEDS_THREE,
    NO_LINE,
    NO_SAMPLE,
    ONE_TRIAL,
    TrialLines,
    Turn,
    corrected_error,
    crossings,
    newly_selected,
    not_left_out,
    offset_stops,
    outlook,
    own_turn,
    stacked,
    tilt_stops,
    trial_lines,
)
from kitlib.statistics.agreement import agreement
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import Interval
from kitlib.statistics.sums import leave_one_trial_out, trial_sums
from kitlib.trials.means import COMPLETE, entry_means
from kitlib.trials.ranks import rank_changes, selection_count
from kitlib.trials.yields import yield_kg_ha, yield_per_point
from kitlib.words.limits import Tolerance

TOLERANCE = Tolerance(0.05, 0.8, "test", "test")
STOPS = np.round(np.arange(-20, 21) * 0.1, 12)


def samples_of(sensor, reference, trial):
    n = len(sensor)
    return Samples(
        sensor=np.asarray(sensor, float),
        reference=np.asarray(reference, float),
        reference_se=np.full(n, 0.05),
        trial=np.asarray(trial, object),
        sample=np.array([f"s{k}" for k in range(n)], object),
    )


@pytest.fixture
def samples(rng):
    """Six trials of unlike size, bias +0.4, a gain below 1."""
    trial = np.repeat(list("ABCDEF"), [3, 5, 7, 4, 9, 2])
    true = rng.normal(18, 3, trial.size)
    shared = dict(zip("ABCDEF", rng.normal(0, 0.3, 6), strict=True))
    error = 0.4 - 0.1 * (true - 18) + np.array([shared[t] for t in trial])
    return samples_of(true + error + rng.normal(0, 0.4, trial.size), true, trial)


# ---- samples -----------------------------------------------------------------------


def test_the_own_offset_makes_the_bias_zero(samples):
    own = own_turn(samples)
    for tilt in (0.0, own.tilt, 0.3):
        found = outlook(samples, TOLERANCE, Turn([own.offset], tilt, own.pivot))
        assert found.bias[0] == approx(0, abs=1e-12)


def test_rmsep_is_least_at_minus_bias_and_a_hyperbola_about_it(samples):
    # Own arithmetic: RMSEP(b)² = (bias + b)² + SEP² (n − 1) / n.
    plain = agreement(samples.sensor, samples.reference)
    offsets = np.linspace(-2, 2, 4001)
    found = outlook(samples, TOLERANCE, Turn(offsets))
    spread = plain.sep**2 * (plain.n - 1) / plain.n
    assert found.rmsep.to_numpy() ** 2 == approx(
        (plain.bias + offsets) ** 2 + spread, rel=1e-12
    )
    assert offsets[np.argmin(found.rmsep)] == approx(-plain.bias, abs=0.0005)
    at_least = outlook(samples, TOLERANCE, Turn([-plain.bias])).rmsep[0]
    assert at_least == approx(sqrt(spread), rel=1e-12)
    assert (found.rmsep >= at_least).all()


def test_the_grid_is_what_the_audits_functions_say_stop_by_stop(samples):
    found = outlook(samples, TOLERANCE, Turn(STOPS))
    for k, offset in enumerate(STOPS):
        moved = replace(samples, sensor=samples.sensor + offset)
        plain = agreement(moved.sensor, moved.reference)
        bands = audit_bands(moved, TOLERANCE, 0.95)
        within = np.average(bands["share_within"], weights=bands["n"])
        assert found.bias[k] == approx(plain.bias, abs=1e-12)
        assert found.rmsep[k] == approx(plain.rmsep, rel=1e-12)
        assert found.share_within[k] == approx(within, abs=1e-12)


def test_a_tilt_is_a_line_about_its_pivot(samples):
    own = own_turn(samples)
    line = -0.2 + own.pivot + 1.05 * (samples.sensor - own.pivot)
    error = corrected_error(samples, Turn([-0.2], 0.05, own.pivot))[0]
    assert error == approx(line - samples.reference, abs=1e-12)


def test_trials_left_out_agree_with_the_audit_at_both_ends(samples):
    sums = trial_sums(samples.sensor, samples.reference, samples.trial)
    after, own = leave_one_trial_out(sums), own_turn(samples)
    by_offset = outlook(samples, TOLERANCE, Turn([0.0, own.offset]))
    by_line = outlook(samples, TOLERANCE, Turn([own.offset], own.tilt, own.pivot))
    expected = [after.rmsep_none, after.rmsep_offset]
    assert by_offset.rmsep_left_out.tolist() == approx(expected, rel=1e-12)
    assert by_line.rmsep_left_out[0] == approx(after.rmsep_line, rel=1e-9)


@pytest.mark.parametrize("share", [0.5, 1.0, 1.7])
@pytest.mark.parametrize("turned", [0.0, 0.4, 1.0])
def test_trials_left_out_agree_with_a_loop_over_trials(samples, share, turned):
    own = own_turn(samples)
    offset, tilt = share * own.offset, turned * own.tilt
    found = outlook(samples, TOLERANCE, Turn([offset], tilt, own.pivot))
    squares = []
    for trial in np.unique(samples.trial.astype(str)):
        inside = samples.trial == trial
        rest = only(samples, ~inside)
        slope, _ = np.polyfit(rest.sensor, rest.reference, 1)
        follows = min(share, 1.0)
        shift = offset + follows * (-rest.error.mean() - own.offset)
        turn = tilt + turned * (slope - 1 - own.tilt)
        about = own.pivot + turned * (rest.sensor.mean() - own.pivot)
        here = only(samples, inside)
        squares.append((here.error + shift + turn * (here.sensor - about)) ** 2)
    expected = sqrt(np.concatenate(squares).mean())
    assert found.rmsep_left_out[0] == approx(expected, rel=1e-9)


def test_an_offset_against_the_samples_is_not_tuned_to_them(samples):
    away = outlook(samples, TOLERANCE, Turn([0.5 * -own_turn(samples).offset]))
    assert away.rmsep_left_out[0] == approx(away.rmsep[0], rel=1e-12)


def test_trials_left_out_never_flatter_an_offset_that_follows_the_samples(samples):
    found = outlook(
        samples, TOLERANCE, Turn(np.linspace(0, own_turn(samples).offset, 20))
    )
    assert (found.rmsep_left_out >= found.rmsep - 1e-12).all()


def test_the_order_of_samples_never_matters(samples, rng):
    order = rng.permutation(samples.n)
    shuffled = only(samples, order)
    one, other = (
        outlook(s, TOLERANCE, Turn(STOPS, 0.1, 18.0)) for s in (samples, shuffled)
    )
    for name in ("bias", "rmsep", "rmsep_left_out", "share_within"):
        assert one[name].tolist() == approx(other[name].tolist(), rel=1e-10)


def test_no_sample_one_sample_and_one_trial_say_what_is_not_known(samples):
    none = outlook(only(samples, np.zeros(samples.n, bool)), TOLERANCE, Turn(STOPS))
    assert none.n[0] == 0
    assert not_left_out(only(samples, np.zeros(samples.n, bool)), 0.0) == NO_SAMPLE
    assert np.isnan(none.rmsep).all() and np.isnan(none.share_within).all()
    one = outlook(only(samples, np.arange(samples.n) == 0), TOLERANCE, Turn([0.0]))
    assert one.rmsep[0] == approx(abs(samples.error[0]))
    assert np.isnan(one.rmsep_left_out[0])
    of_one = outlook(only(samples, samples.trial == "C"), TOLERANCE, Turn(STOPS))
    assert np.isnan(of_one.rmsep_left_out).all() and np.isfinite(of_one.rmsep).all()
    assert not_left_out(only(samples, samples.trial == "C"), 0.0) == ONE_TRIAL


def test_a_slope_with_two_trials_cannot_be_left_out(samples):
    two = only(samples, np.isin(samples.trial, ["A", "B"]))
    own = own_turn(two)
    assert not_left_out(two, 0.0) == "" and not_left_out(two, own.tilt) == NEEDS_THREE
    turned = outlook(two, TOLERANCE, Turn(STOPS, own.tilt, own.pivot))
    assert np.isnan(turned.rmsep_left_out).all()


def test_a_slope_that_hangs_on_one_trial_cannot_be_left_out():
    flat = samples_of([15, 15, 15, 19], [15.1, 14.9, 15.2, 18], list("ABCD"))
    own = own_turn(flat)
    assert not_left_out(flat, own.tilt) == NO_LINE
    found = outlook(flat, TOLERANCE, Turn([0.0], own.tilt, own.pivot))
    assert np.isnan(found.rmsep_left_out[0])


def test_readings_all_alike_define_no_tilt_and_none_is_followed():
    alike = samples_of([15, 15, 15], [15.1, 14.9, 15.2], list("ABC"))
    assert np.isnan(own_turn(alike).tilt)
    found = outlook(alike, TOLERANCE, Turn([0.0], 0.1, 15.0))
    assert not_left_out(alike, 0.1) == "" and np.isfinite(found.rmsep_left_out).all()


# ---- choices -----------------------------------------------------------------------


@given(
    step=st.floats(0.001, 1.0),
    own=st.floats(-3, 3),
    tolerance=st.floats(0.1, 2),
)
def test_stops_are_whole_steps_and_the_own_offset(step, own, tolerance):
    stops = offset_stops(step, own, tolerance)
    assert own in stops and 0.0 in stops
    assert stops.size <= MOST_STOPS and (np.diff(stops) > 0).all()
    steps = stops[stops != own] / step
    assert steps == approx(np.round(steps), abs=1e-6)
    assert stops[0] <= min(0, own) - 2 * tolerance
    assert stops[-1] >= max(0, own) + 2 * tolerance


@given(own=st.floats(-2, 2))
def test_stops_of_the_tilt_hold_none_and_the_own_one(own):
    stops = tilt_stops(own)
    assert own in stops and 0.0 in stops and (np.diff(stops) > 0).all()


# ---- yields ------------------------------------------------------------------------


@pytest.fixture
def harvest(rng):
    """Return the plots of a trial in complete blocks, two curves, and how to judge."""
    entry = np.tile([f"E{k:02d}" for k in range(12)], 4)
    n = entry.size
    mass = rng.normal(7, 0.2, n)
    reading = rng.normal(20, 2.5, n)
    served = rng.random(n) < 0.6
    other = reading - 0.3
    plots = pd.DataFrame(
        {
            "entry": entry,
            "block": np.repeat(list("1234"), 12),
            "curve": np.where(served, "X", "Y"),
            "sensor": reading,
            "per_point": yield_per_point(mass, 8.0, 15.5),
            "before": yield_kg_ha(mass, 8.0, reading, 15.5),
            "after": yield_kg_ha(mass, 8.0, other, 15.5),
        }
    )

    def direct(offset, tilt, pivot, standard=15.5):
        """Return entry means of yields worked out anew, plot by plot."""
        corrected = reading + offset + tilt * (reading - pivot)
        moisture = np.where(served, corrected, other)
        found = entry_means(
            yield_kg_ha(mass, 8.0, moisture, standard), entry, plots.block
        )
        assert found.design == COMPLETE
        return found.mean

    return plots, direct


@pytest.mark.parametrize("offset", [-1.0, 0.0, 0.37])
@pytest.mark.parametrize("tilt", [0.0, 0.15])
def test_means_as_lines_are_the_means_of_yields_worked_out_anew(harvest, offset, tilt):
    plots, direct = harvest
    lines = trial_lines("T", plots, {"X"})
    found = lines.means({"X": Turn(offset, tilt, 19.0)})
    assert found == approx(direct(offset, tilt, 19.0))
    before = entry_means(plots.before, plots.entry, plots.block).mean
    assert lines.before == approx(before)


def test_two_curves_of_a_trial_are_moved_together(harvest):
    plots, _ = harvest
    turns = {"X": Turn(0.3, 0.1, 19.0), "Y": Turn(-0.2)}
    found = trial_lines("T", plots, {"X", "Y"}).means(turns)
    moved = plots.sensor + 0.3 + 0.1 * (plots.sensor - 19.0)
    moved = np.where(plots.curve == "X", moved, plots.sensor - 0.2)
    changed = plots.before + plots.per_point * (moved - plots.sensor)
    assert found == approx(entry_means(changed, plots.entry, plots.block).mean)


@pytest.mark.parametrize("select", [0.5, 3])
@pytest.mark.parametrize("tilt", [0.0, 0.2])
def test_changed_selections_agree_with_ranking_anew_at_every_offset(
    harvest, select, tilt
):
    plots, direct = harvest
    stacks = stacked([trial_lines("T", plots, {"X"})])
    found = newly_selected(stacks, {"X": Turn(STOPS, tilt, 19.0)}, select)
    before = entry_means(plots.before, plots.entry, plots.block).mean
    count = selection_count(select, before.size)
    brute = [rank_changes(before, direct(b, tilt, 19.0), count) for b in STOPS]
    assert found.tolist() == [int(each.entered.sum()) for each in brute]
    assert len(set(found)) > 1  # there is something to see


def lines_of(before, unmoved, per_point):
    before = np.asarray(before, float)
    return TrialLines(
        trial="T",
        entries=np.array([f"E{k}" for k in range(before.size)]),
        candidate=np.full(before.size, True),
        before=before,
        unmoved=np.asarray(unmoved, float),
        per_point={"X": np.asarray(per_point, float)},
        per_reading={"X": np.zeros(before.size)},
        model="",
        ratio_held=False,
    )


WHOLE = arrays(float, (4, 6), elements=st.integers(0, 5).map(float))


@given(before=WHOLE, unmoved=WHOLE, per_point=WHOLE, count=st.integers(1, 6))
def test_trials_put_together_with_ties_select_as_ranks_do(
    before, unmoved, per_point, count
):
    trials = [
        lines_of(*parts) for parts in zip(before, unmoved, per_point, strict=True)
    ]
    offsets = np.array([-2.0, -1.0, 0.0, 1.0])
    found = newly_selected(stacked(trials), {"X": Turn(offsets)}, count)
    brute = []
    for offset in offsets:
        after = [t.means({"X": Turn(offset)}) for t in trials]
        pairs = zip(trials, after, strict=True)
        ranked = [rank_changes(t.before, means, count) for t, means in pairs]
        brute.append(sum(int(each.entered.sum()) for each in ranked))
    assert found.tolist() == brute


def test_trials_of_unlike_size_are_stacked_apart():
    trials = [lines_of(*[[1, 2, 3]] * 3), lines_of(*[[1, 2]] * 3)]
    trials.append(lines_of(*[[4, 5, 6]] * 3))
    stacks = stacked(trials)
    assert [stack.before.shape for stack in stacks] == [(2, 3), (1, 2)]
    assert newly_selected([], {"X": Turn(STOPS)}, 0.2) == 0


def test_who_crosses_the_line_is_told_by_name():
    lines = lines_of([3, 2, 1], [3, 2, 1], [-3, 0, 0])
    entered, left = crossings(lines, {"X": Turn(np.array([0.0, 0.5]))}, 1)
    assert entered.tolist() == [[False] * 3, [False, True, False]]
    assert left.tolist() == [[False] * 3, [True, False, False]]


def test_a_check_takes_no_place_among_the_selected():
    lines = lines_of([3, 2, 1], [0, 2, 1], [0, 0, 0])
    lines = replace(lines, candidate=np.array([False, True, True]))
    entered, left = crossings(lines, {"X": Turn()}, 1)
    assert not entered.any() and not left.any()


# ---- intervals ---------------------------------------------------------------------


def test_figures_of_one_offset_have_the_intervals_of_the_audit(samples):
    found = outlook(samples, TOLERANCE, Turn([-0.3]), level=0.95)
    error = samples.error - 0.3
    square = clustered_mean(error**2, samples.trial).interval()
    bias = clustered_mean(error, samples.trial).interval()
    assert span_of(found, "bias") == approx(bias)
    assert span_of(found, "rmsep") == approx(np.sqrt(np.clip(square, 0, None)))
    for name in FIGURES:
        low, high = span_of(found, name)
        assert low <= found[name][0] <= high
    low, high = span_of(found, "share_within")
    assert 0 <= low <= high <= 1


def span_of(found, name):
    """Return the interval of a figure of an outlook's first offset."""
    return found[f"{name}_low"][0], found[f"{name}_high"][0]


def test_without_a_change_both_rmseps_have_one_interval(samples, rng):
    # More than ten trials: as text 10 comes before 2.
    many = replace(samples, trial=rng.integers(0, 13, samples.n))
    for each in (samples, many):
        found = outlook(each, TOLERANCE, Turn([0.0]), level=0.95)
        assert span_of(found, "rmsep_left_out") == approx(span_of(found, "rmsep"))


def test_one_trial_and_no_scatter_have_no_interval(samples):
    one = only(samples, samples.trial == "C")
    found = outlook(one, TOLERANCE, Turn([0.0]), level=0.95)
    assert all(np.isnan(span_of(found, name)).all() for name in FIGURES)
    # Three of four samples are within tolerance in either trial.
    alike = samples_of([15, 15, 15, 18] * 2, [15] * 8, list("AAAABBBB"))
    found = outlook(alike, TOLERANCE, Turn([0.0]), level=0.95)
    assert np.isnan(span_of(found, "share_within")).all()


# ---- the demo season ---------------------------------------------------------------


@pytest.fixture(scope="module")
def explorer(audited_demo):
    found = SeasonExplorer(audited_demo)
    for crop in sorted(set(found.options.values())):
        list(found.serve(crop))
    return found


@pytest.fixture(params=["maize-S1", "maize-S2", "wheat-S1", "wheat-S2"])
def name(request, explorer):
    explorer.choose("curve", curve=request.param)
    explorer.reset()
    return request.param


def test_the_audits_own_choice_shows_the_audits_numbers(explorer, name):
    look = Look(explorer)
    audit, advice = look.curve.audit, look.curve.advice
    recorded, shown = look.part.recorded, look.chosen
    assert recorded.bias[0] == approx(audit.bias.value, abs=1e-12)
    assert span_of(recorded, "bias") == approx(audit.bias.interval())
    assert recorded.rmsep[0] == approx(audit.agreement.rmsep)
    assert recorded.rmsep_left_out[0] == approx(advice.rmsep_before)
    assert shown.rmsep_left_out[0] == approx(advice.rmsep_after, rel=1e-9)
    assert look.curve.audited.rmsep_left_out[0] == approx(
        shown.rmsep_left_out[0], rel=1e-9
    )
    assert look.curve.advice_on(look.part.counted) is advice
    assert look.newly == look.audited_newly


def test_the_audits_own_choice_ranks_as_the_audit_does(explorer, name):
    for trial, lines in Look(explorer).trials.items():
        explorer.choose("trial", trial=trial)
        found = explorer.season.trial(trial).consequences
        shown = Look(explorer).trial
        assert shown.before == approx(found.before.mean)
        assert shown.count == found.count
        # Random blocks are weighted by a variance ratio that the audit fits anew.
        if not lines.ratio_held:
            assert shown.after == approx(found.after.mean)
            for side in ("rank_before", "rank_after"):
                audited, seen = getattr(found.ranks, side), getattr(shown.ranks, side)
                assert np.array_equal(seen, audited, equal_nan=True)


def test_a_curve_that_served_no_plot_changes_no_selection(explorer):
    explorer.choose("curve", curve="maize-S1-new")
    look = Look(explorer)
    assert look.trials == {} and look.trial is None
    assert look.changed.tolist() == [0] * look.curve.stops.size
    assert (look.newly, look.moves) == (0, {})


def test_what_is_kept_from_the_last_look_is_what_a_fresh_one_finds(audited_demo):
    used = SeasonExplorer(audited_demo)
    list(used.serve("wheat"))
    steps = [
        {"curve": "wheat-S1"},
        {"offset": float(used.curves["wheat-S1"].stops[4])},
        {"tilt": 0.1, "left_out": frozenset({2, 7})},
        {"curve": "wheat-S2"},
        {"offset": 0.1234, "select": 0.3},
        {"curve": "wheat-S1"},
        {"band": Interval(14, 18), "left_out": frozenset()},
    ]
    for step in steps:
        used.choose(str(step), **step)
        fresh = SeasonExplorer(audited_demo)
        list(fresh.serve("wheat"))
        fresh.history = [used.state]
        one, other = Look(used), Look(fresh)
        for figure in ("bias", "rmsep", "rmsep_left_out", "share_within"):
            found, expected = (getattr(each.grid, figure) for each in (one, other))
            assert found.tolist() == expected.tolist()
            assert one.chosen[figure][0] == other.chosen[figure][0]
        assert one.changed.tolist() == other.changed.tolist()
        assert (one.newly, one.moves) == (other.newly, other.moves)
        assert one.newly_span == other.newly_span


def test_the_entries_named_are_as_many_as_are_counted(explorer):
    explorer.choose("curve", curve="maize-S1")
    explorer.choose("offset", offset=float(explorer.curves["maize-S1"].stops[2]))
    look = Look(explorer)
    assert look.newly == look.changed[2] > 0
    assert look.newly == sum(len(entered) for entered, _ in look.moves.values())
    low, high = look.newly_span
    assert low <= look.newly <= high


# ---- choosing ----------------------------------------------------------------------


@pytest.fixture
def fresh(audited_demo):
    found = SeasonExplorer(audited_demo)
    found.choose("curve", curve="wheat-S1")
    return found


def test_choices_by_curve_survive_switching_and_only_reset_takes_them_back(fresh):
    fresh.choose("offset", offset=0.3)
    fresh.choose("curve", curve="wheat-S2")
    assert fresh.state.choices["wheat-S2"] == fresh.curves["wheat-S2"].start
    fresh.choose("curve", curve="wheat-S1")
    assert fresh.state.choices["wheat-S1"].offset == 0.3
    fresh.reset()
    assert fresh.state.choices == fresh.history[0].choices


def test_what_was_done_is_undone_and_done_again_step_by_step(fresh):
    offsets = [0.1, 0.2, 0.3]
    for offset in offsets:
        fresh.choose("offset", now=10 * offset, offset=offset)
    fresh.step(-1)
    assert fresh.state.choices["wheat-S1"].offset == 0.2
    fresh.step(1)
    assert fresh.state.choices["wheat-S1"].offset == 0.3
    for _ in range(9):
        fresh.step(-1)
    assert fresh.at == 0 < len(fresh.history) - 1
    fresh.choose("tilt", tilt=0.2)  # another way from here: nothing to do again
    assert 0 < fresh.at == len(fresh.history) - 1


def test_a_drag_is_undone_at_once(fresh):
    start = fresh.state.choices["wheat-S1"].offset
    for k in range(30):
        fresh.choose("offset", now=0.05 * k, offset=0.01 * k)
    fresh.step(-1)
    assert fresh.state.choices["wheat-S1"].offset == start


def test_a_state_is_the_same_once_it_was_saved(fresh):
    fresh.choose("samples", left_out=frozenset({3, 5}), tilt=0.05, select=0.3)
    fresh.choose("standard", standard={"wheat": 14.0})
    assert fresh.restored(json.loads(json.dumps(fresh.saved()))) == fresh.state


def test_the_audit_is_never_touched(fresh, audited_demo):
    before = audited_demo.audits["wheat-S1"].samples.sensor.copy()
    fresh.choose("offset", offset=2.0, tilt=0.3)
    Look(fresh)
    assert (audited_demo.audits["wheat-S1"].samples.sensor == before).all()
