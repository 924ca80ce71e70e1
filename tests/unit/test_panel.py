"""The explorer's panel without a browser: do what its page asks, read what it shows."""

import asyncio
import json
import threading
from io import BytesIO

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from PIL import Image
from pytest import approx

from kitlib.explorer.explorer import SeasonExplorer, number_text, read_number
from kitlib.explorer.panel import ExplorerPanel, explorer_panel
from kitlib.explorer.pictures import NOT_THE_AUDIT, LivePicture
from kitlib.explorer.record import read_records
from kitlib.reports.drawing import BAND, BLUE, INK, MUTED, PLUM
from kitlib.reports.trial_sections import trial_answer
from kitlib.words.findings import KitError

CURVE = "wheat-S1"


def opened(audit, out, curve=CURVE):
    """Return a panel of an audited season that shows one curve."""
    panel = ExplorerPanel(out)
    panel.take(audit)
    panel.act("curve", curve)
    return panel


@pytest.fixture(scope="module")
def shared(audited_demo, tmp_path_factory):
    return opened(audited_demo, tmp_path_factory.mktemp("reports"))


@pytest.fixture
def panel(shared):
    """Return the panel as it stands after a click on reset."""
    shared.act("curve", CURVE)
    shared.act("reset")
    return shared


def figure(panel, case, name):
    return panel.figures.set_index("case").loc[case, name]


def cells(panel, table, head):
    """Return the cells of the row that begins so."""
    [row] = [row for row in panel.view[table]["rows"] if row[0].startswith(head)]
    return row[1:]


# ---- controls and what follows -----------------------------------------------------


def test_the_panel_starts_as_the_audit_advises(panel):
    advice = panel.look.curve.advice
    assert panel.look.choice.offset == approx(advice.offset, abs=1e-12)
    assert panel.view["offset"]["said"].endswith("minus the bias")
    row = cells(panel, "figures", "Bias left")
    assert row[1] == row[2]


def test_moving_the_offset_moves_numbers_words_and_pictures(panel):
    before = panel.errors, panel.offsets, panel.view["figures"]
    panel.act("offset", "-0.6")
    bias = panel.look.curve.audit.bias.value
    assert figure(panel, "what if", "bias") == approx(bias - 0.6)
    assert "−0.60 points were added" in panel.view["said"]
    assert "would be −0.30 in place of +0.30" in panel.view["said"]
    after = panel.errors, panel.offsets, panel.view["figures"]
    assert all(one != other for one, other in zip(before, after, strict=True))


def test_a_step_of_the_slider_is_a_step_of_the_setting(panel):
    at = panel.view["offset"]["at"]
    panel.act("offset_at", at + 1)
    assert panel.look.choice.offset == panel.look.curve.stops[at + 1]
    assert panel.view["offset"]["text"] == "-0.80"


@pytest.mark.parametrize(
    ("typed", "used"), [("15,5", 15.5), ("−0.35", -0.35), (" 2 ", 2.0), (".5", 0.5)]
)
def test_numbers_are_read_as_people_type_them(typed, used):
    assert read_number(typed, -20, 20, "points") == used


@pytest.mark.parametrize("typed", ["abc", "", "1,2,3", "1,234.5", "1_0", "nan", "inf"])
def test_what_is_no_number_is_refused_in_words(typed):
    with pytest.raises(KitError, match="is no number and is not used"):
        read_number(typed, -20, 20, "points")


def test_a_number_that_rounds_to_nothing_has_no_sign():
    assert number_text(-0.00003) == "0.00"


def test_a_number_that_cannot_be_used_is_refused_and_the_old_one_shown(panel):
    before = panel.look
    for action, typed in [
        ("offset", "15,5"),
        ("offset", "abc"),
        ("standard", "155"),
        ("select", "0"),
        ("band_low", "40"),
    ]:
        panel.act(action, typed)
        assert typed in panel.view["status"] and "not used" in panel.view["status"]
        assert panel.look.state == before.state
        assert panel.view["offset"]["text"] == "-0.8948"


def test_a_comma_in_a_box_is_a_decimal_point_and_never_another_number(panel):
    panel.act("standard", "15,5")
    assert panel.view["standard"] == "15.50"
    assert panel.look.standard_pct == 15.5


def test_switching_the_slope_on_takes_the_samples_own_tilt(panel):
    assert not panel.view["slope"]
    panel.act("slope", True)
    line = panel.look.curve.audit.line
    assert panel.look.choice.tilt == approx(line.tilt.value, rel=1e-9)
    assert f"{line.slope.value:.4f} × reading" in panel.view["said"]
    panel.act("tilt", "0.1")
    assert panel.look.choice.tilt == 0.1
    panel.act("slope", False)
    assert panel.look.choice.tilt == 0.0


def test_samples_left_out_change_the_advice(panel):
    first, label = panel.reach["samples"][0]
    errors = np.abs(panel.look.curve.samples.error)
    assert first == np.argmax(errors) and panel.look.curve.names[first] in label
    panel.act("leave_out", [first])
    assert cells(panel, "figures", "Samples")[2] == "39"
    assert "All 40 samples: shift" in panel.view["advice"][0]
    assert "Without 1 sample: shift" in panel.view["advice"][1]


def test_a_click_on_a_sample_leaves_it_out_and_another_counts_it(panel):
    picture, _ = panel._drawn[CURVE]
    wide, high = picture.figure.canvas.get_width_height()
    curve, k = panel.look.curve, int(np.argmin(panel.look.curve.samples.error))
    place = (curve.samples.reference[k], curve.samples.error[k])
    across, up = picture.ax.transData.transform(place)
    for counted in (False, True):
        panel.act("click_errors", [across / wide, 1 - up / high])
        assert panel.look.part.counted[k] == counted
    panel.act("click_errors", [0.01, 0.01])
    assert panel.look.part.counted.all()


def test_a_click_on_the_curves_chooses_the_offset_below_it(panel):
    _, picture = panel._drawn[CURVE]
    wide, _ = picture.figure.canvas.get_width_height()
    across, _ = picture.rmsep.transData.transform((0.3, 0))
    panel.act("click_offsets", [across / wide, 0.5])
    assert panel.look.choice.offset == approx(0.3)


def test_a_band_leaves_out_the_samples_beyond_it(panel):
    panel.act("band_low", "15")
    panel.act("band_high", "17")
    inside = panel.look.curve.samples.reference
    n = int(((inside >= 15) & (inside <= 17)).sum())
    assert panel.look.part.samples.n == n
    assert f"Without {40 - n} samples" in panel.view["advice"][1]


def test_leaving_out_every_sample_is_said_in_words(panel):
    panel.act("leave_out", list(range(40)))
    assert "no sample is left" in panel.view["advice"][1]
    assert cells(panel, "figures", "RMSEP in-sample")[2] == "not known"
    panel.act("slope", True)
    assert np.isfinite(panel.look.choice.tilt)


def test_standard_moisture_changes_yields_and_no_rank(panel):
    before, ranks = panel.look.trial.after, panel.look.trial.ranks.rank_after
    panel.act("standard", "14.5")
    assert panel.look.trial.after == approx(before * (100 - 13.5) / (100 - 14.5))
    assert np.array_equal(panel.look.trial.ranks.rank_after, ranks, equal_nan=True)


@pytest.mark.parametrize(
    ("curve", "name"), [("maize-S2", "maize-03"), ("soybean-S1", "soybean-16")]
)
def test_the_trials_report_counts_the_same_entries(panel, audited_demo, curve, name):
    [_, facts] = trial_answer(audited_demo, audited_demo.trial(name))
    _, counts, besides = facts.facts[-1]
    count, n = counts.split(" of ")
    panel.act("curve", curve)
    panel.act("trial", name)
    said = panel.view["entries"]["caption"]
    assert besides == "besides 3 checks"
    assert f"of {n} entries ({besides}) " in said
    assert f"the same {count} are selected" in said or f"{count} are selected;" in said
    assert f"Ranks of {n} entries" in panel.view["alts"][2]


def test_trials_that_change_stand_first_and_lead_to_their_chart(audited_demo, tmp_path):
    panel = opened(audited_demo, tmp_path, "maize-S1")
    panel.act("offset_at", 0)
    moved = list(panel.look.moves)
    names = [name for name, _ in panel.view["trials"]]
    assert moved and names[: len(moved)] == moved
    entered, left = panel.look.moves[moved[-1]]
    said = dict(panel.view["trials"])[moved[-1]]
    assert all(name in said for name in entered + left)
    before = panel.ranks
    panel.act("trial", names[-1])
    assert panel.look.trial.lines.trial == names[-1] and panel.ranks != before


def test_offsets_of_several_curves_are_chosen_in_one_table(panel):
    panel.act("offset_of", ["wheat-S2", "0.2"])
    [row] = [row for row in panel.view["allCurves"]["rows"] if "wheat-S2" in row[0]]
    assert row[1] == "0.20" and panel.look.curve.audit.curve == CURVE
    panel.act("step", -1)
    other = panel.explorer.curves["wheat-S2"]
    assert panel.explorer.state.choices["wheat-S2"] == other.start


def test_every_curve_can_be_opened(panel):
    for curve, _ in panel.reach["curves"]:
        panel.act("curve", curve)
        assert panel.look.curve.audit.curve == curve and curve in panel.view["said"]


def test_a_curve_that_served_no_plot_shows_no_trial(panel):
    panel.act("curve", "maize-S1-new")
    assert panel.view["trial"] == ""
    assert "served no plot that can be ranked" in panel.view["entries"]["caption"]
    assert cells(panel, "figures", "Newly selected")[2] == "not known"


def test_trials_are_read_once_and_nothing_is_said_of_them_before(
    audited_demo, tmp_path, monkeypatch
):
    asked = []
    serve = SeasonExplorer.serve

    def counting(explorer, crop):
        asked.append(crop)
        return serve(explorer, crop)

    monkeypatch.setattr(SeasonExplorer, "serve", counting)

    async def use():
        panel = ExplorerPanel(tmp_path)
        panel.take(audited_demo)
        assert "are being read" in panel.view["entries"]["caption"]
        for offset in ("0.1", "0.2", "0.3"):
            panel.act("offset", offset)
            await asyncio.sleep(0.01)
        panel.act("curve", CURVE)
        await panel.ready()
        return panel

    panel = asyncio.run(use())
    assert asked == ["maize", "wheat"] and panel.look.trial is not None


def test_what_a_page_sends_from_a_thread_is_done_in_the_notebooks(
    audited_demo, tmp_path
):
    """A page's thread ends with the page, and what was begun there with it."""
    told = []

    async def use():
        panel = ExplorerPanel(tmp_path)
        panel.take(audited_demo)
        panel.run(panel._serve())
        act = panel.act
        panel.act = lambda *asked: (
            told.append(threading.current_thread()),
            act(*asked),
        )
        message = {"do": "offset", "value": "0.1", "page": "p", "number": 1}

        async def page():
            panel._receive(message)

        await asyncio.to_thread(asyncio.run, page())
        await panel.ready()
        return panel

    panel = asyncio.run(use())
    assert set(told) == {threading.main_thread()}
    assert panel.answered == ["p", 1] and panel.look.choice.offset == 0.1


# ---- looks -------------------------------------------------------------------------


def test_panel_and_every_picture_say_that_this_is_not_the_audit(panel):
    assert panel.view["label"] == NOT_THE_AUDIT
    for picture in (*panel._drawn[CURVE], panel._ranks):
        assert NOT_THE_AUDIT in [text.get_text() for text in picture.figure.texts]


def test_pictures_have_few_colours_their_own_ground_and_words(panel):
    for k, name in enumerate(("errors", "offsets", "ranks")):
        with Image.open(BytesIO(getattr(panel, name))) as image:
            assert image.mode == "P"
            corners = image.convert("RGB")
            ends = (0, image.width - 1), (0, image.height - 1)
            found = {corners.getpixel((x, y)) for x in ends[0] for y in ends[1]}
        assert found == {(255, 255, 255)}
        assert len(panel.view["alts"][k]) > 40


@pytest.mark.parametrize("colour", [INK, MUTED, BLUE, PLUM])
@pytest.mark.parametrize("ground", ["white", BAND])
def test_marks_stand_out_from_their_ground(colour, ground):
    """WCAG 2.1, 1.4.11: at least 3 to 1; its formula of contrast (from memory)."""
    light = []
    for each in (colour, ground):
        parts = np.array(to_rgb(each))
        bright = ((parts + 0.055) / 1.055) ** 2.4
        linear = np.where(parts <= 0.04045, parts / 12.92, bright)
        light.append(float(linear @ [0.2126, 0.7152, 0.0722]) + 0.05)
    assert max(light) / min(light) >= 3


def test_a_kept_background_gives_the_picture_drawn_anew(panel, audited_demo, tmp_path):
    for at in (3, 9, 15):
        panel.act("offset_at", at)
    fresh = opened(audited_demo, tmp_path)
    fresh.act("offset_at", 15)
    for name in ("errors", "offsets", "ranks"):
        assert getattr(panel, name) == getattr(fresh, name)


def test_axes_stay_where_they_are_while_the_offset_moves(panel):
    def limits():
        pictures = (*panel._drawn[CURVE], panel._ranks)
        return [(ax.get_xlim(), ax.get_ylim()) for p in pictures for ax in p.axes]

    before = limits()
    for at in range(0, panel.reach["stops"], 5):
        panel.act("offset_at", at)
        assert limits() == before


# ---- the page's line ---------------------------------------------------------------


def test_every_action_is_answered_whatever_came_of_it(panel):
    panel._receive({"do": "offset", "value": "abc", "page": "p", "number": 7})
    assert panel.answered == ["p", 7]
    with pytest.raises(AttributeError):
        panel._receive({"do": "no such", "page": "p", "number": 8})
    assert panel.answered == ["p", 8]


# ---- on record and kept ------------------------------------------------------------


@pytest.fixture
def undrawn(audited_demo, tmp_path, monkeypatch):
    """Return a new panel without its pictures, which take longest and are not asked."""
    monkeypatch.setattr(LivePicture, "show", lambda *_: b"")
    return opened(audited_demo, tmp_path)


def test_what_goes_on_record_is_what_is_shown(undrawn):
    panel = undrawn
    panel.act("offset", "0,35")
    panel.act("record", "=the breeder asked")
    assert panel.view["offset"]["text"] == "0.35"
    row = read_records(panel.home).iloc[-1]
    shown = panel.figures.iloc[-1]
    for name in ("offset", "n", "bias", "bias_low", "rmsep", "rmsep_left_out"):
        assert row[name] == approx(shown[name], rel=1e-15)
    assert row["offset"] == 0.35 and row["reason"] == "'=the breeder asked"


def test_a_double_click_writes_one_row(undrawn):
    panel = undrawn
    for _ in range(2):
        panel.act("record", "twice")
    assert len(read_records(panel.home)) == 1
    assert "on record already" in panel.view["status"]


def test_without_a_reason_nothing_is_put_on_record(undrawn):
    panel = undrawn
    for reason, why in (("  \n ", "is empty"), ("x" * 401, "has 401 letters")):
        panel.act("record", reason)
        assert f"Not put on record: the reason {why}" in panel.view["status"]
    assert read_records(panel.home).empty


def test_records_are_opened_again_compared_and_deleted(undrawn):
    panel = undrawn
    panel.act("offset", "0.2")
    panel.act("record", "first")
    panel.act("curve", "maize-S2")
    panel.act("record", "second")
    panel.act("compare", [1, 2])
    compared = panel.view["compared"]
    assert compared["heads"] == ["Figure", "Record 1", "Record 2"]
    assert compared["rows"][3][:2] == ["Offset chosen (points)", "+0.20"]
    panel.act("open", [1])
    assert panel.look.curve.audit.curve == CURVE and panel.look.choice.offset == 0.2
    panel.act("delete", [1])
    assert [row[0] for row in panel.view["records"]["rows"]] == ["2"]
    assert panel.view["compared"] is None
    panel.act("open", [1])
    assert "0 picked; expected 1" in panel.view["status"]


@pytest.mark.parametrize("edited", ["", "{}", '{"choices": 1}'])
def test_a_record_whose_choices_were_edited_is_not_opened(undrawn, edited):
    panel = undrawn
    panel.act("record", "first")
    path = panel.home / "explore" / "what_if.csv"
    records = pd.read_csv(path, dtype=str)
    records.assign(choices=edited).to_csv(path, index=False)
    before = panel.explorer.state
    panel.act("open", [1])
    assert "Record 1 cannot be opened again" in panel.view["status"]
    assert panel.explorer.state == before


def test_choices_are_kept_for_a_kernel_that_is_started_again(
    undrawn, audited_demo, tmp_path
):
    panel = undrawn
    panel.act("offset", "0.45")
    again = ExplorerPanel(tmp_path)
    again.take(audited_demo)
    assert again.explorer.state == panel.explorer.state
    assert "choices of last time" in again.view["status"]
    again.act("record", "the other curve as the audit has it")
    again.act("offset_of", ["wheat-S2", "0.2"])
    again.act("open", [1])
    other = again.explorer.curves["wheat-S2"]
    assert again.explorer.state.choices["wheat-S2"] == other.start


def test_a_record_names_the_other_curves_of_a_crop_by_another_name(season):
    for name in ("plots.csv", "curves.csv"):
        season.write(name, season.text(name).replace("wheat", "Corn"))
    season.write(
        "plots.csv", season.text("plots.csv").replace("Corn,W,17", "Corn,V,17")
    )
    season.append("curves.csv", "V,Corn,0.0")
    panel = explorer_panel(season.folder, season.folder / "out")
    panel.act("curve", "W")
    panel.act("offset_of", ["V", "0.9"])
    panel.act("record", "both")
    assert read_records(panel.home)["other_curves"].tolist() == ["V +0.90"]


def test_records_lie_where_the_seasons_results_go(season):
    season.replace("season.toml", "Small season", "Hafer & Mähdrescher (Nord)")
    panel = explorer_panel(season.folder, season.folder / "out")
    assert panel.home == season.folder / "out" / "Hafer & Mähdrescher (Nord)"


@pytest.mark.parametrize(
    "state",
    [{"choices": {}}, {"choices": {}, "curve": "W", "hue": 1}, ["W"]],
    ids=["a part missing", "a part too many", "a list"],
)
def test_choices_kept_in_another_form_are_left_aside(season, state):
    panel = explorer_panel(season.folder, season.folder / "out")
    start = panel.explorer.state
    panel.act("offset", "0.45")
    [kept] = panel.home.rglob("choices.json")
    told = json.loads(kept.read_text(encoding="utf-8")) | {"state": state}
    kept.write_text(json.dumps(told), encoding="utf-8")
    again = explorer_panel(season.folder, season.folder / "out")
    assert again.explorer.state == start and again.view["ready"]


# ---- bad input ---------------------------------------------------------------------


def keep_samples(season, n):
    """Leave the first n samples of the small season in its oven table."""
    head, *rows = season.text("oven.csv").splitlines()
    season.write("oven.csv", "\n".join([head, *rows[: 2 * n]]) + "\n")


@pytest.mark.parametrize("n", [2, 1])
def test_a_curve_with_few_samples_shows_what_they_say(season, n):
    keep_samples(season, n)
    panel = explorer_panel(season.folder, season.folder / "out")
    assert cells(panel, "figures", "Samples")[2] == str(n)
    assert cells(panel, "figures", "Trials")[2] == "1"
    assert "all samples are of one trial" in panel.view["figures"]["note"]
    panel.act("record", "few")
    assert "Put on record" in panel.view["status"]


def test_a_curve_without_samples_is_said_in_a_sentence(season):
    keep_samples(season, 0)
    panel = explorer_panel(season.folder, season.folder / "out")
    assert "no sample taken blind to the reading speaks for it" in panel.view["said"]
    assert not panel.view["ready"]


def test_going_from_a_curve_without_samples_to_one_with_and_back(season):
    season.append("curves.csv", "X,wheat,0.0")
    panel = explorer_panel(season.folder, season.folder / "out")
    panel.act("curve", "X")
    assert "Curve X: no sample" in panel.view["said"] and not panel.view["ready"]
    for action, value in (("reset", None), ("record", ""), ("step", -1), ("step", 1)):
        panel.act(action, value)
    panel.act("curve", "W")
    assert panel.view["ready"] and panel.look.curve.audit.curve == "W"


def test_a_season_that_cannot_be_audited_is_a_sentence(season, tmp_path):
    season.write("season.toml", 'name = "Small season"\nconfidence = 95\n')
    panel = explorer_panel(season.folder, tmp_path / "out")
    assert "season.toml" in panel.view["said"] and "confidence" in panel.view["said"]
    panel.act("offset", "0.1")
    assert not panel.view["ready"]


def test_a_season_that_selects_a_number_is_asked_for_a_number(season):
    season.append("season.toml", "selection_count = 1")
    panel = explorer_panel(season.folder, season.folder / "out")
    assert panel.view["selectLabel"] == "Selected, entries"
    panel.act("select", "2")
    assert panel.look.trial.count == 2
    panel.act("select", "1.5")
    assert "expected a whole number" in panel.view["status"]


def test_an_unknown_standard_moisture_leaves_yields_unknown(season):
    for name in ("plots.csv", "curves.csv"):
        season.write(name, season.text(name).replace("wheat", "millet"))
    panel = explorer_panel(season.folder, season.folder / "out")
    assert panel.view["standard"] == ""
    caption = panel.view["entries"]["caption"]
    assert "standard moisture of millet is not known" in caption
    panel.act("offset_at", 1)
    assert cells(panel, "figures", "Newly selected")[2] == "not known"


def test_a_season_of_checks_alone_ranks_no_trial(season):
    season.append("season.toml", 'check_entries = ["E1", "E2"]')
    panel = explorer_panel(season.folder, season.folder / "out")
    assert panel.view["ready"] and panel.view["trial"] == ""
