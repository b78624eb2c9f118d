"""Makes the demo's target and limb plan: ``python demo.blend-generator/generate.py --out FOLDER``."""

from __future__ import annotations

import importlib
import importlib.util
import sys
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

PACKAGE = "ringwright_demo"


def load(module: str) -> ModuleType:
    """One module of this folder, imported as part of the package ``ringwright_demo``.

    The folder's own name holds a dot and a dash, so that no import statement can name it.
    """
    if PACKAGE not in sys.modules:
        spec = ModuleSpec(PACKAGE, None, is_package=True)
        spec.submodule_search_locations = [str(Path(__file__).resolve().parent)]
        sys.modules[PACKAGE] = importlib.util.module_from_spec(spec)
    return importlib.import_module(f"{PACKAGE}.{module}")


if __name__ == "__main__":
    raise SystemExit(load("steps").main())
