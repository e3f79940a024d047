"""What a row holds beside its columns: JSON, compressed (zlib)."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any

DAMAGES = (zlib.error, TypeError, ValueError, RecursionError)
"""What `unpacked` raises for bytes that are damaged."""


def packed(content: Mapping[str, Any]) -> bytes:
    """As it is kept."""
    return zlib.compress(json.dumps(content, allow_nan=False).encode())


def unpacked(data: bytes) -> Any:
    """What was kept. Raises one of DAMAGES."""
    return json.loads(zlib.decompress(data))
