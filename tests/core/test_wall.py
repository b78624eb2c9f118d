"""The core stands without a host: every one of its modules imports where the host's modules are blocked."""

from __future__ import annotations

import pkgutil
import subprocess
import sys

import pytest

import ringwright.core

MODULES = sorted(module.name for module in pkgutil.walk_packages(ringwright.core.__path__, "ringwright.core."))
BLOCKED = ("bpy", "bmesh", "mathutils", "gpu", "ringwright.addon", "scipy")


def import_with_blocked(modules: list[str]) -> subprocess.CompletedProcess[str]:
    """Import modules in a fresh interpreter in which the host's modules cannot be imported."""
    code = (
        "import importlib, sys\n"
        f"sys.modules.update(dict.fromkeys({BLOCKED!r}))\n"
        f"for name in {modules!r}: importlib.import_module(name)\n"
    )
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


def test_core_has_modules() -> None:
    assert "ringwright.core.polymesh" in MODULES


def test_every_core_module_imports_without_the_host() -> None:
    result = import_with_blocked(MODULES)
    assert result.returncode == 0, result.stderr


@pytest.mark.parametrize("name", BLOCKED)
def test_the_block_holds(name: str) -> None:
    result = import_with_blocked([name])
    assert result.returncode != 0
    assert "ImportError" in result.stderr or "ModuleNotFoundError" in result.stderr
