"""Reports: a frozen page model, composed from tables, rendered last."""

from dripledger.reports.compose import build, compose, stamp
from dripledger.reports.folder import render_files, write_folder, write_report
from dripledger.reports.model import Page, Stamp

__all__ = [
    "Page",
    "Stamp",
    "build",
    "compose",
    "render_files",
    "stamp",
    "write_folder",
    "write_report",
]
