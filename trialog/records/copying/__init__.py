"""Copying whole databases: moving to another one, backups, and restoring them.

Rows go over as they stand, hashes and seals included, past the ORM: nothing is written that
somebody did, so nothing is sealed or audited anew.
"""

from __future__ import annotations

from trialog.records.copying.backups import (
    Backup,
    back_up,
    backup_name,
    clear_stale,
    drop_old,
    find_restored,
    unpack,
)
from trialog.records.copying.keys import keys_of, put_keys, read_keys
from trialog.records.copying.moving import Moment, Moved, move
from trialog.records.copying.packed import Manifest

__all__ = [
    "Backup", "Manifest", "Moment", "Moved", "back_up", "backup_name", "clear_stale", "drop_old",
    "find_restored", "keys_of", "move", "put_keys", "read_keys", "unpack",
]  # fmt: skip
