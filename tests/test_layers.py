"""Imports inside kitlib flow one way: a module may import only earlier ones."""

import ast
from pathlib import Path

import pytest

KITLIB = Path(__file__).parent.parent / "kitlib"
# Groups lowest first, and within a group the modules lowest first.
GROUPS = {
    "words": """
        errors estimates kinds findings terms limits
    """,
    "statistics": """
        arrays clustered regions reml mixed components heterogeneity pooling
        stats validation agreement_limits concordance equivalence readings sums
        lines gain shape left_out bootstrap resample pair_slopes robust_lines
    """,
    "intake": """
        schema season tables cells checks reference accounts pairs outputs
        provenance
    """,
    "curves": """
        samples effects coverage curve_audit bands two_phase audit bridge
        corrections curve_corrections flaws settling recommend observations
    """,
    "trials": """
        yields layout random_blocks means designs ranks trial_plots chances
        yield_changes comparison entry_table consequences testweight
        corrected_plots
    """,
    "season": """
        season_audit curves_table
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
        results pictures report_parts method_note trial_changes trial_report
        curve_evidence row_accounts season_report report curve_views join_views
        trial_views
    """,
    "explorer": """
        entry_lines what_if what_if_choices what_if_yields explorer_look
        served_trials what_if_advice explorer live_pictures choice_pictures
        explorer_tables explorer_controls panel_parts sample_pictures
        what_if_page what_if_files panels
    """,
    "runs": """
        notebook_files notebook_runs notebook_pool manifest season_run
        season_check run_report new_season batch lab cli
    """,
}
ORDER = ["__init__", *" ".join(GROUPS.values()).split()]
# The command imports what it runs only when it runs it, for a quick --help.
LATE_IMPORTS = {"cli"}


def imported_modules(path):
    """Return the kitlib modules that a file imports, anywhere in it."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write `from kitlib.x import y`"
            if node.module == "kitlib":
                names |= {f"kitlib.{alias.name}" for alias in node.names}
            names.add(node.module)
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    ours = (name.partition(".") for name in names)
    return {rest or "__init__" for top, _, rest in ours if top == "kitlib"}


def test_every_module_has_a_place():
    assert sorted(path.stem for path in KITLIB.glob("*.py")) == sorted(ORDER)


@pytest.mark.parametrize("module", ORDER)
def test_module_imports_only_earlier_ones(module):
    earlier = set(ORDER[: ORDER.index(module)])
    assert imported_modules(KITLIB / f"{module}.py") <= earlier


@pytest.mark.parametrize("module", sorted(set(ORDER) - LATE_IMPORTS))
def test_imports_stand_at_the_top(module):
    tree = ast.parse((KITLIB / f"{module}.py").read_text(encoding="utf-8"))
    late = [
        node
        for part in ast.walk(tree)
        if isinstance(part, ast.FunctionDef | ast.ClassDef)
        for node in ast.walk(part)
        if isinstance(node, ast.Import | ast.ImportFrom)
    ]
    assert not late
