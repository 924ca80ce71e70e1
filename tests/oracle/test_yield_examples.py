"""Published worked examples of grain brought to standard moisture."""

import pytest
from pytest import approx

from kitlib.intake.schema import FACTORS
from kitlib.trials.yields import yield_kg_ha, yield_per_point, yield_unit

KG_PER_LB, M2_PER_ACRE = FACTORS["lb"], FACTORS["ac"]
HECTARE = 10_000.0
FOOT_M = 0.3048


def bushels(kg_ha, bushel_lb):
    """Return a yield in trade bushels per acre."""
    return yield_unit("bu/ac", bushel_lb).of(kg_ha)


def at_standard(mass, moisture, standard):
    """Return the mass at standard moisture: the yield of one hectare."""
    return float(yield_kg_ha(mass, HECTARE, moisture, standard))


def test_irri_paddy():
    # IRRI Rice Knowledge Bank: 1000 kg of paddy at 25 % are 872 kg at 14 %.
    assert at_standard(1000, 25, 14) == approx(872, abs=0.5)


def test_ag442_corn():
    # UF/IFAS AG442 (Mulvaney and Devkota 2020): 10,000 lb/ac at 20 % hold 8,000 lb
    # of dry matter; it prints adding 15.5 % of the dry matter (1,240 lb) as the
    # common mistake. Right answer by own arithmetic: 8000 / 0.845.
    right = at_standard(10_000, 20, 15.5)
    assert right == approx(9467.456, abs=0.0005)
    assert right > 8000 + 1240


def test_iowa_state_pm1625_oil_content():
    # ISU Extension PM 1625: 6.0 % oil in corn as it is, at 20 % moisture, is 6.4 %
    # at 15 %, 6.5 % at 13 % and 7.5 % of the dry matter: the oil stays.
    content = [100 * 60 / at_standard(1000, 20, to) for to in (15, 13, 0)]
    assert content == approx([6.4, 6.5, 7.5], abs=0.05)
    assert content == approx([6.375, 6.525, 7.5], abs=0.0005)  # own arithmetic


def test_sdsu_shrink():
    # South Dakota State extension column (2014, 2019): corn from 25 % to 15.5 %
    # shrinks 11.24 %; a 56 lb bushel at 15.5 % is 47.3 lb dry matter and 8.7 water.
    assert 100 - at_standard(100, 25, 15.5) == approx(11.24, abs=0.005)
    dry = at_standard(56, 15.5, 0)
    assert (dry, 56 - dry) == approx((47.3, 8.7), abs=0.05)


@pytest.mark.parametrize(
    ("final", "printed"),
    [(15.5, 1.18), (15, 1.18), (14, 1.16), (13, 1.15), (12, 1.14), (10, 1.11)],
)
def test_sdsu_shrink_factors(final, printed):
    # Same columns: shrink per point removed, by final moisture.
    points = 5
    shrink = 100 - at_standard(100, final + points, final)
    assert shrink / points == approx(printed, abs=0.005)


def test_sdsu_shrink_factor_at_11_is_a_slip():
    # The source prints 1.13 for 11 %; 100/89 is 1.1236, which rounds to 1.12.
    assert (100 - at_standard(100, 16, 11)) / 5 == approx(1.1236, abs=0.00005)


def test_meyer_bushels_per_acre():
    # Colorado extension column (Meyer, 18 October 2012): harvested acres =
    # length_ft × width_ft / 43,560; yield at 15.5 % = (lb / 56) / acres ×
    # (100 − moisture) / 84.5. The plot is own arithmetic with that formula.
    acres = 500 * 20 / 43_560
    by_formula = 2520 / 56 / acres * (100 - 19) / 84.5
    area = 500 * 20 * FOOT_M**2
    ours = bushels(yield_kg_ha(2520 * KG_PER_LB, area, 19, 15.5), 56)
    assert by_formula == approx(187.9008, abs=0.00005)
    assert float(ours) == approx(by_formula, rel=1e-12)
    assert approx(M2_PER_ACRE, rel=1e-14) == 43_560 * FOOT_M**2


def test_small_plot():
    # Own arithmetic: 6.250 kg at 21.3 % from 5.3 m × 1.5 m, maize at 15.5 %.
    found = yield_kg_ha(6.250, 5.3 * 1.5, 21.3, 15.5)
    assert float(found) == approx(7322.020, abs=0.0005)
    assert float(bushels(found, 56)) == approx(116.6527, abs=0.00005)


@pytest.mark.parametrize(
    ("bias", "true", "percent"),
    [(0.5, 15.5, -0.5917), (0.5, 20.0, -0.6250), (1.0, 25.0, -1.3333)],
)
def test_relative_yield_error_of_a_moisture_bias(bias, true, percent):
    # Own arithmetic: −bias / (100 − M), bias = reading − true moisture.
    right, wrong = yield_kg_ha(7.0, 8.0, [true, true + bias], 15.5)
    assert 100 * (wrong / right - 1) == approx(percent, abs=0.00005)
    assert bias * yield_per_point(7.0, 8.0, 15.5) == approx(wrong - right, rel=1e-9)


def test_purdue_dry_matter():
    # Purdue (Nielsen, September 2020): grain at 20 % is 80 % dry matter, brought to
    # 15 % by dividing through 85 %.
    assert at_standard(1000, 20, 15) == approx(1000 * 0.80 / 0.85, rel=1e-14)


@pytest.mark.parametrize(
    ("bushel_lb", "kg_ha", "bu_t"),
    [
        (56, 62.76766, 39.36826),
        (60, 67.25107, 36.74371),
        (48, 53.80086, 45.92964),
        (32, 35.86724, 68.89446),
        (50, 56.04256, None),
    ],
)
def test_bushels_per_acre(bushel_lb, kg_ha, bu_t):
    # Own arithmetic: 1 bu/ac in kg/ha, and bushels in a tonne.
    assert yield_unit("bu/ac", bushel_lb).kg_ha == approx(kg_ha, abs=0.000005)
    if bu_t is not None:
        in_a_tonne = bushels(1000, bushel_lb) * HECTARE / M2_PER_ACRE
        assert in_a_tonne == approx(bu_t, abs=0.000005)
