"""Imports inside kitlib flow one way: a module may import only earlier ones."""

import ast
from pathlib import Path

import pytest

KITLIB = Path(__file__).parent.parent / "kitlib"
# Groups lowest first, and within a group the modules lowest first.
GROUPS = {
    "words": """
        errors estimates kinds findings terms limits digests kept
    """,
    "statistics": """
        arrays clustered regions reml mixed components heterogeneity pooling
        stats validation agreement_limits concordance equivalence readings sums
        lines gain over_plots shape left_out bootstrap resample pair_slopes
        robust_lines
    """,
    "intake": """
        schema season plain_cells distinct tables cells keys apart contradictions
        checks reference
        accounts pairs outputs provenance
    """,
    "curves": """
        samples effects coverage curve_audit bands two_phase audit bridge
        corrections curve_corrections flaws settling judgement recommend doubts
        season_observations observations
    """,
    "trials": """
        yields layout random_blocks means designs ranks trial_plots chances
        yield_changes comparison entry_table consequences testweight
        corrected_plots
    """,
    "season": """
        trial_audit season_audit curves_table
    """,
    "simulation": """
        programme scenario simulated_sensor simulated_harvest simulated_lab
        simulated_register simulated_contradictions simulated_faults
        simulated_truth simulated_folder simulate
    """,
    "pages": """
        lettering drawing dots figures harvest_figures overviews rankings maps
        blocks typeset tabulate looks
    """,
    "review": """
        check_occasions control_charts check_limits check_samples
        parallel_curves earlier_seasons offset_settings offset_history
        sampling_plan plan_costs review_figures error_sources curve_plan
        repeatability curve_runs configurations setup_offset setup_rules
        setup_review curve_setup season_curves season_review setup_blocks
        check_blocks history_blocks plan_blocks review_blocks review_findings
        setup_tables review_tables
    """,
    "reports": """
        results pictures report_parts method_note trial_changes trial_condition
        trial_basis trial_samples trial_report curve_evidence row_accounts season_report
        report curve_views join_views trial_views
    """,
    "explorer": """
        entry_lines what_if what_if_choices what_if_yields explorer_look
        served_trials what_if_advice explorer live_pictures choice_pictures
        explorer_tables explorer_controls panel_parts sample_pictures
        what_if_page what_if_files panels
    """,
    "runs": """
        notebook_files processes warm_process kernels bench ranking notebook_runs
        notebook_pool manifest season_run cluster season_check run_report
        new_season verify batch lab cli
    """,
}
PLACES = {module: group for group, names in GROUPS.items() for module in names.split()}
ORDER = ["__init__", *PLACES]
# The command imports what it runs only when it runs it, for a quick --help.
LATE_IMPORTS = {"cli"}


def path_of(module):
    """Return where a module of the order lies."""
    return KITLIB / PLACES.get(module, "") / f"{module}.py"


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
    parts = (name.split(".") for name in names)
    return {part[2] for part in parts if part[0] == "kitlib" and len(part) > 2}


def test_every_module_has_a_place():
    found = {path.relative_to(KITLIB) for path in KITLIB.rglob("*.py")}
    packages = {KITLIB / group / "__init__.py" for group in GROUPS}
    promised = {*packages, *map(path_of, ORDER)}
    assert found == {path.relative_to(KITLIB) for path in promised}


@pytest.mark.parametrize("module", ORDER)
def test_module_imports_only_earlier_ones(module):
    earlier = set(ORDER[: ORDER.index(module)])
    assert imported_modules(path_of(module)) & set(ORDER) <= earlier


@pytest.mark.parametrize("group", GROUPS)
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
