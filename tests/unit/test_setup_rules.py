"""The rules of set-up practice: complete, sourced, and each with its own finding."""

from kitlib.review.setup import OWN_CHOICE, SETUP_RULES
from kitlib.words.findings import KINDS


def test_every_rule_says_what_it_asks_why_and_where_it_comes_from():
    for rule in SETUP_RULES.values():
        assert rule.asks and rule.why
        assert rule.source.startswith("common practice, no source")


def test_every_rule_has_a_finding_of_its_own():
    assert set(SETUP_RULES) <= set(KINDS)


def test_numbers_of_practice():
    # Common practice, no source: two samples, 3 points and 10 preferred, two runs and
    # three preferred, 6 lb of grain. What "near" means is said to be our own choice.
    numbers = {code: (r.at_least, r.preferred) for code, r in SETUP_RULES.items()}
    assert numbers["setup-samples"][0] == 2
    assert numbers["setup-span"] == (3, 10)
    assert numbers["setup-runs"] == (2, 3)
    assert numbers["setup-mass"][0] == 2.7
    assert round(6 * 0.45359237, 1) == 2.7
    for code in ("setup-first-sample", "setup-temperature"):
        assert OWN_CHOICE in SETUP_RULES[code].source
