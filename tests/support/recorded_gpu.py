"""What is drawn, written down in place of the graphics card: a host without a window has none.

It refuses what the card would refuse: names that the host does not know, points that are no numbers, a uniform that is missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import blf
import bpy
import numpy as np
import pytest

from ringwright.addon import gpu_shapes, overlay, places_view, pointer_view

UNIFORMS = {"UNIFORM_COLOR": {"color"}, "SMOOTH_COLOR": set(), "POLYLINE_UNIFORM_COLOR": {"color", "lineWidth", "viewportSize"}}
"""The host's programs that draw without a texture, and what each must be told, by the host's manual."""
STATES = {"blend": {"NONE", "ALPHA"}, "depth_test": {"NONE", "LESS_EQUAL"}, "face_culling": {"NONE", "BACK", "FRONT"}}


@dataclass
class Drawn:
    """One call of the card: program, primitives, arrays and uniforms."""

    program: str
    kind: str
    positions: np.ndarray
    uniforms: dict[str, Any]
    state: dict[str, str]

    @property
    def colour(self) -> tuple[float, ...]:
        return tuple(self.uniforms["color"])


@dataclass
class Card:
    """Stands where the module ``gpu`` stood."""

    size: tuple[int, int]
    drawn: list[Drawn] = field(default_factory=list)
    words: dict[str, tuple[float, float]] = field(default_factory=dict)
    states: dict[str, str] = field(default_factory=lambda: dict.fromkeys(STATES, "NONE"))
    pushed: int = 0

    @property
    def shader(self) -> Card:
        return self

    @property
    def state(self) -> Card:
        return self

    @property
    def matrix(self) -> Card:
        return self

    def from_builtin(self, name: str) -> Program:
        assert name in UNIFORMS, f"no program of the host is called {name}"
        return Program(name)

    def viewport_get(self) -> tuple[int, int, int, int]:
        return 0, 0, *self.size

    def blend_set(self, mode: str) -> None:
        self._set("blend", mode)

    def depth_test_set(self, mode: str) -> None:
        self._set("depth_test", mode)

    def face_culling_set(self, mode: str) -> None:
        self._set("face_culling", mode)

    def _set(self, name: str, mode: str) -> None:
        assert mode in STATES[name]
        self.states[name] = mode

    def push(self) -> None:
        self.pushed += 1

    def pop(self) -> None:
        self.pushed -= 1

    def translate(self, offset: Any) -> None:
        assert self.pushed and np.isfinite(offset).all() and len(offset) == 3

    def scale_uniform(self, scale: float) -> None:
        assert self.pushed and 0.0 < scale < 2.0

    def batch(self, program: Program, kind: str, content: dict[str, Any], *, indices: Any = None) -> Batch:
        count = len(content["pos"])
        for name, values in content.items():
            assert values.dtype == np.float32 and values.shape == (count, {"pos": 3, "color": 4}[name]) and np.isfinite(values).all()
        assert indices is None or (np.min(indices) >= 0 and np.max(indices) < count)
        assert ("color" in content) == (program.name == "SMOOTH_COLOR")
        return Batch(self, kind, content["pos"])

    def write(self, _: int, word: str) -> None:
        self.words[word] = self.place

    def put(self, _: int, x: float, y: float, z: float) -> None:
        self.place = (x, y)


@dataclass
class Program:
    """Stands where the host's shader stood."""

    name: str
    uniforms: dict[str, Any] = field(default_factory=dict)
    bound: bool = False

    def bind(self) -> None:
        self.bound = True

    def uniform_float(self, name: str, value: Any) -> None:
        assert self.bound and name in UNIFORMS[self.name] and np.isfinite(value).all()
        self.uniforms[name] = value


@dataclass
class Batch:
    """Stands where the host's batch stood."""

    card: Card
    kind: str
    positions: np.ndarray

    def draw(self, program: Program) -> None:
        assert program.bound and set(program.uniforms) == UNIFORMS[program.name]
        self.card.drawn.append(Drawn(program.name, self.kind, self.positions, dict(program.uniforms), dict(self.card.states)))


def viewport() -> tuple[bpy.types.Area, bpy.types.Region]:
    """The first 3D viewport of the host's window."""
    area = next(area for area in bpy.context.window_manager.windows[0].screen.areas if area.type == "VIEW_3D")
    return area, next(region for region in area.regions if region.type == "WINDOW")


@contextmanager
def recorded(monkeypatch: pytest.MonkeyPatch) -> Iterator[Card]:
    """Inside the block the first 3D viewport of the host's window is drawn to, and everything is written down."""
    window, (area, region) = bpy.context.window_manager.windows[0], viewport()
    card = Card((region.width, region.height))
    letters = type("Letters", (), {"size": blf.size, "dimensions": blf.dimensions, "color": blf.color, "position": card.put,
                                   "draw": card.write})
    with monkeypatch.context() as patch, bpy.context.temp_override(window=window, area=area, region=region):
        patch.setattr(gpu_shapes, "gpu", card)
        patch.setattr(overlay, "gpu", card)
        patch.setattr(gpu_shapes, "batch_for_shader", card.batch)
        patch.setattr(gpu_shapes, "blf", letters)
        for module in (gpu_shapes, overlay, places_view, pointer_view):
            patch.setattr(module, "interface_scale", lambda: 2.0)  # the host tells none before it has drawn a window
        yield card
    assert card.pushed == 0 and set(card.states.values()) == {"NONE"}, "what is drawn next would be drawn in another way"
