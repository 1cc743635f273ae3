"""What is kept of keys, codes and tokens that the records made themselves.

They are long and random, so that a fast hash does; PINs, which people make up, have a slow one
(`records.pins`).
"""

from __future__ import annotations

import hashlib


def hash_of(secret: str) -> str:
    """Return what is kept of a secret: it cannot be read off the database."""
    return hashlib.sha256(secret.encode(errors="replace")).hexdigest()
