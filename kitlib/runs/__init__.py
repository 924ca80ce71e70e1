"""Notebooks through papermill, the manifest, commands, JupyterLab."""
