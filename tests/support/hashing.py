"""PINs are hashed slowly on purpose, which only the tests of that have to wait for."""

from __future__ import annotations

from argon2 import PasswordHasher

from trialog.records import pins

AS_SHIPPED = pins._hasher
"""What hashes PINs in a shop."""

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)

QUICK_IN_A_PAGE = """(() => {
  if (!window.SubtleCrypto) return;
  const derive = SubtleCrypto.prototype.deriveBits;
  SubtleCrypto.prototype.deriveBits = function (how, ...rest) {
    return derive.call(this, { ...how, iterations: 10 }, ...rest);
  };
})();"""
"""Lets a tablet's page hash PINs in its own way, but weakly and at once."""


def hash_quickly(patch):
    """Let this process hash PINs in the same way as a shop does, but weakly and at once."""
    patch.setattr(pins, "_hasher", QUICK)
