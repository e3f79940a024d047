"""What a row holds beside its columns: JSON, compressed (zlib)."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any

LARGEST = 1 << 26
"""Bytes that are unpacked at most (arbitrary; a whole qualification's record.json has some 2 MB). A megabyte of zlib
can become a gigabyte."""
DAMAGES = (zlib.error, TypeError, ValueError, RecursionError)
"""What `unpacked` raises for bytes that are damaged."""


def packed(content: Mapping[str, Any]) -> bytes:
    """As it is kept."""
    return zlib.compress(json.dumps(content, allow_nan=False).encode())


def unpacked(data: bytes) -> Any:
    """What was kept. Raises one of DAMAGES."""
    return json.loads(inflated(data))


def inflated(data: bytes) -> bytes:
    """Bytes as they were before zlib. Raises zlib.error for what is damaged, or longer than `LARGEST`."""
    unpacking = zlib.decompressobj()
    made = unpacking.decompress(data, LARGEST + 1)
    if len(made) > LARGEST:
        raise zlib.error(f"expected at most {LARGEST} bytes unpacked, found more")
    if not unpacking.eof:
        raise zlib.error("incomplete")
    return made
