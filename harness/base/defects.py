"""A defect of rotorgate itself: the traceback goes to a named file, the person gets one line."""

from __future__ import annotations

import os
import tempfile
import traceback
from pathlib import Path

from harness.base.disk import write_text
from harness.base.words import visible


def write_defect(error: BaseException, folder: Path | None = None) -> str:
    """Write the traceback to `folder` (or the system's temporary folder) and return the line to show."""
    what = visible(f"{type(error).__name__}: {error}")[:300]
    try:
        if folder is not None and folder.is_dir():
            path = folder / "defect.txt"
        else:
            handle, name = tempfile.mkstemp(prefix="rotorgate-defect-", suffix=".txt")
            os.close(handle)
            path = Path(name)
        write_text(path, "".join(traceback.format_exception(error)))
    except OSError:
        return f"a defect of rotorgate, please report it: {what}"
    return f"a defect of rotorgate, please report it with {visible(str(path))}: {what}"
