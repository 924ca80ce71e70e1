"""Changes of single cells, of groups of cells and of whole columns."""

from faults.mutations import (
    UNSEEN,
    CannotBeDone,
    Change,
    at,
    kind,
    pick,
    places_of_key,
    samples_of,
)

NUMBERS = [
    ("plots", "sensor_pct"),
    ("plots", "plot_mass_kg"),
    ("plots", "plot_area_m2"),
    ("plots", "offset_in_force"),
    ("plots", "test_weight_kg_hl"),
    ("plots", "grain_temp_c"),
    ("oven", "moisture_pct"),
    ("oven", "tare_g"),
    ("oven", "wet_g"),
    ("oven", "dry_g"),
    ("benchtop", "moisture_pct"),
    ("curves", "offset_loaded"),
    ("readings", "sensor_pct"),
    ("setup_runs", "known_pct"),
    ("setup_runs", "sensor_pct"),
    ("check_runs", "known_pct"),
    ("check_runs", "sensor_pct"),
]
KEYS = [
    ("plots", "trial"),
    ("plots", "plot"),
    ("plots", "entry"),
    ("plots", "crop"),
    ("plots", "curve"),
    ("oven", "sample"),
    ("oven", "trial"),
    ("oven", "plot"),
    ("oven", "method"),
    ("benchtop", "sample"),
    ("benchtop", "trial"),
    ("benchtop", "plot"),
    ("curves", "curve"),
    ("readings", "plot"),
    ("setup_runs", "curve"),
    ("check_runs", "sample"),
]
TIMES = [
    ("plots", "harvested_at"),
    ("oven", "sampled_at"),
    ("oven", "weighed_at"),
    ("benchtop", "read_at"),
    ("check_runs", "run_at"),
]
LABELS = [
    ("plots", "block"),
    ("plots", "location"),
    ("plots", "sensor"),
    ("plots", "chamber_config"),
    ("oven", "lab"),
    ("oven", "selection_reason"),
]
LB, FT2, LB_BU = 0.45359237, 0.09290304, 1.287


def _one(files, rng, places):
    """Return a table, a column, and the row and value of a cell."""
    table, column = pick(rng, places)
    row, value = pick(rng, files.cells(table, column).items())
    return table, column, row, value


def _change(files, rng, places, alter, said):
    """Change one cell and say so."""
    table, column, row, value = _one(files, rng, places)
    new = alter(value)
    if new == value:
        raise CannotBeDone(value)
    files.set(table, column, {row: new})
    return Change(f"{column} {value} {said} {new[:40]}", table, at(table, [row]))


@kind("a cell emptied")
def _(files, rng):
    places = NUMBERS + KEYS + TIMES + LABELS
    return _change(files, rng, places, lambda _: "", "emptied")


@kind("a decimal comma, quoted")
def _(files, rng):
    return _change(files, rng, NUMBERS, lambda v: v.replace(".", ","), "written")


@kind("a decimal comma, bare")
def _(files, rng):
    table, column, row, value = _one(files, rng, NUMBERS)
    if "." not in value:
        raise CannotBeDone(value)
    place = files.column(table, column)
    lines = files.content[f"{table}.csv"].decode().split("\n")
    cells = lines[row - 1].split(",")
    if '"' in lines[row - 1]:
        raise CannotBeDone("quotes")
    cells[place] = value.replace(".", ",")
    lines[row - 1] = ",".join(cells)
    files.content[f"{table}.csv"] = "\n".join(lines).encode()
    return Change(f"{column} {cells[place]}", table, at(table, [row]))


@kind("NaN or Infinity as text in a number")
def _(files, rng):
    word = pick(rng, ["NaN", "nan", "Infinity", "-inf", "1e999", "N/A", "#DIV/0!"])
    return _change(files, rng, NUMBERS, lambda _: word, "became")


@kind("NaN or an error of a spreadsheet as a key")
def _(files, rng):
    word = pick(rng, ["NaN", "#N/A", "#REF!", "null", "None", "inf"])
    return _change(files, rng, KEYS, lambda _: word, "became")


@kind("a unit typed behind a number")
def _(files, rng):
    return _change(files, rng, NUMBERS, lambda v: f"{v} kg", "written")


@kind("a decimal point lost")
def _(files, rng):
    table, column, row, value = _one(files, rng, NUMBERS)
    if "." not in value or float(value) == 0:
        raise CannotBeDone(value)
    files.set(table, column, {row: value.replace(".", "")})
    return Change(f"{column} {value} without its point", table, at(table, [row]))


@kind("a sign set before a number")
def _(files, rng):
    table, column, row, value = _one(files, rng, NUMBERS)
    if "offset" in column or float(value) == 0:
        raise CannotBeDone(value)
    files.set(table, column, {row: f"-{value}"})
    return Change(f"{column} -{value}", table, at(table, [row]))


def _scaled(value, factor, digits=3):
    return f"{float(value) * factor:.{digits}f}"


@kind("the mass of one plot in lb")
def _(files, rng):
    place = [("plots", "plot_mass_kg")]
    return _change(files, rng, place, lambda v: _scaled(v, 1 / LB), "in lb")


@kind("the mass of one trial in lb")
def _(files, rng):
    trials = files.cells("plots", "trial")
    trial = pick(rng, sorted(set(trials.values())))
    masses = files.cells("plots", "plot_mass_kg")
    rows = [row for row in masses if trials[row] == trial]
    files.set("plots", "plot_mass_kg", {r: _scaled(masses[r], 1 / LB) for r in rows})
    return Change(f"mass of {trial} in lb", "plots", at("plots", rows))


def _whole(files, table, column, alter, said):
    """Change a whole column."""
    cells = files.cells(table, column)
    files.set(table, column, {row: alter(value) for row, value in cells.items()})
    return Change(f"{column} {said}", table)


@kind("the masses of all plots in lb")
def _(files, rng):
    share = float(rng.uniform(0.9, 1.1))  # another season: all yields higher or lower
    _whole(files, "plots", "plot_mass_kg", lambda v: _scaled(v, share), "")
    return _whole(files, "plots", "plot_mass_kg", lambda v: _scaled(v, 1 / LB), "in lb")


@kind("all masses in kg where season.toml says lb", UNSEEN)
def _(files, rng):
    share = float(rng.uniform(0.9, 1.1))
    _whole(files, "plots", "plot_mass_kg", lambda v: _scaled(v, share), "")
    return _whole(files, "plots", "plot_mass_kg", lambda v: _scaled(v, LB), "as if lb")


@kind("the area of one plot in square feet")
def _(files, rng):
    place = [("plots", "plot_area_m2")]
    return _change(files, rng, place, lambda v: _scaled(v, 1 / FT2, 1), "in ft2")


@kind("the areas of all plots in square feet")
def _(files, rng):
    share = float(rng.uniform(0.9, 1.1))
    _whole(files, "plots", "plot_mass_kg", lambda v: _scaled(v, share), "")
    return _whole(
        files, "plots", "plot_area_m2", lambda v: _scaled(v, 1 / FT2, 1), "in ft2"
    )


@kind("the test weight of one plot in lb/bu")
def _(files, rng):
    place = [("plots", "test_weight_kg_hl")]
    return _change(files, rng, place, lambda v: _scaled(v, 1 / LB_BU, 1), "in lb/bu")


@kind("all test weights of a table in lb/bu")
def _(files, rng):
    table = pick(rng, ["plots", "benchtop"])
    share = float(rng.uniform(0.98, 1.02))
    _whole(files, table, "test_weight_kg_hl", lambda v: _scaled(v, share, 1), "")
    return _whole(
        files,
        table,
        "test_weight_kg_hl",
        lambda v: _scaled(v, 1 / LB_BU, 1),
        "in lb/bu",
    )


def _fahrenheit(value):
    return f"{float(value) * 1.8 + 32:.1f}"


@kind("one temperature in °F")
def _(files, rng):
    places = [("plots", "grain_temp_c"), ("setup_runs", "grain_temp_c")]
    return _change(files, rng, places, _fahrenheit, "in °F")


@kind("all temperatures of a table in °F")
def _(files, rng):
    table = pick(rng, ["plots", "benchtop", "setup_runs"])
    cooler = float(rng.uniform(-4, 4))
    _whole(files, table, "grain_temp_c", lambda v: f"{float(v) + cooler:.1f}", "")
    return _whole(files, table, "grain_temp_c", _fahrenheit, "in °F")


def _dry(value):
    return f"{100 * float(value) / (100 - float(value)):.1f}"


@kind("the reading of a sampled plot on dry basis")
def _(files, rng):
    sample = pick(rng, samples_of(files).values())
    row = sample["plot_row"]
    value = files.cells("plots", "sensor_pct")[row]
    files.set("plots", "sensor_pct", {row: _dry(value)})
    places = at("plots", [row]) | at("oven", sample["rows"])
    return Change(f"sensor_pct {value} as {_dry(value)}", "plots", places)


@kind("the reading of an unsampled plot on dry basis", UNSEEN)
def _(files, rng):
    sampled = {s["plot_row"] for s in samples_of(files).values()}
    cells = files.cells("plots", "sensor_pct")
    row = pick(rng, [row for row in cells if row not in sampled])
    files.set("plots", "sensor_pct", {row: _dry(cells[row])})
    return Change(f"sensor_pct {cells[row]} dry basis", "plots", at("plots", [row]))


@kind("all readings of a season on dry basis")
def _(files, rng):
    share = float(rng.uniform(0.97, 1.03))
    _whole(files, "plots", "sensor_pct", lambda v: _scaled(v, share, 1), "")
    return _whole(files, "plots", "sensor_pct", _dry, "on dry basis")


@kind("the lab's result of one sample on dry basis")
def _(files, rng):
    cells = files.cells("oven", "moisture_pct")
    samples = [s for s in samples_of(files).values() if s["rows"][0] in cells]
    rows = pick(rng, samples)["rows"]
    plot = [s["plot_row"] for s in samples if s["rows"] == rows]
    files.set("oven", "moisture_pct", {r: _dry(cells[r]) for r in rows})
    places = at("oven", rows) | at("plots", plot)
    return Change(f"moisture_pct of rows {rows} on dry basis", "oven", places)


@kind("all oven results on dry basis")
def _(files, rng):
    table = files.rows("oven")
    head = {name: n for n, name in enumerate(table[0])}
    for sample in samples_of(files).values():
        for row, moisture in zip(sample["rows"], sample["dishes"], strict=True):
            cells = table[row - 1]
            for name in ("tare_g", "wet_g", "dry_g"):
                cells[head[name]] = ""
            for name in ("prestage_wet_g", "prestage_dry_g"):
                cells[head[name]] = ""
            cells[head["moisture_pct"]] = f"{100 * moisture / (100 - moisture):.2f}"
    files.put("oven", table)
    return Change("oven results as percent of dry matter", "oven")


@kind("digits of a sampled plot's reading exchanged")
def _(files, rng):
    samples = [
        s
        for s in samples_of(files).values()
        if abs(int(f"{s['sensor']:04.1f}"[0]) - int(f"{s['sensor']:04.1f}"[1])) >= 3
    ]
    sample = pick(rng, samples)
    row = sample["plot_row"]
    value = files.cells("plots", "sensor_pct")[row]
    new = f"{value[1]}{value[0]}{value[2:]}"
    files.set("plots", "sensor_pct", {row: new})
    places = at("plots", [row]) | at("oven", sample["rows"])
    return Change(f"sensor_pct {value} as {new}", "plots", places)


@kind("a digit of a key mistyped")
def _(files, rng):
    table = pick(rng, ["oven", "benchtop", "readings"])
    row, value = pick(rng, files.cells(table, "plot").items())
    new = f"9{value[1:]}"
    files.set(table, "plot", {row: new})
    return Change(f"plot {value} as {new}", table, at(table, [row]))


@kind("a key in another letter case")
def _(files, rng):
    letters = [p for p in KEYS if p[1] != "plot"]
    table, column, row, value = _one(files, rng, letters)
    new = value.swapcase()
    if new == value:
        raise CannotBeDone(value)
    files.set(table, column, {row: new})
    # The rarer spelling is told of, or either where one stands as often as the other.
    same = {row, *(r for r, v in files.cells(table, column).items() if v == value)}
    return Change(f"{column} {value} as {new}", table, at(table, same))


@kind("an invisible or look-alike letter in a key")
def _(files, rng):
    alike = {"a": "\u0430", "e": "\u0435", "S": "\u0405", "-": "\u2013", "0": "\uff10"}
    table, column, row, value = _one(files, rng, KEYS)
    own = [(v, alike[v]) for v in alike if v in value]
    marks = [(value[-1], value[-1] + m) for m in "\u200b\u200e\u00ad\ufeff"]
    marks += [(value[0], m + value[0]) for m in "\u202e\x00"]
    old, new = pick(rng, own + marks)
    files.set(table, column, {row: value.replace(old, new, 1)})
    said = f"{column} {value!a} as {value.replace(old, new, 1)!a}"
    return Change(said, table, at(table, [row]))


@kind("leading zeros of a key lost")
def _(files, rng):
    table = pick(rng, ["plots", "oven", "benchtop", "readings"])
    cells = files.cells(table, "plot")
    row = pick(rng, [row for row in cells if cells[row].startswith("0")])
    key = files.cells(table, "trial")[row], cells[row]
    places = places_of_key(files, *key) if table == "plots" else at(table, [row])
    files.set(table, "plot", {row: cells[row].lstrip("0")})
    return Change(f"plot {cells[row]} as {cells[row].lstrip('0')}", table, places)


@kind("leading zeros of all keys of a table lost")
def _(files, rng):
    table = pick(rng, ["plots", "oven", "benchtop", "readings"])
    return _whole(files, table, "plot", lambda v: v.lstrip("0"), "without zeros")


@kind("a key made a date by a spreadsheet")
def _(files, rng):
    new = pick(rng, ["03-Apr", "Mar-25", "2025-03-04", "04/03/2025", "3-Apr-25"])
    return _change(files, rng, KEYS, lambda _: new, "became")


@kind("a key made a number by a spreadsheet")
def _(files, rng):
    new = pick(rng, ["1.0E+05", "2E+11", "7.0", "12.0"])
    return _change(files, rng, KEYS, lambda _: new, "became")


@kind("a date in the order day, month, year")
def _(files, rng):
    def turned(value):
        day = value[:10].split("-")
        return f"{day[2]}/{day[1]}/{day[0]}{value[10:]}"

    return _change(files, rng, TIMES, turned, "as")


@kind("month and day of a date exchanged")
def _(files, rng):
    table, column, row, value = _one(files, rng, TIMES)
    year, month, day = value[:10].split("-")
    if int(day) > 12 or day == month:
        raise CannotBeDone(value)
    new = f"{year}-{day}-{month}{value[10:]}"
    files.set(table, column, {row: new})
    return Change(f"{column} {value} as {new}", table, at(table, [row]))


@kind("a date of another year")
def _(files, rng):
    year = pick(rng, ["2052", "2024", "1925", "2026"])
    return _change(files, rng, TIMES, lambda v: year + v[4:], "as")


@kind("one time with a zone")
def _(files, rng):
    zone = pick(rng, ["Z", "+02:00", "-06:00"])
    return _change(files, rng, TIMES, lambda v: v + zone, "as")


@kind("a huge cell")
def _(files, rng):
    places = NUMBERS + KEYS
    letter = pick(rng, "9xÜ")
    return _change(files, rng, places, lambda _: letter * 200_000, "became")


@kind("an offset mistyped")
def _(files, rng):
    places = [("plots", "offset_in_force")]
    new = pick(rng, ["2.0", "-0.7", "0.45"])
    return _change(files, rng, places, lambda _: new, "as")
