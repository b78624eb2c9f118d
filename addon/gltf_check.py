"""Ask the Khronos glTF validator (npm package ``gltf-validator``) about a .glb file, where it is installed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from ..core.errors import FileError

SECONDS = 120.0
"""Longest that the validator may take."""
INSTALL = "install Node.js and then the validator with: npm install --global gltf-validator"
SCRIPT = """
const validator = require('gltf-validator');
const bytes = new Uint8Array(require('fs').readFileSync(process.argv[1]));
validator.validateBytes(bytes).then(report => console.log(JSON.stringify(report)));
"""


@dataclass(frozen=True)
class Validated:
    """What the validator said.

    version : of the validator; empty where it could not be asked
    reason : why it could not be asked; empty where it was
    errors, warnings : their numbers
    first : the first of them in the validator's words
    """

    version: str = ""
    reason: str = ""
    errors: int = 0
    warnings: int = 0
    first: str = ""

    def words(self) -> str:
        """What came of it, in one sentence."""
        if self.reason:
            return f"the .glb was not validated: {self.reason}"
        return f"the .glb is valid by the Khronos validator {self.version}: {self.errors} errors, {self.warnings} warnings"


def validate_glb(path: Path) -> Validated:
    """Validate a file; nothing is installed, and no network is asked."""
    node = shutil.which("node")
    if node is None:
        return Validated(reason=f"Node.js was not found; {INSTALL}")
    folder = _validator_folder()
    if folder is None:
        return Validated(reason=f"the npm package gltf-validator was not found; {INSTALL}")
    try:
        done = subprocess.run([node, "-e", SCRIPT, str(path.resolve())], capture_output=True, text=True, encoding="utf-8", timeout=SECONDS,
                              check=False, cwd=folder, stdin=subprocess.DEVNULL)
        report = json.loads(done.stdout)
        issues = report["issues"]
        wrong = [issue for issue in issues["messages"] if issue["severity"] <= 1]
        return Validated(report["validatorVersion"], "", issues["numErrors"], issues["numWarnings"],
                         f"{wrong[0]['code']}: {wrong[0]['message']}" if wrong else "")
    except (OSError, subprocess.SubprocessError, ValueError, LookupError) as error:
        return Validated(reason=f"the validator in {folder} could not be run: {type(error).__name__}; {INSTALL}")


def require_valid(path: Path) -> Validated:
    """Validate a file.

    Raises FileError where the validator finds an error or a warning.
    """
    found = validate_glb(path)
    if found.errors or found.warnings:
        raise FileError(f"{path.name} is not valid by the Khronos validator: {found.errors} errors, {found.warnings} warnings; the first "
                        f"is {found.first}; no file was kept.")
    return found


def _validator_folder() -> Path | None:
    """The folder of installed packages that holds the validator: one that NODE_PATH names, or npm's global one."""
    named = [Path(each) for each in os.environ.get("NODE_PATH", "").split(os.pathsep) if each]
    return next((folder for folder in [*named, *_global_folder()] if (folder / "gltf-validator").is_dir()), None)


def _global_folder() -> list[Path]:
    npm = shutil.which("npm")
    if npm is None:
        return []
    try:
        done = subprocess.run([npm, "root", "--global"], capture_output=True, text=True, timeout=SECONDS, check=False,
                              stdin=subprocess.DEVNULL)
    except (OSError, subprocess.SubprocessError):
        return []
    return [Path(done.stdout.strip())] if done.returncode == 0 and done.stdout.strip() else []
