"""Errors that a user can cause; each message is one sentence: what is wrong, where, what to do."""

from __future__ import annotations


class RingwrightError(Exception):
    """Base of every error that a user's input can cause."""


class PlanError(RingwrightError):
    """A limb plan that cannot be read or cannot be built."""


class NoRoomError(PlanError):
    """A trunk whose wall has no room for a branch.

    trunk : its name
    """

    def __init__(self, sentence: str, trunk: str) -> None:
        super().__init__(sentence)
        self.trunk = trunk


class MeshError(RingwrightError):
    """A mesh or target that cannot be used for what was asked."""


class ProfileError(RingwrightError):
    """An inspection profile that cannot be read."""


class FileError(RingwrightError):
    """A file that cannot be read or written."""
