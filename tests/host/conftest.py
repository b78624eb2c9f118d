"""Every host test starts from an empty file."""

from __future__ import annotations

from collections.abc import Iterator

import bpy
import pytest

import ringwright


def block_names() -> list[str]:
    """Type and name of every datablock in the host."""
    return sorted(f"{type(block).__name__} {block.name}" for block in bpy.data.user_map())


@pytest.fixture(scope="module")
def extension() -> Iterator[None]:
    """The extension, registered for the length of a test module that asks for it."""
    ringwright.register()
    yield
    bpy.ops.wm.read_factory_settings(use_empty=True)
    ringwright.unregister()


@pytest.fixture(autouse=True)
def empty_file() -> None:
    bpy.ops.wm.read_factory_settings(use_empty=True)


@pytest.fixture
def nothing_left_behind(empty_file: None) -> Iterator[None]:
    """Fails the test where the host's data holds other datablocks than before."""
    before = block_names()
    yield
    assert block_names() == before
