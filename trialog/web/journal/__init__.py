"""The server's own log: one line for each request and for each event worth it, without secrets."""

from trialog.web.journal.forms import FORMS, LEVELS, cleaned
from trialog.web.journal.keeping import keep_journal

__all__ = ["FORMS", "LEVELS", "cleaned", "keep_journal"]
