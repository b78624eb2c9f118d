"""The package, the extension and the manifest say the same and hold what they should."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def manifest() -> dict:
    return tomllib.loads((ROOT / "blender_manifest.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def project() -> dict:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def extension_tool() -> Path:
    """The host's own tool for extensions, which ships inside the host's package."""
    spec = importlib.util.find_spec("bpy")
    assert spec is not None and spec.origin is not None
    return next(Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py"))


def run(*arguments: object, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *map(str, arguments)], capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]


def test_version_is_the_same_in_both_places(manifest: dict, project: dict) -> None:
    assert manifest["version"] == project["project"]["version"]
    assert manifest["license"] == [f"SPDX:{project['project']['license']}"]


def test_every_package_folder_is_packaged(project: dict) -> None:
    folders = {path.parent.relative_to(ROOT).as_posix() for top in ("core", "addon") for path in (ROOT / top).rglob("*.py")}
    named = {name.removeprefix("ringwright").lstrip(".").replace(".", "/") for name in project["tool"]["setuptools"]["packages"]}
    assert folders | {""} == named


def test_importing_the_root_needs_no_host() -> None:
    code = "import sys; sys.modules['bpy'] = None; import ringwright; print('ringwright.addon' in sys.modules)"
    result = run("-c", code)
    assert result.stdout.strip() == "False", result.stderr


def test_extension_validates_without_a_warning(extension_tool: Path) -> None:
    result = run(extension_tool, "validate", ROOT)
    assert result.returncode == 0
    assert "warning" not in (result.stdout + result.stderr).lower()


def test_zip_holds_the_program_and_nothing_else(extension_tool: Path, tmp_path: Path) -> None:
    result = run(extension_tool, "build", "--source-dir", ROOT, "--output-dir", tmp_path)
    assert result.returncode == 0, result.stdout + result.stderr
    (archive,) = tmp_path.glob("*.zip")
    names = zipfile.ZipFile(archive).namelist()
    files = {"__init__.py", "blender_manifest.toml", "LICENSE", "README.md", "DEVELOPERS.md"}
    allowed = files | {"core", "addon", "demo.blend-generator", "profiles", "languages"}
    assert {name.split("/")[0] for name in names} <= allowed
    assert not [name for name in names if "__pycache__" in name or "/." in name or name.startswith(".")]
    assert {"__init__.py", "LICENSE", "addon/command_line.py", "core/polymesh.py", "profiles/film.toml"} <= set(names)


@pytest.mark.slow
def test_wheel_holds_the_package_the_command_and_the_demo(tmp_path: Path) -> None:
    result = run("-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", tmp_path, ROOT)
    assert result.returncode == 0, result.stderr
    (wheel,) = tmp_path.glob("*.whl")
    content = zipfile.ZipFile(wheel)
    names = set(content.namelist())
    assert {"ringwright/core/polymesh.py", "ringwright/addon/commands/build.py", "ringwright/demo.blend-generator/generate.py"} <= names
    assert not [name for name in names if "test" in name or name.startswith("core/")]
    (entry,) = [name for name in names if name.endswith("entry_points.txt")]
    assert "ringwright = ringwright.addon.command_line:main" in content.read(entry).decode()
