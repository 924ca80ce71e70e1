"""Changes of one trial's cells: what one operator, one day or one export does."""

from datetime import datetime, timedelta

from faults.mutations import UNSEEN, CannotBeDone, Change, at, kind, pick


def _of_one_trial(name, columns, become, expected="harmful"):
    """Register a change of all cells of one trial in one of some columns."""

    def make(files, rng):
        table, column = pick(rng, columns)
        trials = files.cells(table, "trial")
        cells = files.cells(table, column)
        trial = pick(rng, sorted({trials[row] for row in cells if row in trials}))
        own = {row: text for row, text in cells.items() if trials.get(row) == trial}
        changed = become(own)
        if changed == own or len(own) < 2:
            raise CannotBeDone(column)
        files.set(table, column, changed)
        return Change(f"{table}.{column} of {trial}", table, at(table, own))

    kind(f"of one trial, {name}", expected)(make)


def _each(become):
    """Return a change of all cells that changes each by itself."""
    return lambda own: {row: become(text) for row, text in own.items()}


def _times(factor, more=0.0):
    """Return a change of all cells by a factor and an amount."""
    return _each(lambda text: repr(round(float(text) * factor + more, 6)))


def _moved(own):
    """Return the cells moved down a row."""
    texts = list(own.values())
    return dict(zip(own, [texts[-1], *texts[:-1]], strict=True))


def _later(days):
    """Return a change of all times by so many days."""
    more = timedelta(days=days)
    return _each(lambda text: (datetime.fromisoformat(text) + more).isoformat())


READING, MASS = [("plots", "sensor_pct")], [("plots", "plot_mass_kg")]
WEIGHTS = [("plots", "test_weight_kg_hl")]
TARES, DISHES = [("oven", "tare_g")], [("oven", "wet_g"), ("oven", "dry_g")]
BENCH = [("benchtop", "moisture_pct")]

_of_one_trial("readings as fractions", READING, _times(0.01))
_of_one_trial("readings a tenth", READING, _times(0.1))
_of_one_trial("readings tenfold", READING, _times(10))
# Told only where the trial's own samples, or the curve's others, are enough for it.
_of_one_trial("readings 6 points up", READING, _times(1, 6), UNSEEN)
_of_one_trial("readings all alike", READING, lambda own: dict.fromkeys(own, "17.5"))
_of_one_trial("readings moved down a row", READING, _moved)
_of_one_trial("masses in g", MASS, _times(1000))
_of_one_trial("masses tenfold", MASS, _times(10))
_of_one_trial("masses all alike", MASS, lambda own: dict.fromkeys(own, "8.25"))
_of_one_trial("areas a tenth", [("plots", "plot_area_m2")], _times(0.1))
_of_one_trial("areas in square feet", [("plots", "plot_area_m2")], _times(10.7639))
_of_one_trial("test weights in lb/bu", WEIGHTS, _times(1 / 1.28719))
_of_one_trial("test weights in g/l", WEIGHTS, _times(10))
_of_one_trial("temperatures in °F", [("plots", "grain_temp_c")], _times(1.8, 32))
_of_one_trial("tares 0", TARES, _times(0))
_of_one_trial("tares forgotten", TARES, _each(lambda text: ""))
_of_one_trial("a dish weight in mg", DISHES, _times(1000))
_of_one_trial("a dish weight tenfold", DISHES, _times(10))
_of_one_trial("dry weights moved down a row", [("oven", "dry_g")], _moved)
_of_one_trial("benchtop moistures as fractions", BENCH, _times(0.01))
_of_one_trial("benchtop moistures tenfold", BENCH, _times(10))
_of_one_trial("harvest a year early", [("plots", "harvested_at")], _later(-365))
_of_one_trial("weighed a month late", [("oven", "weighed_at")], _later(30))
