"""The arrows run one way: cli -> records -> vision -> neck."""

from __future__ import annotations

import subprocess
import sys

import pytest

# scipy.stats takes longer to load than most commands to run.
FORBIDDEN = {
    "neck": ("lightgap.vision", "lightgap.records", "lightgap.cli", "cv2", "PIL", "matplotlib", "typer", "scipy.stats"),
    "vision": ("lightgap.records", "lightgap.cli", "typer", "scipy.stats"),
    "records": ("lightgap.cli", "typer"),
}

SCRIPT = """
import importlib, pkgutil, sys
package = importlib.import_module(sys.argv[1])
for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
    importlib.import_module(module.name)
print("\\n".join(sys.modules))
"""


@pytest.mark.parametrize("package", sorted(FORBIDDEN))
def test_package_loads_nothing_from_above(package: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, f"lightgap.{package}"], capture_output=True, text=True, check=True
    )
    loaded = done.stdout.split()
    wrong = [m for m in loaded if any(m == f or m.startswith(f + ".") for f in FORBIDDEN[package])]
    assert not wrong, f"lightgap.{package} loads {wrong}"
