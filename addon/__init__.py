"""The host side: thin readers, writers and commands round the core."""

from __future__ import annotations

from typing import Any

_commands: list[Any] = []
"""Handles of the commands that the host knows; they must be kept as long as the commands stand."""


def register() -> None:
    """Give the host the extension's commands, and the editor its panels and operators."""
    import bpy

    from . import editor
    from .command_line import main

    editor.register()

    _commands.append(bpy.utils.register_cli_command("ringwright", main))


def unregister() -> None:
    """Take back what register() gave."""
    import bpy

    from . import editor

    editor.unregister()
    while _commands:
        bpy.utils.unregister_cli_command(_commands.pop())
