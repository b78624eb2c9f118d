"""The extension's zip, unpacked where the host keeps extensions, enables, works under its other name and goes again."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import zipfile
from pathlib import Path

from ringwright.addon.files import write_mesh
from ringwright.core.polymesh import PolyMesh

ROOT = Path(__file__).resolve().parents[2]
NAME = "bl_ext.user_default.ringwright"

ENABLE = f"""
import sys
import bpy
import addon_utils
assert addon_utils.enable({NAME!r}, default_set=False, handle_error=lambda error: sys.exit(repr(error))) is not None
main = sys.modules[{NAME!r} + ".addon.command_line"].main
code = main(sys.argv[1:])
assert not [name for name in sys.modules if name == "ringwright" or name.startswith("ringwright.")]
addon_utils.disable({NAME!r}, default_set=False)
assert not addon_utils.check({NAME!r})[1]
sys.exit(code)
"""


def unpack_extension(resources: Path) -> None:
    """Build the zip with the host's own tool and unpack it as the host does."""
    spec = importlib.util.find_spec("bpy")
    assert spec is not None and spec.origin is not None
    tool = next(Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py"))
    built = subprocess.run([sys.executable, str(tool), "build", "--source-dir", str(ROOT), "--output-dir", str(resources)],
                           capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stdout
    (archive,) = resources.glob("*.zip")
    zipfile.ZipFile(archive).extractall(resources / "extensions" / "user_default" / "ringwright")


def test_extension_enables_runs_and_goes(tmp_path: Path) -> None:
    unpack_extension(tmp_path)
    quad = tmp_path / "quad.obj"
    write_mesh(quad, PolyMesh.from_quads([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3]]))
    environment = {**os.environ, "BLENDER_USER_RESOURCES": str(tmp_path)}
    for arguments, code, words in ((["rings", str(quad)], 0, "open ring 0: 4 edges"), (["rings", str(quad) + "x"], 2, "ending")):
        result = subprocess.run([sys.executable, "-c", ENABLE, *arguments], capture_output=True, text=True, check=False, env=environment,
                                cwd=tmp_path)
        assert result.returncode == code, result.stderr
        assert words in result.stdout + result.stderr
        assert "Traceback" not in result.stderr
