"""What other processes are handed."""

from kitlib.intake.outputs import digest
from kitlib.runs.workers import read_audit, write_audit


def test_an_audit_is_handed_over_whole_and_changed_for_its_reader_only(
    audited_demo, tmp_path
):
    path = tmp_path / "audit"
    write_audit(audited_demo, audited_demo.folder, path)
    first = read_audit(path)
    first.pairing.pairs["sensor_pct"] = 0.0
    first.pairing.plots.loc[:, "plot_mass_kg"] = 0.0
    second = read_audit(path)
    for part in ("settings", "tables", "pairing", "audits", "advice"):
        assert digest(getattr(second, part)) == digest(getattr(audited_demo, part))
