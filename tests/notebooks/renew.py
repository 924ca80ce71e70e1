"""Run the committed notebooks anew and write them back clean.

Run after a change that alters what they show: python tests/notebooks/renew.py
"""

import os
from pathlib import Path

import nbformat
from nbclient import NotebookClient

from kitlib.runs.kernels import KERNEL, cleaned
from kitlib.runs.workers import notebook_folder


def renew(path: Path) -> None:
    """Run one notebook where it lies, as a user would, and write it back."""
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook,
        kernel_name=KERNEL["name"],
        resources={"metadata": {"path": str(path.parent)}},
        record_timing=False,
    )
    client.execute()
    path.write_bytes(cleaned(notebook))


if __name__ == "__main__":
    os.environ["JUPYTER_PREFER_ENV_PATH"] = "1"
    for notebook_path in sorted(notebook_folder().glob("*.ipynb")):
        renew(notebook_path)
        print(f"renewed {notebook_path.name}")
