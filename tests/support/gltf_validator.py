"""The Khronos validator of .glb files: the npm package ``gltf-validator``, fetched once into the cache folder."""

from __future__ import annotations

import json
import shutil
import subprocess
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from support.fetched import folder_beside

VERSION = "2.0.0-dev.3.10"
FOLDER = Path(__file__).resolve().parents[2] / ".cache" / "gltf-validator"
FETCH_SECONDS = 120.0
SCRIPT = """
const validator = require('gltf-validator');
const bytes = new Uint8Array(require('fs').readFileSync(process.argv[1]));
validator.validateBytes(bytes).then(report => console.log(JSON.stringify(report)));
"""


def validation(path: Path) -> dict[str, Any]:
    """The validator's report on a file; skips the calling test by name where node or the package cannot be had."""
    node = require_validator()
    done = subprocess.run([node, "-e", SCRIPT, str(path)], capture_output=True, text=True, check=False, cwd=FOLDER)
    assert done.returncode == 0, done.stderr
    report: dict[str, Any] = json.loads(done.stdout)
    return report


def require_validator() -> str:
    """Path of node, once the package is in the cache folder; skips the calling test by name otherwise."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("gltf-validator: node was not found")
    if not (FOLDER / "node_modules" / "gltf-validator").is_dir():
        _fetch()
    return node


def _fetch() -> None:
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("gltf-validator: npm was not found")
    with folder_beside(FOLDER) as unfinished:
        command = [npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", str(unfinished), f"gltf-validator@{VERSION}"]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=FETCH_SECONDS, check=False)
        except subprocess.TimeoutExpired:
            pytest.skip(f"gltf-validator: did not arrive within {FETCH_SECONDS:.0f} s")
        if done.returncode:
            pytest.skip(f"gltf-validator: npm could not fetch it: {(done.stderr.strip().splitlines() or ['no reason given'])[-1]}")
        FOLDER.mkdir(exist_ok=True)
        with suppress(OSError):  # another run was first
            (unfinished / "node_modules").rename(FOLDER / "node_modules")
