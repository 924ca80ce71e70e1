"""Notebooks through papermill, the manifest, commands, JupyterLab."""

import sys

# jsonschema would build a grammar of addresses as it is imported: two seconds of
# every process, for a check that no notebook of ours needs. It does without.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
