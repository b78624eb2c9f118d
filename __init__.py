"""Ringwright: from a dense sculpt to an all-quad cage that bends.

The repository's root is the package and the extension. Importing it needs no host: the host side
in addon/ is imported only when the host registers the extension.
"""

from __future__ import annotations


def register() -> None:
    """Register the extension with the host."""
    from . import addon

    addon.register()


def unregister() -> None:
    """Take back everything that register() gave to the host."""
    from . import addon

    addon.unregister()
