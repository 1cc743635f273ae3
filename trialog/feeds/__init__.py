"""Entries and setups that come from elsewhere, and the logbook on its way out."""

from trialog.feeds.audit_export import audit_csv, audit_json
from trialog.feeds.columns import Form
from trialog.feeds.csv_log import read_csv
from trialog.feeds.exporting import export_csv
from trialog.feeds.importing import ImportResult, ShiftSummary, import_csv, preview
from trialog.feeds.outcome import import_as_dict, import_from_dict
from trialog.feeds.setup_file import SetupResult, load_setup
from trialog.feeds.tables import RejectedLine

__all__ = [
    "Form",
    "ImportResult",
    "RejectedLine",
    "SetupResult",
    "ShiftSummary",
    "audit_csv",
    "audit_json",
    "export_csv",
    "import_as_dict",
    "import_csv",
    "import_from_dict",
    "load_setup",
    "preview",
    "read_csv",
]
