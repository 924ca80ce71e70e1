"""What-ifs: identities, the audit's own functions, and brute force, on plain arrays."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pytest import approx

from kitlib.curves.evidence import Samples, audit_bands
from kitlib.explorer.entry_lines import EntryLines, PlotYields, TrialLines, trial_lines
from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.what_if import (
    NEEDS_THREE,
    NO_LINE,
    NO_SAMPLE,
    ONE_TRIAL,
    corrected_error,
    outlook,
)
from kitlib.explorer.what_if_choices import (
    MOST_STOPS,
    flag_counted,
    offset_stops,
    only,
    own_line,
    tilt_stops,
)
from kitlib.explorer.what_if_yields import (
    changed_selections,
    stacked,
    standard_scale,
    trial_outlook,
)
from kitlib.season.season import audit_season
from kitlib.statistics.agreement import agreement
from kitlib.statistics.left_out import leave_one_trial_out
from kitlib.statistics.sums import trial_sums
from kitlib.trials.designs import COMPLETE, entry_means
from kitlib.trials.ranks import rank_changes, selection_count
from kitlib.trials.yields import yield_kg_ha, yield_per_point
from kitlib.words.estimates import Interval
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
    own = own_line(samples)
    for tilt in (0.0, own.tilt, 0.3):
        found = outlook(samples, TOLERANCE, [own.offset], tilt, own.pivot)
        assert found.bias[0] == approx(0, abs=1e-12)


def test_rmsep_is_least_at_minus_bias_and_a_hyperbola_about_it(samples):
    # Own arithmetic: RMSEP(b)² = (bias + b)² + SEP² (n − 1) / n.
    plain = agreement(samples.sensor, samples.reference)
    offsets = np.linspace(-2, 2, 4001)
    found = outlook(samples, TOLERANCE, offsets)
    spread = plain.sep**2 * (plain.n - 1) / plain.n
    assert found.rmsep**2 == approx((plain.bias + offsets) ** 2 + spread, rel=1e-12)
    assert offsets[np.argmin(found.rmsep)] == approx(-plain.bias, abs=0.0005)
    at_least = outlook(samples, TOLERANCE, [-plain.bias]).rmsep[0]
    assert at_least == approx(sqrt(spread), rel=1e-12)
    assert (found.rmsep >= at_least).all()


def test_the_grid_is_what_the_audits_functions_say_stop_by_stop(samples):
    found = outlook(samples, TOLERANCE, STOPS)
    for k, offset in enumerate(STOPS):
        moved = replace(samples, sensor=samples.sensor + offset)
        plain = agreement(moved.sensor, moved.reference)
        bands = audit_bands(moved, TOLERANCE, 0.95)
        within = np.average(bands["share_within"], weights=bands["n"])
        assert found.bias[k] == approx(plain.bias, abs=1e-12)
        assert found.rmsep[k] == approx(plain.rmsep, rel=1e-12)
        assert found.share_within[k] == approx(within, abs=1e-12)


def test_a_tilt_is_a_line_about_its_pivot(samples):
    own = own_line(samples)
    line = -0.2 + own.pivot + 1.05 * (samples.sensor - own.pivot)
    error = corrected_error(samples, [-0.2], 0.05, own.pivot)[0]
    assert error == approx(line - samples.reference, abs=1e-12)


def test_trials_left_out_agree_with_the_audit_at_both_ends(samples):
    sums = trial_sums(samples.sensor, samples.reference, samples.trial)
    after, own = leave_one_trial_out(sums), own_line(samples)
    by_offset = outlook(samples, TOLERANCE, [0.0, own.offset])
    by_line = outlook(samples, TOLERANCE, [own.offset], own.tilt, own.pivot)
    expected = [after.rmsep_none, after.rmsep_offset]
    assert by_offset.rmsep_left_out == approx(expected, rel=1e-12)
    assert by_line.rmsep_left_out[0] == approx(after.rmsep_line, rel=1e-9)


@pytest.mark.parametrize("share", [0.5, 1.0, 1.7])
@pytest.mark.parametrize("turned", [0.0, 0.4, 1.0])
def test_trials_left_out_agree_with_a_loop_over_trials(samples, share, turned):
    own = own_line(samples)
    offset, tilt = share * own.offset, turned * own.tilt
    found = outlook(samples, TOLERANCE, [offset], tilt, own.pivot)
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
    away = outlook(samples, TOLERANCE, [0.5 * -own_line(samples).offset])
    assert away.rmsep_left_out == approx(away.rmsep, rel=1e-12)


def test_trials_left_out_never_flatter_an_offset_that_follows_the_samples(samples):
    found = outlook(samples, TOLERANCE, np.linspace(0, own_line(samples).offset, 20))
    assert (found.rmsep_left_out >= found.rmsep - 1e-12).all()


def test_the_order_of_samples_never_matters(samples, rng):
    order = rng.permutation(samples.n)
    shuffled = only(samples, order)
    one, other = (outlook(s, TOLERANCE, STOPS, 0.1, 18.0) for s in (samples, shuffled))
    for name in ("bias", "rmsep", "rmsep_left_out", "share_within"):
        assert getattr(one, name) == approx(getattr(other, name), rel=1e-10)


def test_no_sample_one_sample_and_one_trial_say_what_is_not_known(samples):
    none = outlook(only(samples, np.zeros(samples.n, bool)), TOLERANCE, STOPS)
    assert (none.n, none.remark) == (0, NO_SAMPLE)
    assert np.isnan(none.rmsep).all() and np.isnan(none.share_within).all()
    one = outlook(only(samples, np.arange(samples.n) == 0), TOLERANCE, [0.0])
    assert one.rmsep[0] == approx(abs(samples.error[0]))
    assert one.remark == ONE_TRIAL and np.isnan(one.rmsep_left_out[0])
    of_one = outlook(only(samples, samples.trial == "C"), TOLERANCE, STOPS)
    assert of_one.remark == ONE_TRIAL and np.isfinite(of_one.rmsep).all()


def test_a_slope_with_two_trials_cannot_be_left_out(samples):
    two = only(samples, np.isin(samples.trial, ["A", "B"]))
    own = own_line(two)
    assert outlook(two, TOLERANCE, STOPS).remark == ""
    turned = outlook(two, TOLERANCE, STOPS, own.tilt, own.pivot)
    assert turned.remark == NEEDS_THREE and np.isnan(turned.rmsep_left_out).all()


def test_a_slope_that_hangs_on_one_trial_cannot_be_left_out():
    flat = samples_of([15, 15, 15, 19], [15.1, 14.9, 15.2, 18], list("ABCD"))
    own = own_line(flat)
    found = outlook(flat, TOLERANCE, [0.0], own.tilt, own.pivot)
    assert found.remark == NO_LINE


def test_readings_all_alike_define_no_tilt_and_none_is_followed():
    alike = samples_of([15, 15, 15], [15.1, 14.9, 15.2], list("ABC"))
    assert np.isnan(own_line(alike).tilt)
    found = outlook(alike, TOLERANCE, [0.0], 0.1, 15.0)
    assert found.remark == "" and np.isfinite(found.rmsep_left_out).all()


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


def test_leaving_out_nothing_counts_everything(samples):
    band = Interval(samples.reference.min(), samples.reference.max())
    assert flag_counted(samples.reference, band, frozenset()).all()


def test_a_band_and_picked_samples_are_left_out_together(samples):
    counted = flag_counted(samples.reference, Interval(17, 19), {0, 5})
    inside = (samples.reference >= 17) & (samples.reference <= 19)
    inside[[0, 5]] = False
    assert counted.tolist() == inside.tolist()


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
    plots = PlotYields(
        entry=entry,
        block=np.repeat(list("1234"), 12),
        served=served,
        reading=reading,
        per_point=yield_per_point(mass, 8.0, 15.5),
        before=yield_kg_ha(mass, 8.0, reading, 15.5),
        after=yield_kg_ha(mass, 8.0, other, 15.5),
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
    lines = trial_lines("T", plots)
    assert lines.means(offset, tilt, 19.0) == approx(direct(offset, tilt, 19.0))
    assert lines.before == approx(
        entry_means(plots.before, plots.entry, plots.block).mean
    )


def test_another_standard_moisture_scales_yields_and_moves_no_rank(harvest):
    plots, direct = harvest
    lines = trial_lines("T", plots)
    scale = standard_scale(15.5, 14.0)
    found = trial_outlook(lines, 0.4, 0.0, 0.0, select=0.25, scale=scale)
    plain = trial_outlook(lines, 0.4, 0.0, 0.0, select=0.25)
    assert found.after == approx(direct(0.4, 0.0, 0.0, standard=14.0))
    assert found.ranks.rank_after.tolist() == plain.ranks.rank_after.tolist()


@pytest.mark.parametrize("select", [0.5, 3])
@pytest.mark.parametrize("tilt", [0.0, 0.2])
def test_changed_selections_agree_with_ranking_anew_at_every_offset(
    harvest, select, tilt
):
    plots, direct = harvest
    lines = trial_lines("T", plots)
    found = changed_selections([lines], STOPS, tilt, 19.0, select=select)
    before = entry_means(plots.before, plots.entry, plots.block).mean
    count = selection_count(select, before.size)
    brute = [rank_changes(before, direct(b, tilt, 19.0), count) for b in STOPS]
    assert found.tolist() == [int(each.entered.sum()) for each in brute]
    assert len(set(found)) > 1  # there is something to see


def lines_of(before, unmoved, per_point):
    return TrialLines(
        trial="T",
        entries=np.array([f"E{k}" for k in range(len(before))]),
        candidate=np.full(len(before), True),
        moisture=np.zeros(len(before)),
        before=np.asarray(before, float),
        unmoved=np.asarray(unmoved, float),
        per_point=np.asarray(per_point, float),
        per_reading=np.zeros(len(before)),
        model="",
        shared=False,
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
    found = changed_selections(stacked(trials), offsets, select=count)
    brute = [
        sum(
            int(rank_changes(t.before, t.means(offset), count).entered.sum())
            for t in trials
        )
        for offset in offsets
    ]
    assert found.tolist() == brute


def test_trials_of_unlike_size_are_stacked_apart():
    trials = [lines_of(*[[1, 2, 3]] * 3), lines_of(*[[1, 2]] * 3)]
    trials.append(lines_of(*[[4, 5, 6]] * 3))
    stacks = stacked(trials)
    assert [stack.before.shape for stack in stacks] == [(2, 3), (1, 2)]
    assert all(type(stack) is EntryLines for stack in stacks)
    assert changed_selections([], STOPS, select=0.2).tolist() == [0] * STOPS.size


# ---- the demo season ---------------------------------------------------------------


@pytest.fixture(scope="module", params=["maize-S1", "maize-S2", "wheat-S1", "wheat-S2"])
def explorer(request, audited_demo):
    return CurveExplorer(audited_demo, request.param)


def test_the_audits_own_choice_shows_the_audits_numbers(explorer):
    look, audit = explorer.look(explorer.start()), explorer.audit
    assert look.recorded.bias[0] == approx(audit.bias.value, abs=1e-12)
    assert look.recorded.rmsep[0] == approx(audit.agreement.rmsep)
    assert look.recorded.rmsep_left_out[0] == approx(explorer.advice.rmsep_before)
    shown = look.outlook.rmsep_left_out[look.at]
    assert shown == approx(explorer.advice.rmsep_after, rel=1e-9)
    assert explorer.audited.rmsep_left_out[0] == approx(shown, rel=1e-9)
    assert explorer.advice_on(look.counted) is explorer.advice
    assert look.samples is explorer.samples


def test_the_audits_own_choice_ranks_as_the_audit_does(explorer):
    start = explorer.start()
    for name, lines in explorer.trials.items():
        found = explorer.season.trial(name).consequences
        shown = explorer.look(replace(start, trial=name)).trial
        assert shown.before == approx(found.before.mean)
        assert shown.count == found.count
        # Random blocks are weighted by a variance ratio that the audit fits anew.
        if not lines.ratio_held:
            assert shown.after == approx(found.after.mean)
            for side in ("rank_before", "rank_after"):
                audited = getattr(found.ranks, side)
                assert getattr(shown.ranks, side) == approx(audited, nan_ok=True)


def test_a_curve_that_served_no_plot_changes_no_selection(audited_demo):
    parallel = CurveExplorer(audited_demo, "maize-S1-new")
    look = parallel.look(parallel.start())
    assert parallel.trials == {} and look.trial is None
    assert look.changed.tolist() == [0] * parallel.stops.size


def test_what_is_kept_from_the_last_look_is_what_a_fresh_one_finds(audited_demo):
    used = CurveExplorer(audited_demo, "wheat-S1")
    start = used.start()
    choices = [
        replace(start, offset=float(used.stops[4])),
        replace(start, tilt=0.1, left_out=frozenset({2, 7})),
        replace(start, band=Interval(14, 18), select=0.4),
        replace(start, tilt=0.1, trial="wheat-11", standard_pct=14.0),
        start,
    ]
    for choice in choices:
        one = used.look(choice)
        other = CurveExplorer(audited_demo, "wheat-S1").look(choice)
        for name in ("bias", "rmsep", "rmsep_left_out", "share_within"):
            found, expected = getattr(one.outlook, name), getattr(other.outlook, name)
            assert found.tolist() == expected.tolist()
        assert one.changed.tolist() == other.changed.tolist()
        assert one.trial.after.tolist() == other.trial.after.tolist()


def test_an_offset_between_the_stops_is_refused(audited_demo):
    explorer = CurveExplorer(audited_demo, "wheat-S1")
    choice = replace(explorer.start(), offset=0.123)
    with pytest.raises(ValueError, match=r"offset is 0\.123; expected one of stops"):
        explorer.look(choice)


def test_advice_without_samples_is_that_of_a_season_where_they_are_set_apart(
    demo, audited_demo, tmp_path
):
    """The folder is audited from its tables, the samples marked as suspicious."""
    explorer = CurveExplorer(audited_demo, "wheat-S1")
    picked = (0, 6, 11)
    names = explorer.samples.sample[list(picked)].tolist()
    for path in demo.iterdir():
        text = path.read_text(encoding="utf-8")
        if path.name == "oven.csv":
            rows = text.splitlines()
            at = rows[0].split(",").index("selection_reason")
            rows = [row.split(",") for row in rows]
            for row in rows:
                row[at] = "suspicious" if row[0] in names else row[at]
            text = "\n".join(",".join(row) for row in rows) + "\n"
        (tmp_path / path.name).write_text(text, encoding="utf-8")
    expected = audit_season(tmp_path).advice["wheat-S1"]
    look = explorer.look(replace(explorer.start(), left_out=frozenset(picked)))
    found = explorer.advice_on(look.counted)
    assert found.reason == expected.reason and found.action == expected.action
    assert found.offset == approx(expected.offset, abs=1e-12)
    assert found.offset != explorer.advice.offset
    assert look.own.offset == approx(expected.offset, abs=1e-12)


def test_advice_on_no_sample_is_none(audited_demo):
    explorer = CurveExplorer(audited_demo, "wheat-S1")
    everyone = frozenset(range(explorer.samples.n))
    look = explorer.look(replace(explorer.start(), left_out=everyone))
    assert look.samples.n == 0 and look.outlook.remark == NO_SAMPLE
    assert explorer.advice_on(look.counted) is None
