"""Imports inside kitlib flow one way: a module may import only earlier ones."""

import ast
from pathlib import Path

import pytest

KITLIB = Path(__file__).parent.parent / "kitlib"
# Sub-packages lowest first, and within one the modules lowest first.
# A package may stand twice: what reports are made of, and the reports themselves.
GROUPS = [
    ("words", "terms findings limits"),
    ("statistics", "estimates clustered sums reml pooling lines agreement"),
    (
        "intake",
        """
        outputs schema settings files foreign supplied tables reference units checks
        pairs drafts
        """,
    ),
    (
        "curves",
        "evidence records audit advice observations",
    ),
    ("trials", "yields means moisture_errors ranks consequences"),
    ("season", "season"),
    ("simulation", "scenario harvest season"),
    ("reports", "drawing blocks figures typeset"),
    (
        "review",
        "check_samples comparisons plan setup review sections",
    ),
    ("reports", "curve_sections season_sections trial_sections"),
    (
        "explorer",
        """
        what_if explorer pictures record panel
        """,
    ),
    (
        "runs",
        """
        workers manifest kernels run cluster before_audit lab cli
        """,
    ),
]
PACKAGES = sorted({group for group, _ in GROUPS})
ORDER = [f"{group}.{name}" for group, names in GROUPS for name in names.split()]
# The command imports what it runs only when it runs it, for a quick --help.
LATE_IMPORTS = {"runs.cli"}


def path_of(module):
    """Return where a module of the order lies."""
    return KITLIB / f"{module.replace('.', '/')}.py"


def imported_modules(path):
    """Return the kitlib modules that a file imports, anywhere in it."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write `from kitlib.x.y import z`"
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    ours = (name.partition(".") for name in names)
    return {rest for top, _, rest in ours if top == "kitlib" and rest}


def test_every_module_has_a_place():
    found = {path.relative_to(KITLIB) for path in KITLIB.rglob("*.py")}
    packages = {KITLIB / group / "__init__.py" for group in ["", *PACKAGES]}
    promised = {*packages, *map(path_of, ORDER)}
    assert found == {path.relative_to(KITLIB) for path in promised}


@pytest.mark.parametrize("module", ORDER)
def test_module_imports_only_earlier_ones(module):
    earlier = set(ORDER[: ORDER.index(module)])
    assert imported_modules(path_of(module)) & set(ORDER) <= earlier


@pytest.mark.parametrize("group", PACKAGES)
def test_a_package_is_only_a_place(group):
    # Nothing is imported twice, under two names: a module is asked for by its own.
    assert imported_modules(KITLIB / group / "__init__.py") == set()


@pytest.mark.parametrize("module", sorted(set(ORDER) - LATE_IMPORTS))
def test_imports_stand_at_the_top(module):
    tree = ast.parse(path_of(module).read_text(encoding="utf-8"))
    late = [
        node
        for part in ast.walk(tree)
        if isinstance(part, ast.FunctionDef | ast.ClassDef)
        for node in ast.walk(part)
        if isinstance(node, ast.Import | ast.ImportFrom)
    ]
    assert not late


def trees():
    """Return every module of kitlib, parsed, by its place in the order."""
    return {m: ast.parse(path_of(m).read_text(encoding="utf-8")) for m in ORDER}


def test_no_two_classes_share_a_name():
    places = {}
    for module, tree in trees().items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(module)
    assert {name: at for name, at in places.items() if len(at) > 1} == {}


def test_no_function_or_class_has_a_second_name():
    # Modules may be given a short name by an importer; what they hold may not.
    second = []
    for module, tree in trees().items():
        known = set()
        for node in tree.body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                known.add(node.name)
            elif isinstance(node, ast.ImportFrom) and "kitlib" in (node.module or ""):
                known |= {alias.asname or alias.name for alias in node.names}
                second += [
                    f"{module}: {alias.name} as {alias.asname}"
                    for alias in node.names
                    if alias.asname and not is_module(f"{node.module}.{alias.name}")
                ]
            elif isinstance(node, ast.Assign):
                value = ast.unparse(node.value)
                if value in known and not value.isupper():
                    second.append(f"{module}: {ast.unparse(node)}")
    assert second == []


def is_module(name):
    """Say whether a full name is that of a module of kitlib."""
    return name.removeprefix("kitlib.") in ORDER
