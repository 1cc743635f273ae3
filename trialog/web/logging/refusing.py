"""The refusal of one line of a batch, so that the tablet knows which one to show."""

from __future__ import annotations

from trialog.errors import TrialogError


class RefusedLineError(TrialogError):
    """One line of a batch is at fault, so none of it is written; says which and why."""

    def __init__(self, error: TrialogError, client_id: str | None) -> None:
        self.error = error
        self.client_id = client_id
        super().__init__(str(error))
