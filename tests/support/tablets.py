"""Programs that log as the tablet page does."""

from __future__ import annotations

from support.cells import new_id

LABEL = "early A"


class Tablet:
    """A program that sends lines for a cell as the tablet page does."""

    def __init__(self, visitor, cell):
        self.visitor = visitor
        self.cell = cell
        self.csrf = visitor.token()

    def send(self, *lines, body=None, **options):
        """Send lines and return the answer."""
        return self.visitor.client.post(
            f"/api/cells/{self.cell.id}/entries",
            json=body if body is not None else {"entries": list(lines)},
            headers={"X-CSRFToken": self.csrf},
            **options,
        )

    def taken(self, *lines):
        """Send lines that must be taken, and return what the server says."""
        answer = self.send(*lines)
        assert answer.status_code == 200, answer.text
        return answer.get_json()

    def refused(self, status, *lines, body=None):
        """Send lines that must be refused, and return the error."""
        answer = self.send(*lines, body=body)
        assert answer.status_code == status, answer.text
        return answer.get_json()["error"]


def line(kind, **fields):
    return {"client_id": new_id("tap"), "kind": kind, "shift": LABEL} | fields


def good(cycles=1, **fields):
    return line("good", cycles=cycles, **fields)


def failed(*modes, **fields):
    return line("failed", cycles=1, modes=[mode.id for mode in modes], **fields)
