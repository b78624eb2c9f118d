"""Errors that a user can cause; each message is one sentence: what is wrong, where, what to do."""

from __future__ import annotations


class RingwrightError(Exception):
    """Base of every error that a user's input can cause."""


class PlanError(RingwrightError):
    """A limb plan that cannot be read or cannot be built."""


class MeshError(RingwrightError):
    """A mesh or target that cannot be used for what was asked."""


class ProfileError(RingwrightError):
    """An inspection profile that cannot be read."""


class FileError(RingwrightError):
    """A file that cannot be read or written."""
