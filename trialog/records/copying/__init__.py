"""Copying whole databases: moving to another one, backups, and restoring them.

Rows go over as they stand, hashes and seals included, past the ORM: nothing is written that
somebody did, so nothing is sealed or audited anew.
"""

from __future__ import annotations

from trialog.records.copying.backups import (
    Backup,
    Manifest,
    back_up,
    backup_name,
    drop_old,
    keys_of,
    put_keys,
    unpack,
)
from trialog.records.copying.moving import Moment, Moved, move

__all__ = [
    "Backup", "Manifest", "Moment", "Moved", "back_up", "backup_name", "drop_old", "keys_of",
    "move", "put_keys", "unpack",
]  # fmt: skip
