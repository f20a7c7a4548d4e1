"""The hash that a file gives of itself."""

from __future__ import annotations

import hashlib

__all__ = ["BLANK", "holds_own_hash", "with_own_hash"]

BLANK = "0" * 64
"""What stands in place of the hash while it is taken."""


def with_own_hash(data: bytes) -> bytes:
    """Put the SHA-256 of a file in the place of its last `BLANK`."""
    return _replace_last(data, BLANK, hashlib.sha256(data).hexdigest())


def holds_own_hash(data: bytes, told: str) -> bool:
    """Whether a file is byte by byte as it was when it was given the hash that it tells."""
    blanked = _replace_last(data, told, BLANK)
    return hashlib.sha256(blanked).hexdigest() == told


def _replace_last(data: bytes, old: str, new: str) -> bytes:
    """Put `new` where `old` stands last; leave a file without it as it is."""
    before, found, after = data.rpartition(old.encode())
    return before + new.encode() + after if found else data
