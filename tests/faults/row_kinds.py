"""Changes of rows, columns and headers, and contradictions between rows."""

from faults.mutations import (
    HARMLESS,
    UNSEEN,
    CannotBeDone,
    Change,
    at,
    kind,
    pick,
    places_of_key,
    samples_of,
)

TABLES = ("plots", "oven", "benchtop", "curves", "readings", "setup_runs", "check_runs")


def _row(files, rng, table):
    """Return the rows of a table and the spreadsheet row of one."""
    rows = files.rows(table)
    return rows, int(rng.integers(2, len(rows) + 1))


@kind("a row twice")
def _(files, rng):
    table = pick(rng, TABLES)
    rows, row = _row(files, rng, table)
    rows.insert(row, list(rows[row - 1]))
    files.put(table, rows)
    return Change(f"row {row} twice", table, at(table, [row, row + 1]))


@kind("a row twice, with another value")
def _(files, rng):
    table, column = pick(
        rng,
        [
            ("plots", "sensor_pct"),
            ("oven", "dry_g"),
            ("benchtop", "moisture_pct"),
            ("readings", "sensor_pct"),
            ("curves", "offset_loaded"),
            ("check_runs", "sensor_pct"),
        ],
    )
    row, value = pick(rng, files.cells(table, column).items())
    rows = files.rows(table)
    rows.insert(row, list(rows[row - 1]))
    decimals = len(value.partition(".")[2])
    rows[row][files.column(table, column)] = f"{float(value) + 0.1:.{decimals}f}"
    files.put(table, rows)
    return Change(
        f"row {row} again, another {column}", table, at(table, [row, row + 1])
    )


@kind("a row's cells moved one to the right")
def _(files, rng):
    table = pick(rng, TABLES)
    rows, row = _row(files, rng, table)
    where = int(rng.integers(0, 3))
    cells = rows[row - 1]
    rows[row - 1] = [*cells[:where], "", *cells[where:-1]]
    files.put(table, rows)
    return Change(f"row {row} moved from cell {where + 1}", table, at(table, [row]))


@kind("a cell too many or too few")
def _(files, rng):
    table = pick(rng, TABLES)
    rows, row = _row(files, rng, table)
    more = bool(rng.integers(2))
    rows[row - 1] = [*rows[row - 1], "x"] if more else rows[row - 1][:-1]
    files.put(table, rows)
    return Change(
        f"row {row} {'longer' if more else 'shorter'}", table, at(table, [row])
    )


@kind("a column moved down from some row on")
def _(files, rng):
    table, column = pick(
        rng,
        [
            ("plots", "sensor_pct"),
            ("plots", "plot_mass_kg"),
            ("plots", "entry"),
            ("plots", "plot"),
            ("oven", "dry_g"),
            ("oven", "sample"),
            ("benchtop", "moisture_pct"),
            ("setup_runs", "known_pct"),
        ],
    )
    place, (rows, row) = files.column(table, column), _row(files, rng, table)
    down = [r[place] for r in rows]
    down.insert(row - 1, "")
    rows.append([""] * len(rows[0]))
    for cells, value in zip(rows, down, strict=True):
        cells[place] = value
    files.put(table, rows)
    return Change(
        f"{column} moved down from row {row}", table, at(table, [row, len(rows)])
    )


@kind("all readings moved down a row, the last one lost")
def _(files, rng):
    place, rows = files.column("plots", "sensor_pct"), files.rows("plots")
    values = [r[place] for r in rows[1:]]
    shift = int(rng.choice([-1, 1]))
    for cells, value in zip(rows[1:], values[-shift:] + values[:-shift], strict=True):
        cells[place] = value
    files.put("plots", rows)
    return Change(f"sensor_pct moved by {shift} row", "plots")


@kind("the row of a sampled plot lost")
def _(files, rng):
    sample = pick(rng, samples_of(files).values())
    row = sample["plot_row"]
    places = places_of_key(files, *sample["key"])
    rows = files.rows("plots")
    del rows[row - 1]
    files.put("plots", rows)
    return Change(f"row {row} of plots lost", "plots", places)


@kind("the row of a plot lost that no other table names", UNSEEN)
def _(files, rng):
    rows, row = _row(files, rng, "plots")
    if len(places_of_key(files, *rows[row - 1][:2])) > 1:
        raise CannotBeDone("named elsewhere")
    del rows[row - 1]
    files.put("plots", rows)
    return Change(f"row {row} of plots lost", "plots")


@kind("a required header renamed")
def _(files, rng):
    table, column = pick(
        rng,
        [
            ("plots", "sensor_pct"),
            ("plots", "plot"),
            ("oven", "method"),
            ("benchtop", "moisture_pct"),
            ("curves", "offset_loaded"),
            ("check_runs", "run_at"),
            ("readings", "curve"),
            ("setup_runs", "known_pct"),
        ],
    )
    rows = files.rows(table)
    rows[0][files.column(table, column)] = pick(rng, ["Moist", "X1", column + " "])
    files.put(table, rows)
    return Change(f"header {column} renamed", table)


@kind("an optional header renamed")
def _(files, rng):
    table, column = pick(
        rng,
        [
            ("plots", "block"),
            ("plots", "offset_in_force"),
            ("plots", "harvested_at"),
            ("oven", "dry_g"),
            ("oven", "dish"),
            ("oven", "selection_reason"),
            ("curves", "built_on"),
            ("setup_runs", "water_added"),
        ],
    )
    rows = files.rows(table)
    rows[0][files.column(table, column)] = pick(rng, ["Anything", column.upper() + "2"])
    files.put(table, rows)
    return Change(f"header {column} renamed", table)


@kind("two headers exchanged")
def _(files, rng):
    table, one, other = pick(
        rng,
        [
            ("oven", "wet_g", "dry_g"),
            ("oven", "tare_g", "wet_g"),
            ("oven", "sample", "trial"),
            ("plots", "sensor_pct", "test_weight_kg_hl"),
            ("plots", "plot_mass_kg", "plot_area_m2"),
            ("plots", "trial", "entry"),
            ("plots", "entry", "crop"),
            ("benchtop", "moisture_pct", "test_weight_kg_hl"),
            ("oven", "sampled_at", "weighed_at"),
        ],
    )
    rows = files.rows(table)
    i, j = files.column(table, one), files.column(table, other)
    rows[0][i], rows[0][j] = rows[0][j], rows[0][i]
    files.put(table, rows)
    return Change(f"headers {one} and {other} exchanged", table)


@kind("columns in another order", HARMLESS)
def _(files, rng):
    table = pick(rng, TABLES)
    rows = files.rows(table)
    order = rng.permutation(len(rows[0]))
    files.put(table, [[row[i] for i in order] for row in rows])
    return Change("columns in another order", table)


@kind("empty lines at the end", HARMLESS)
def _(files, rng):
    table = pick(rng, TABLES)
    rows = files.rows(table)
    files.content[f"{table}.csv"] += pick(
        rng, [b"\n\n", b"," * (len(rows[0]) - 1) + b"\n"]
    )
    return Change("empty lines at the end", table)


@kind("every cell in quotes", HARMLESS)
def _(files, rng):
    table = pick(rng, TABLES)
    files.put(table, files.rows(table), quoting=1)
    return Change("every cell in quotes", table)


@kind("spaces around cells", HARMLESS)
def _(files, rng):
    table = pick(rng, TABLES)
    rows = files.rows(table)
    files.put(table, [rows[0], *([f" {c} " if c else c for c in r] for r in rows[1:])])
    return Change("spaces around every cell", table)


# ---- contradictions between rows and tables


def _two_trials(files, rng, least=0.0, most=99.0):
    """Return two samples of one crop and two trials, apart by some moisture."""
    samples = list(samples_of(files).items())
    couples = [
        (one, other)
        for i, one in enumerate(samples)
        for other in samples[i + 1 :]
        if one[1]["key"][0] != other[1]["key"][0]
        and one[1]["crop"] == other[1]["crop"]
        and least <= abs(one[1]["moisture"] - other[1]["moisture"]) <= most
    ]
    return pick(rng, couples)


@kind("labels of two samples of two trials exchanged")
def _(files, rng):
    (one, first), (other, second) = _two_trials(files, rng)
    files.set("oven", "sample", dict.fromkeys(first["rows"], other))
    files.set("oven", "sample", dict.fromkeys(second["rows"], one))
    places = at("oven", first["rows"] + second["rows"])
    return Change(f"labels {one} and {other} exchanged", "oven", places)


@kind("the label of one dish taken for another's")
def _(files, rng):
    (_, first), (other, second) = _two_trials(files, rng)
    row = pick(rng, first["rows"])
    files.set("oven", "sample", {row: other})
    places = at("oven", [*first["rows"], *second["rows"]])
    return Change(f"row {row} labelled {other}", "oven", places)


RESULT = (
    "moisture_pct",
    "tare_g",
    "wet_g",
    "dry_g",
    "prestage_wet_g",
    "prestage_dry_g",
)


def _exchange_results(files, first, second):
    """Exchange the dishes of two samples."""
    rows = files.rows("oven")
    if len(first["rows"]) != len(second["rows"]):
        raise CannotBeDone("another number of dishes")
    for i, j in zip(first["rows"], second["rows"], strict=True):
        for name in RESULT:
            n = files.column("oven", name)
            rows[i - 1][n], rows[j - 1][n] = rows[j - 1][n], rows[i - 1][n]
    files.put("oven", rows)
    plots = at("plots", [first["plot_row"], second["plot_row"]])
    return at("oven", first["rows"] + second["rows"]) | plots


@kind("results of two samples exchanged, 4 points or more apart")
def _(files, rng):
    (one, first), (other, second) = _two_trials(files, rng, least=4.0)
    places = _exchange_results(files, first, second)
    return Change(f"results of {one} and {other} exchanged", "oven", places)


@kind("results of two samples exchanged, less than 4 points apart", UNSEEN)
def _(files, rng):
    (one, first), (other, second) = _two_trials(files, rng, most=3.99)
    places = _exchange_results(files, first, second)
    return Change(f"results of {one} and {other} exchanged", "oven", places)


@kind("dishes of one sample from two methods")
def _(files, rng):
    sample = pick(rng, samples_of(files).values())
    row = pick(rng, sample["rows"])
    files.set("oven", "method", {row: pick(rng, ["ISO 6540", "AACC 44-15", "own"])})
    return Change(f"row {row} by another method", "oven", at("oven", sample["rows"]))


@kind("a sample dried by another method")
def _(files, rng):
    rows = pick(rng, samples_of(files).values())["rows"]
    method = pick(rng, ["ISO 6540", "AACC 44-15", "own"])
    files.set("oven", "method", dict.fromkeys(rows, method))
    return Change(f"rows {rows} by {method}", "oven", at("oven", rows))


@kind("wet and dry weight of a dish exchanged")
def _(files, rng):
    wet, dry = files.cells("oven", "wet_g"), files.cells("oven", "dry_g")
    row = pick(rng, wet)
    files.set("oven", "wet_g", {row: dry[row]})
    files.set("oven", "dry_g", {row: wet[row]})
    return Change(f"weights of row {row} exchanged", "oven", at("oven", [row]))


@kind("a sensor that froze")
def _(files, rng):
    values, trials = files.cells("plots", "sensor_pct"), files.cells("plots", "trial")
    curves = files.cells("plots", "curve")
    start = pick(rng, values)
    rows = [
        r
        for r in values
        if r >= start and (trials[r], curves[r]) == (trials[start], curves[start])
    ][:9]
    if len(rows) < 9:
        raise CannotBeDone("too near the end of its trial")
    files.set("plots", "sensor_pct", dict.fromkeys(rows, values[rows[0]]))
    return Change(
        f"rows {rows[0]} to {rows[-1]} read the same", "plots", at("plots", rows)
    )


@kind("a plot given another curve")
def _(files, rng):
    cells = files.cells("plots", "curve")
    row = pick(rng, cells)
    new = pick(rng, [*sorted(set(cells.values()) - {cells[row]}), "maize-S9"])
    files.set("plots", "curve", {row: new})
    return Change(f"curve {cells[row]} as {new}", "plots", at("plots", [row]))


@kind("a plot given another crop")
def _(files, rng):
    cells = files.cells("plots", "crop")
    row = pick(rng, cells)
    new = pick(rng, sorted({"maize", "wheat", "soybean", "maze"} - {cells[row]}))
    files.set("plots", "crop", {row: new})
    return Change(f"crop {cells[row]} as {new}", "plots", at("plots", [row]))


@kind("a plot given another place, sensor or chamber configuration")
def _(files, rng):
    column = pick(rng, ["location", "sensor", "chamber_config"])
    cells = files.cells("plots", column)
    row = pick(rng, cells)
    new = pick(rng, [*sorted(set(cells.values()) - {cells[row]}), "another"])
    files.set("plots", column, {row: new})
    return Change(f"{column} {cells[row]} as {new}", "plots", at("plots", [row]))


def _other_entry(files, rng, check):
    """Give a plot the name of another entry of its trial, a check or not."""
    cells, trials = files.cells("plots", "entry"), files.cells("plots", "trial")
    row = pick(rng, [row for row in cells if not cells[row].startswith("check")])
    others = {cells[r] for r in cells if trials[r] == trials[row]} - {cells[row]}
    new = pick(rng, sorted(o for o in others if o.startswith("check") == check))
    files.set("plots", "entry", {row: new})
    same = [r for r in cells if trials[r] == trials[row] and cells[r] == new]
    return Change(f"entry {cells[row]} as {new}", "plots", at("plots", [row, *same]))


@kind("the entry of a plot taken for another's")
def _(files, rng):
    return _other_entry(files, rng, check=False)


@kind("the entry of a plot taken for a check", UNSEEN)
def _(files, rng):
    return _other_entry(files, rng, check=True)


def _other_block(files, rng, twice):
    """Put a plot into another block, where its entry stands already or not."""
    cells, trials = files.cells("plots", "block"), files.cells("plots", "trial")
    entries = files.cells("plots", "entry")
    row = pick(rng, cells)
    trial = [r for r in cells if trials[r] == trials[row]]
    new = pick(rng, sorted({cells[r] for r in trial} - {cells[row]}))
    there = [r for r in trial if cells[r] == new and entries[r] == entries[row]]
    if bool(there) != twice or entries[row].startswith("check"):
        raise CannotBeDone(new)
    files.set("plots", "block", {row: new})
    return Change(f"block {cells[row]} as {new}", "plots", at("plots", [row, *there]))


@kind("a plot moved to a block that has its entry")
def _(files, rng):
    return _other_block(files, rng, twice=True)


@kind("a plot moved to a block without its entry", UNSEEN)
def _(files, rng):
    return _other_block(files, rng, twice=False)


@kind("two plots at one place of the field")
def _(files, rng):
    trials = files.cells("plots", "trial")
    rows_at, ranges = files.cells("plots", "row"), files.cells("plots", "range")
    row = pick(rng, trials)
    other = pick(rng, [r for r in trials if trials[r] == trials[row] and r != row])
    files.set("plots", "row", {row: rows_at[other]})
    files.set("plots", "range", {row: ranges[other]})
    return Change(f"row {row} where {other} is", "plots", at("plots", [row, other]))


@kind("a sample weighed before it was taken")
def _(files, rng):
    taken = files.cells("oven", "sampled_at")
    row = pick(rng, taken)
    early = f"{taken[row][:5]}05{taken[row][7:]}"
    files.set("oven", "weighed_at", {row: early})
    return Change(f"row {row} weighed at {early}", "oven", at("oven", [row]))


@kind("the sign of a register's offset changed")
def _(files, rng):
    cells = files.cells("curves", "offset_loaded")
    row = pick(rng, [row for row in cells if float(cells[row])])
    curve = files.cells("curves", "curve")[row]
    new = f"{-float(cells[row]):.1f}"
    files.set("curves", "offset_loaded", {row: new})
    served = files.cells("plots", "curve")
    places = at("curves", [row]) | at(
        "plots", [r for r in served if served[r] == curve]
    )
    return Change(f"offset_loaded {cells[row]} as {new}", "curves", places)


@kind("readings of two unsampled plots of a trial exchanged", UNSEEN)
def _(files, rng):
    values, trials = files.cells("plots", "sensor_pct"), files.cells("plots", "trial")
    sampled = {s["plot_row"] for s in samples_of(files).values()}
    one = pick(rng, [r for r in values if r not in sampled])
    other = pick(
        rng,
        [
            r
            for r in values
            if trials[r] == trials[one]
            and values[r] != values[one]
            and r not in sampled
        ],
    )
    files.set("plots", "sensor_pct", {one: values[other], other: values[one]})
    return Change(
        f"readings of rows {one} and {other}", "plots", at("plots", [one, other])
    )


def _by_samples_alone(files):
    """Move the labels of the samples to the plots; the oven table names them alone."""
    plots, oven = files.rows("plots"), files.rows("oven")
    samples = {one["plot_row"]: name for name, one in samples_of(files).items()}
    labels = [samples.get(n, "") for n in range(2, len(plots) + 1)]
    marked = zip(plots, ["sample", *labels], strict=True)
    files.put("plots", [[*row, label] for row, label in marked])
    drop = [files.column("oven", name) for name in ("trial", "plot")]
    kept = [[c for n, c in enumerate(row) if n not in drop] for row in oven]
    files.put("oven", kept)


@kind("labs name samples alone, and a label in the plots is mistyped")
def _(files, rng):
    name, sample = pick(rng, samples_of(files).items())
    _by_samples_alone(files)
    files.set("plots", "sample", {sample["plot_row"]: f"{name}x"})
    return Change(f"{name} mistyped", "oven", at("oven", sample["rows"]))


@kind("labs name samples alone, and two plots have one label")
def _(files, rng):
    name, sample = pick(rng, samples_of(files).items())
    _by_samples_alone(files)
    labels = files.column("plots", "sample")
    bare = [n for n, row in enumerate(files.rows("plots"), 1) if not row[labels]]
    files.set("plots", "sample", {pick(rng, bare): name})
    return Change(f"{name} on two plots", "oven", at("oven", sample["rows"]))
