"""Type-check the device scripts against one port's stubs, apart from the host's code.

    python tests/device_types.py FOLDER_WITH_STUBS

The stubs go into a folder of their own (pip install --target): they carry files named math.pyi and time.pyi
that would shadow the host's if they were installed beside it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from mypy import api

ROOT = Path(__file__).resolve().parents[1]

CONFIG = """\
[mypy]
mypy_path = {stubs}:{scripts}
explicit_package_bases = True
custom_typeshed_dir = {stubs}
follow_imports = silent
strict_optional = True
check_untyped_defs = True

[mypy-machine.*,vfs.*,_mpy_shed.*,math.*,rp2.*,micropython.*]
ignore_errors = True
"""


def main(stubs: str) -> int:
    """Print mypy's findings; 0 when there are none."""
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "mypy.ini"
        config.write_text(CONFIG.format(stubs=stubs, scripts=ROOT / "device_scripts"), encoding="utf-8")
        scripts = [str(path) for path in sorted((ROOT / "device_scripts").glob("*.py"))]
        found, trouble, status = api.run(
            ["--config-file", str(config), "--cache-dir", str(Path(folder) / "cache"), *scripts]
        )
    sys.stdout.write(found)
    sys.stderr.write(trouble)
    return status


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python tests/device_types.py FOLDER_WITH_STUBS")
    sys.exit(main(sys.argv[1]))
